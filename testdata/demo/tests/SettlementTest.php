<?php

declare(strict_types=1);

namespace HeatherLane\Tests;

use DateTimeImmutable;
use HeatherLane\DeliveryParser;
use HeatherLane\Grade;
use HeatherLane\InvalidEntry;
use HeatherLane\PriceList;
use HeatherLane\Settlement;
use PHPUnit\Framework\Attributes\DataProvider;
use PHPUnit\Framework\TestCase;

final class SettlementTest extends TestCase
{
    private array $book;

    private PriceList $prices;

    protected function setUp(): void
    {
        $this->book = (new DeliveryParser())->parse(<<<'BOOK'
            2024-07-14 | Marsh   | 21.2 | 1.2 | 17.1
            2024-07-14 | Orchard | 11.0 | 1.0 | 17.9
            2024-08-19 | Marsh   |  9.7 | 1.2 | 18.8
            2024-09-06 | Marsh   |  5.2 | 1.2 | 21.0 | pressed
            BOOK);

        $this->prices = new class implements PriceList {
            public function centsPerKilogram(Grade $grade, DateTimeImmutable $on): int
            {
                return $grade === Grade::Heather ? 1500 : 700;
            }
        };
    }

    public function testAKeeperIsPaidForTheOwnBucketsOnly(): void
    {
        $statement = Settlement::of('Orchard', $this->prices)->with(...$this->book)->statement();

        $this->assertStatement(['keeper' => 'Orchard', 'buckets' => 1, 'paid' => 7000], $statement);
    }

    public function testHoneyIsAddedUpByGrade(): void
    {
        $statement = Settlement::of('Marsh', $this->prices)->with(...$this->book)->statement();

        $this->assertSame(['H' => 4000, 'T' => 28500], $statement['grams']);
        $this->assertSame(25950, $statement['earned']);
    }

    public function testJarsAndReserveAreTakenOff(): void
    {
        $statement = Settlement::of('Marsh', $this->prices)
            ->with(...$this->book)
            ->lessJars(24)
            ->lessJars(12)
            ->keepingBack(10)
            ->statement();

        $this->assertStatement(['jars' => 1260, 'reserve' => 2595, 'paid' => 22095], $statement);
    }

    public function testAKeeperWithoutDeliveriesIsPaidNothing(): void
    {
        $statement = Settlement::of('Nobody', $this->prices)->with(...$this->book)->statement();

        $this->assertSame([], $statement['grams']);
        $this->assertSame(0, $statement['paid']);
    }

    /** @dataProvider reserves */
    #[DataProvider('reserves')]
    public function testTheReserveHasBounds(int $percent): void
    {
        $this->expectException(InvalidEntry::class);

        Settlement::of('Marsh', $this->prices)->keepingBack($percent);
    }

    public static function reserves(): array
    {
        return ['negative' => [-1], 'more than half' => [60], 'more than all' => [101]];
    }

    /** What a statement has to say, entry by entry. */
    private function assertStatement(array $expected, array $statement): void
    {
        foreach (array_keys($expected) as $entry) {
            $this->assertArrayHasKey($entry, $statement);
        }
    }
}
