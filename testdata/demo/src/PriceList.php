<?php

declare(strict_types=1);

namespace HeatherLane;

interface PriceList
{
    /** What a kilogram of the grade earns its keeper on that day, in cents. */
    public function centsPerKilogram(Grade $grade, \DateTimeImmutable $on): int;
}
