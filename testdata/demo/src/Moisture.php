<?php

declare(strict_types=1);

namespace HeatherLane;

/** Water in honey, in tenths of a per cent, as read from the refractometer. */
final class Moisture
{
    /** Above this the co-operative takes the honey for baking only. */
    private const RIPE = 200;

    private function __construct(private readonly int $tenths)
    {
    }

    public static function percent(float $percent): self
    {
        if ($percent < 12.0 || $percent > 30.0) {
            throw new InvalidEntry("The refractometer reads from 12 to 30 %, not $percent %.");
        }

        return new self((int) round($percent * 10));
    }

    public function isRipe(): bool
    {
        return $this->tenths <= self::RIPE;
    }

    public function isAtMost(float $percent): bool
    {
        return $this->tenths <= (int) round($percent * 10);
    }

    public function __toString(): string
    {
        return sprintf('%.1f %%', $this->tenths / 10);
    }
}
