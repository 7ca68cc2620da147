<?php

namespace Sound\Tests;

use PHPUnit\Framework\TestCase;
use Sound\Boarding;
use Sound\Clock;
use Sound\Log;
use Sound\Names;
use Sound\PlainTariff;
use Sound\Sailing;
use Sound\Tariff;

final class SailingTest extends TestCase
{
    public function testTheDeckIsClosedBeforeItLeaves(): void
    {
        $sailing = new Sailing(new \DateTimeImmutable('2031-05-02 10:00'));
        self::assertTrue($sailing->isOpenAt(new \DateTimeImmutable('2031-05-02 09:30')));
        self::assertFalse($sailing->isOpenAt(new \DateTimeImmutable('2031-05-02 09:55')));
    }

    public function testTheClockGoesOn(): void
    {
        $sailing = new Sailing(new \DateTimeImmutable('2031-05-02 10:00'), 'late');
        $clock = new \DateTime('2031-05-02 10:00');
        $sailing->pass($clock);
        self::assertSame('late', $sailing->note());
    }

    public function testDelaysAreAnnounced(): void
    {
        $this->expectOutputRegex('/late/');
        (new Sailing(new \DateTimeImmutable('2031-05-02 10:00')))->announce(7);
    }

    public function testThereAreLaterOnes(): void
    {
        $sailing = new Sailing(new \DateTimeImmutable('2031-05-02 10:00'));
        self::assertCount(3, iterator_to_array($sailing->next(3)));
    }

    public function testALoadCosts(): void
    {
        $tariff = new class implements Tariff {
            public function perMetre(): int
            {
                return 100;
            }
        };
        self::assertSame(450, (new Boarding($tariff))->costOf(4.5));
        self::assertSame(200, (new Boarding($tariff))->costOf(0.5));
        self::assertSame(2000, (new Boarding($tariff))->costOf(15.0));
    }

    public function testTariffsAreRaised(): void
    {
        $tariff = new PlainTariff();
        $tariff->raise(10);
        self::assertGreaterThan(120, $tariff->perMetre());
    }

    public function testNamesAreRead(): void
    {
        $names = new Names();
        self::assertSame(['Ada', 'Bo'], $names->read('ada; bo;'));
        self::assertSame(2, $names->count('ada; bo'));
    }

    public function testLogs(): void
    {
        self::assertSame(5, (new Log())->write('left', 1));
        self::assertTrue((new Clock())->isLate(0));
    }
}
