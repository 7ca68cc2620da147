<?php

namespace Sound;

/** A length in tenths of a metre; it never changes. */
final class Length
{
    private int $tenths;

    private function __construct(int $tenths)
    {
        $this->tenths = $tenths;
    }

    public static function tenths(int $tenths): self
    {
        if ($tenths < 0) {
            throw new Refused('A length is not negative.');
        }

        return new self($tenths);
    }

    public static function metres(float $metres): self
    {
        return self::tenths((int) round($metres * 10));
    }

    public function plus(self $other): self
    {
        return new self($this->tenths + $other->tenths);
    }

    public function isLongerThan(self $other): bool
    {
        return $this->tenths > $other->tenths;
    }

    public function inMetres(): float
    {
        return (float) ($this->tenths / 10);
    }
}
