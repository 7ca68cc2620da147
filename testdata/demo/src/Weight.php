<?php

declare(strict_types=1);

namespace HeatherLane;

/** A weight in whole grams, as the shed's scale shows it. */
final class Weight
{
    /** The scale's end stop, in grams. */
    public const HEAVIEST = 300_000;

    private function __construct(private readonly int $grams)
    {
    }

    /** @param mixed $amount straight from a form, a scale or a file */
    public static function grams(mixed $amount): self
    {
        if (!is_int($amount)) {
            throw new InvalidEntry('A weight is a whole number of grams.');
        }

        if ($amount < 0 || $amount > self::HEAVIEST) {
            throw new InvalidEntry("The scale cannot show $amount g.");
        }

        return new self($amount);
    }

    /** Reads kilograms with up to three decimals: "31", "31.2", "31.250". */
    public static function kilograms(string $text): self
    {
        if (preg_match('/^(\d+)(?:\.(\d{1,3}))?$/', trim($text), $found) !== 1) {
            throw new InvalidEntry("\"$text\" is not a weight in kilograms.");
        }

        $fraction = str_pad($found[2] ?? '', 3, '0');

        return self::grams((int) $found[1] * 1000 + (int) $fraction);
    }

    public function plus(self $other): self
    {
        return self::grams($this->grams + $other->grams);
    }

    /** What is left once the empty bucket is taken off. */
    public function less(self $tare): self
    {
        if ($tare->grams > $this->grams) {
            throw new InvalidEntry('The bucket weighs more than the bucket with honey in it.');
        }

        return self::grams($this->grams - $tare->grams);
    }

    public function isNothing(): bool
    {
        return $this->grams === 0;
    }

    public function inGrams(): int
    {
        return $this->grams;
    }

    public function __toString(): string
    {
        return rtrim(rtrim(number_format($this->grams / 1000, 3, '.', ''), '0'), '.') . ' kg';
    }
}
