<?php

namespace Sound;

/** What stands on the car deck. */
final class Cargo
{
    public const BICYCLE = 'bicycle';
    public const CAR = 'car';
    public const LORRY = 'lorry';

    /** Metres that one takes, in tenths. */
    public static function lengthOf(string $kind): int
    {
        switch ($kind) {
            case self::BICYCLE:
                return 5;
            case self::CAR:
                return 45;
            case self::LORRY:
                return 160;
        }

        throw new Refused("No {$kind} comes aboard.");
    }

    public static function label(?string $kind): string
    {
        return ucfirst($kind ?? 'nothing');
    }
}
