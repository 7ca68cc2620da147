<?php

declare(strict_types=1);

namespace HeatherLane\Tests;

use DateTimeImmutable;
use HeatherLane\Delivery;
use HeatherLane\Grade;
use HeatherLane\InvalidEntry;
use HeatherLane\Moisture;
use HeatherLane\Weight;
use PHPUnit\Framework\TestCase;

final class DeliveryTest extends TestCase
{
    public function testOnlyTheHoneyCounts(): void
    {
        $this->assertSame(24300, $this->bucket('25.5', '1.2')->net()->inGrams());
    }

    public function testADeliveryKnowsItsGrade(): void
    {
        $this->assertSame(Grade::Table, $this->bucket('25.5', '1.2')->grade());
    }

    public function testAnEmptyBucketIsNotADelivery(): void
    {
        $this->expectException(InvalidEntry::class);
        $this->expectExceptionMessage('Marsh brought an empty bucket.');

        $this->bucket('1.2', '1.2');
    }

    public function testADeliveryNeedsAKeeper(): void
    {
        $this->expectException(InvalidEntry::class);

        $this->bucket('25.5', '1.2', '');
    }

    private function bucket(string $gross, string $tare, string $keeper = 'Marsh'): Delivery
    {
        return new Delivery(
            new DateTimeImmutable('2024-08-11'),
            $keeper,
            Weight::kilograms($gross),
            Weight::kilograms($tare),
            Moisture::percent(17.5),
        );
    }
}
