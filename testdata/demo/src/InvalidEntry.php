<?php

declare(strict_types=1);

namespace HeatherLane;

/** Something on a weighing slip, in a diary or on a map that cannot be right. */
final class InvalidEntry extends \DomainException
{
    public static function onLine(int $line, string $reason): self
    {
        return new self(sprintf('line %d: %s', $line, $reason));
    }
}
