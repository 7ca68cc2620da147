<?php

namespace Sound;

/** What a load costs. */
final class Boarding
{
    private Tariff $tariff;

    public function __construct(Tariff $tariff)
    {
        $this->tariff = $tariff;
    }

    public function costOf(float $metres): int
    {
        $cents = (int) ceil($metres * $this->tariff->perMetre());
        if ($metres > 12) {
            $cents += 500;
        }

        return max($cents, 200);
    }
}
