<?php

declare(strict_types=1);

namespace HeatherLane;

/**
 * Reads the shed's day book, one bucket a line:
 *
 *     2024-08-11 | Marsh | 31.25 | 1.2 | 17.4 | pressed
 *
 * date, keeper, kilograms with bucket, kilograms of the bucket, per cent of
 * water, and the word "pressed" if it was. Blank lines and what follows a #
 * are skipped.
 */
final class DeliveryParser
{
    private const FIELDS = 5;

    /** @return list<Delivery> in the order of the book */
    public function parse(string $book): array
    {
        $deliveries = [];

        foreach (explode("\n", $book) as $index => $line) {
            $line = trim($this->withoutRemark($line));

            if ($line === '') {
                continue;
            }

            $deliveries[] = $this->parseLine($index + 1, $line);
        }

        return $deliveries;
    }

    private function withoutRemark(string $line): string
    {
        $hash = strpos($line, '#');

        return $hash === false ? $line : substr($line, 0, $hash);
    }

    private function parseLine(int $number, string $line): Delivery
    {
        $fields = array_map('trim', explode('|', $line));

        if (count($fields) < self::FIELDS) {
            throw InvalidEntry::onLine($number, 'a bucket needs at least five fields');
        }

        [$date, $keeper, $gross, $tare, $moisture] = $fields;

        if (!is_numeric($moisture)) {
            throw InvalidEntry::onLine($number, "\"$moisture\" is not a moisture reading");
        }

        try {
            return new Delivery(
                $this->day($date),
                ucfirst(strtolower($keeper)),
                Weight::kilograms($gross),
                Weight::kilograms($tare),
                Moisture::percent((float) $moisture),
                strtolower($fields[5] ?? '') === 'pressed',
            );
        } catch (InvalidEntry $reason) {
            throw InvalidEntry::onLine($number, $reason->getMessage());
        }
    }

    private function day(string $text): \DateTimeImmutable
    {
        $day = \DateTimeImmutable::createFromFormat('!Y-m-d', $text, new \DateTimeZone('UTC'));

        if ($day === false || $day->format('Y-m-d') !== $text) {
            throw new InvalidEntry("there is no day \"$text\"");
        }

        return $day;
    }
}
