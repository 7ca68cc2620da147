<?php

declare(strict_types=1);

namespace HeatherLane;

/** One bucket, weighed and measured at the shed door. */
final class Delivery
{
    public function __construct(
        public readonly \DateTimeImmutable $on,
        public readonly string $keeper,
        public readonly Weight $gross,
        public readonly Weight $tare,
        public readonly Moisture $moisture,
        public readonly bool $pressed = false,
    ) {
        if (trim($keeper) === '') {
            throw new InvalidEntry('A delivery needs the name of its keeper.');
        }

        if ($this->net()->isNothing()) {
            throw new InvalidEntry("$keeper brought an empty bucket.");
        }
    }

    public function net(): Weight
    {
        return $this->gross->less($this->tare);
    }

    public function grade(): Grade
    {
        return Grade::judge($this->moisture, $this->pressed);
    }
}
