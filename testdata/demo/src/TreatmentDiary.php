<?php

declare(strict_types=1);

namespace HeatherLane;

/** What a colony was given against mites, and from when its honey may be taken again. */
final class TreatmentDiary
{
    /** @var array<string, \DateTimeImmutable> the day its honey is clear, by treatment */
    private array $clear = [];

    public function record(string $treatment, \DateTimeImmutable $on): void
    {
        $days = match (strtolower($treatment)) {
            'formic' => 7,
            'thymol' => 14,
            'oxalic' => 30,
            default => throw new InvalidEntry("Nobody here treats bees with $treatment."),
        };

        $clear = $on->modify("+$days days");

        if (!isset($this->clear[$treatment]) || $this->clear[$treatment] < $clear) {
            $this->clear[$treatment] = $clear;
        }
    }

    /** The first day on which honey may be taken, null if it always could. */
    public function clearOn(): ?\DateTimeImmutable
    {
        $latest = null;

        foreach ($this->clear as $clear) {
            if ($latest === null || $clear > $latest) {
                $latest = $clear;
            }
        }

        return $latest;
    }

    public function mayHarvest(\DateTimeImmutable $on): bool
    {
        $clear = $this->clearOn();

        return $clear === null || $on >= $clear;
    }

    /** Whole days from that day until honey may be taken. */
    public function daysToWait(\DateTimeImmutable $on): int
    {
        $clear = $this->clearOn();

        if ($clear === null || $on > $clear) {
            return 0;
        }

        return (int) $on->diff($clear)->days;
    }
}
