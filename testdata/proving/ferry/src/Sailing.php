<?php

namespace Sound;

/** One crossing. */
final class Sailing
{
    private \DateTimeImmutable $leaves;
    private string $note;

    public function __construct(\DateTimeImmutable $leaves, string $note = 'on time')
    {
        $this->leaves = $leaves;
        $this->note = trim($note);
    }

    public function note(): string
    {
        return $this->note;
    }

    /** Whether cars may still be driven aboard: until ten minutes before it leaves. */
    public function isOpenAt(\DateTimeImmutable $now): bool
    {
        return $now <= $this->leaves->modify('-10 minutes');
    }

    /** Moves a clock on by the time that the crossing takes. */
    public function pass(\DateTime $clock): void
    {
        $clock->modify('+45 minutes');
    }

    public function announce(int $minutes): void
    {
        if ($minutes > 0) {
            echo "{$minutes} minutes late\n";
        }
    }

    /** @return \Generator<int, string> the times of the next ones */
    public function next(int $count): \Generator
    {
        for ($i = 1; $i <= $count; $i++) {
            yield $this->leaves->modify('+' . (2 * $i) . ' hours')->format('H:i');
        }
    }
}
