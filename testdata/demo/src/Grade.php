<?php

declare(strict_types=1);

namespace HeatherLane;

/** What the co-operative sells a bucket as. The value is the letter chalked on the lid. */
enum Grade: string
{
    case Heather = 'H';
    case Table = 'T';
    case Baking = 'B';

    /** @param bool $pressed heather honey is a jelly and has to be pressed out of the comb */
    public static function judge(Moisture $moisture, bool $pressed = false): self
    {
        return match (true) {
            $pressed && $moisture->isAtMost(23.0) => self::Heather,
            $moisture->isRipe() => self::Table,
            default => self::Baking,
        };
    }

    public function label(): string
    {
        return match ($this) {
            self::Heather => 'Heather honey',
            self::Table => 'Table honey',
            self::Baking => "Baker's honey",
        };
    }

    public function isForJars(): bool
    {
        return $this !== self::Baking;
    }
}
