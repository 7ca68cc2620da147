<?php

namespace Sound\Tests;

use PHPUnit\Framework\TestCase;

final class FaresTest extends TestCase
{
    public function testChildrenPayHalf(): void
    {
        self::assertSame(0, \Sound\fareFor(2));
        self::assertSame(350, \Sound\fareFor(9));
        self::assertSame(700, \Sound\fareFor(40));
    }

    public function testTheDearerFareCounts(): void
    {
        self::assertSame(700, \Sound\dearer(700, 350));
        self::assertSame(700, \Sound\dearer(350, 700));
    }

    public function testFaresAreSorted(): void
    {
        $fares = [350, 700];
        \Sound\sortFares($fares);
        self::assertCount(2, $fares);
    }

    public function testSeatsHaveNumbers(): void
    {
        self::assertGreaterThan(0, \Sound\seatNumber(40));
    }

    public function testThereAreLifeboats(): void
    {
        self::assertSame(2, \Sound\lifeboats(20));
    }
}
