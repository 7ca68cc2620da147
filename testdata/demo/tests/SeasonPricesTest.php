<?php

declare(strict_types=1);

namespace HeatherLane\Tests;

use DateTimeImmutable;
use HeatherLane\Grade;
use HeatherLane\InvalidEntry;
use HeatherLane\PriceList;
use HeatherLane\SeasonPrices;
use PHPUnit\Framework\Attributes\DataProvider;
use PHPUnit\Framework\TestCase;

final class SeasonPricesTest extends TestCase
{
    private SeasonPrices $prices;

    protected function setUp(): void
    {
        $this->prices = (new SeasonPrices(new DateTimeImmutable('2024-07-31')))
            ->set(Grade::Table, 720)
            ->set(Grade::Heather, 1450)
            ->set(Grade::Baking, 380);
    }

    public function testAPriceListIsAPriceList(): void
    {
        $this->assertInstanceOf(PriceList::class, $this->prices);
    }

    /** @dataProvider days */
    #[DataProvider('days')]
    public function testEarlyHoneyForJarsEarnsMore(Grade $grade, string $day, int $cents): void
    {
        $this->assertSame($cents, $this->prices->centsPerKilogram($grade, new DateTimeImmutable($day)));
    }

    public static function days(): array
    {
        return [
            'table honey in June' => [Grade::Table, '2024-06-20', 760],
            'table honey in August' => [Grade::Table, '2024-08-20', 720],
            'heather honey in September' => [Grade::Heather, '2024-09-05', 1450],
            'baking honey in June' => [Grade::Baking, '2024-06-20', 380],
            'baking honey in August' => [Grade::Baking, '2024-08-20', 380],
        ];
    }

    public function testAPriceMustBeSet(): void
    {
        $this->expectException(InvalidEntry::class);
        $this->expectExceptionMessage('No price is set for Table honey.');

        (new SeasonPrices(new DateTimeImmutable('2024-07-31')))
            ->centsPerKilogram(Grade::Table, new DateTimeImmutable('2024-08-01'));
    }

    public function testAPriceIsMoreThanNothing(): void
    {
        $this->expectException(InvalidEntry::class);

        $this->prices->set(Grade::Baking, -5);
    }

    public function testTheDearestGradeComesFirst(): void
    {
        $this->assertSame([Grade::Heather, Grade::Table, Grade::Baking], $this->prices->dearestFirst());
    }
}
