<?php

namespace Sound;

/** The car deck: what stands there, in the order in which it came. */
final class Deck implements \IteratorAggregate
{
    private Length $room;
    private Length $taken;
    /** @var list<string> */
    private array $cargo = [];
    private int $refusals = 0;

    public function __construct(Length $room)
    {
        $this->room = $room;
        $this->taken = Length::tenths(0);
    }

    public function take(string $kind): void
    {
        $with = $this->taken->plus(Length::tenths(Cargo::lengthOf($kind)));
        if ($with->isLongerThan($this->room)) {
            $this->refusals++;

            return;
        }
        $this->taken = $with;
        $this->cargo[] = $kind;
    }

    public function refusals(): int
    {
        return $this->refusals;
    }

    public function isEmpty(): bool
    {
        return count($this->cargo) === 0;
    }

    /** @return array<string, int> kinds and how many of each there are, the most first */
    public function byKind(): array
    {
        $counts = array_count_values($this->cargo);
        arsort($counts);

        return $counts;
    }

    /** @return list<string> */
    public function longOnes(int $tenths): array
    {
        return array_values(array_filter($this->cargo, function (string $kind) use ($tenths): bool {
            return $this->isLong($kind, $tenths);
        }));
    }

    private function isLong(string $kind, int $tenths): bool
    {
        return Cargo::lengthOf($kind) >= $tenths;
    }

    public function getIterator(): \Iterator
    {
        foreach (array_reverse($this->cargo) as $kind) {
            yield $kind;
        }
    }
}
