<?php

namespace Sound;

/** The fare of a foot passenger, in cents. */
function fareFor(int $age): int
{
    if ($age < 4) {
        return 0;
    }

    return $age <= 15 ? 350 : 700;
}

/** The dearer of two fares. */
function dearer(int $a, int $b): int
{
    return $a > $b ? $a : $b;
}

/** @param list<int> $fares */
function sortFares(array &$fares): void
{
    sort($fares);
}

function seatNumber(int $seats): int
{
    return random_int(1, $seats + 1);
}

/** A lifeboat for each thirty, and two at least. */
function lifeboats(int $passengers): int
{
    $rounded = $passengers + 29;

    return max(2, intdiv($rounded, 30));
}
