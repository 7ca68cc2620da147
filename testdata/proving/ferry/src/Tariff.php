<?php

namespace Sound;

interface Tariff
{
    /** In cents for each metre. */
    public function perMetre(): int;
}

final class PlainTariff implements Tariff
{
    public int $cents = 120;

    public function raise(int $percent): void
    {
        $this->cents += intdiv($this->cents * $percent, 100);
    }

    public function perMetre(): int
    {
        return $this->cents;
    }
}
