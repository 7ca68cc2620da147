<?php

declare(strict_types=1);

namespace HeatherLane;

/** Works out what a keeper is paid for a season, step by step. */
final class Settlement
{
    private const CENTS_PER_JAR = 35;

    /** @var list<Delivery> */
    private array $deliveries = [];

    private int $jars = 0;

    private int $reservePercent = 0;

    private function __construct(
        private readonly string $keeper,
        private readonly PriceList $prices,
    ) {
    }

    public static function of(string $keeper, PriceList $prices): self
    {
        return new self($keeper, $prices);
    }

    /** Deliveries of other keepers are passed over, so the whole book may be given. */
    public function with(Delivery ...$deliveries): self
    {
        foreach ($deliveries as $delivery) {
            if ($delivery->keeper !== $this->keeper) {
                continue;
            }

            $this->deliveries[] = $delivery;
        }

        return $this;
    }

    /** Empty jars that the keeper took from the shed's stock. */
    public function lessJars(int $jars): self
    {
        $this->jars += $jars;

        return $this;
    }

    /** The part held back until the honey is sold. */
    public function keepingBack(int $percent): self
    {
        if ($percent < 0 || $percent > 50) {
            throw new InvalidEntry("The co-operative keeps back 0 to 50 %, not $percent %.");
        }

        $this->reservePercent = $percent;

        return $this;
    }

    /**
     * @return array{keeper: string, buckets: int, grams: array<string, int>, earned: int, jars: int, reserve: int, paid: int}
     *         grams by grade, all money in cents
     */
    public function statement(): array
    {
        $earned = 0;
        $grams = [];

        foreach ($this->deliveries as $delivery) {
            $grade = $delivery->grade();
            $net = $delivery->net()->inGrams();
            $grams[$grade->value] = ($grams[$grade->value] ?? 0) + $net;
            $earned += intdiv($net * $this->prices->centsPerKilogram($grade, $delivery->on), 1000);
        }

        ksort($grams);
        $jars = $this->jars * self::CENTS_PER_JAR;
        $reserve = (int) ceil($earned * $this->reservePercent / 100);

        return [
            'keeper' => $this->keeper,
            'buckets' => count($this->deliveries),
            'grams' => $grams,
            'earned' => $earned,
            'jars' => $jars,
            'reserve' => $reserve,
            'paid' => max(0, $earned - $jars - $reserve),
        ];
    }
}
