<?php

declare(strict_types=1);

namespace HeatherLane\Tests;

use HeatherLane\InvalidEntry;
use HeatherLane\Moisture;
use PHPUnit\Framework\Attributes\DataProvider;
use PHPUnit\Framework\TestCase;

final class MoistureTest extends TestCase
{
    /** @dataProvider readings */
    #[DataProvider('readings')]
    public function testHoneyIsRipeWhenItIsDryEnough(float $percent, bool $ripe): void
    {
        $this->assertSame($ripe, Moisture::percent($percent)->isRipe());
    }

    public static function readings(): array
    {
        return [
            'very dry' => [15.5, true],
            'ordinary' => [17.8, true],
            'just wet' => [20.1, false],
            'wet' => [22.4, false],
        ];
    }

    /** @dataProvider offTheGlass */
    #[DataProvider('offTheGlass')]
    public function testReadingsOffTheGlassAreRefused(float $percent): void
    {
        $this->expectException(InvalidEntry::class);

        Moisture::percent($percent);
    }

    public static function offTheGlass(): array
    {
        return ['sugar' => [3.0], 'nectar' => [55.0]];
    }

    public function testAReadingIsPrintedWithOneDecimal(): void
    {
        $this->assertSame('17.0 %', (string) Moisture::percent(17));
        $this->assertSame('18.3 %', (string) Moisture::percent(18.26));
    }

    public function testReadingsAreComparedInTenths(): void
    {
        $moisture = Moisture::percent(19.4);

        $this->assertTrue($moisture->isAtMost(20.0));
        $this->assertFalse($moisture->isAtMost(19.0));
    }
}
