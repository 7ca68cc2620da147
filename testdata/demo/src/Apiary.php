<?php

declare(strict_types=1);

namespace HeatherLane;

/** Where hives stand, in metres east and north of the village pump. */
final class Apiary
{
    /** How far bees fly for most of what they bring, in metres. */
    private const RANGE = 1500;

    public function __construct(
        public readonly string $name,
        public readonly int $east,
        public readonly int $north,
        public readonly int $hives = 1,
    ) {
        if ($hives < 1) {
            throw new InvalidEntry("$name has no hives.");
        }
    }

    public function metresTo(self $other): int
    {
        return (int) round(hypot($this->east - $other->east, $this->north - $other->north));
    }

    /** Whether bees of both places meet on the same flowers. */
    public function sharesForageWith(self $other): bool
    {
        return $this->metresTo($other) < 2 * self::RANGE;
    }

    /** The quarter of the sky in which the other lies: "north-east", "south", or "here". */
    public function bearingOf(self $other): string
    {
        $words = [];

        if ($other->north !== $this->north) {
            $words[] = $other->north > $this->north ? 'north' : 'south';
        }

        if ($other->east !== $this->east) {
            $words[] = $other->east > $this->east ? 'east' : 'west';
        }

        return implode('-', $words) ?: 'here';
    }

    /** The closest of the others, by distance and then by name; null if there is none. */
    public function nearestOf(self ...$others): ?self
    {
        usort($others, fn (self $a, self $b): int => [$this->metresTo($a), $a->name] <=> [$this->metresTo($b), $b->name]);

        return $others[0] ?? null;
    }
}
