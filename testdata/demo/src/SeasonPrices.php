<?php

declare(strict_types=1);

namespace HeatherLane;

/** Fixed prices for a year, with an extra per kilogram until the shed is half full. */
final class SeasonPrices implements PriceList
{
    /** @var array<string, int> cents per kilogram, by the letter of the grade */
    private array $cents = [];

    public function __construct(
        private readonly \DateTimeImmutable $earlyUntil,
        private readonly int $earlyExtra = 40,
    ) {
    }

    public function set(Grade $grade, int $cents): static
    {
        if ($cents <= 0) {
            throw new InvalidEntry("{$grade->label()} cannot cost $cents cents.");
        }

        $this->cents[$grade->value] = $cents;

        return $this;
    }

    public function centsPerKilogram(Grade $grade, \DateTimeImmutable $on): int
    {
        $cents = $this->cents[$grade->value]
            ?? throw new InvalidEntry("No price is set for {$grade->label()}.");

        if ($grade->isForJars() && $on <= $this->earlyUntil) {
            $cents += $this->earlyExtra;
        }

        return $cents;
    }

    /** @return list<Grade> dearest first */
    public function dearestFirst(): array
    {
        arsort($this->cents);

        return array_map(static fn (string $letter): Grade => Grade::from($letter), array_keys($this->cents));
    }
}
