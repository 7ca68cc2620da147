<?php

namespace Sound;

/** Asks for the time. */
final class Clock
{
    public function isLate(int $leaves): bool
    {
        return time() > $leaves;
    }
}
