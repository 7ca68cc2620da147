<?php

declare(strict_types=1);

namespace HeatherLane\Tests;

use HeatherLane\Apiary;
use PHPUnit\Framework\Attributes\DataProvider;
use PHPUnit\Framework\TestCase;

final class ApiaryTest extends TestCase
{
    public function testTheDistanceIsAsTheBeeFlies(): void
    {
        $this->assertSame(500, (new Apiary('Marsh', 100, 200))->metresTo(new Apiary('Orchard', 400, 600)));
    }

    public function testNeighboursShareTheirForage(): void
    {
        $marsh = new Apiary('Marsh', 0, 0);

        $this->assertTrue($marsh->sharesForageWith(new Apiary('Orchard', 800, -600)));
        $this->assertFalse($marsh->sharesForageWith(new Apiary('Moor End', 4100, 2500)));
    }

    /** @dataProvider bearings */
    #[DataProvider('bearings')]
    public function testTheBearingIsGivenInWords(int $east, int $north, string $bearing): void
    {
        $pump = new Apiary('Pump', 0, 0);

        $this->assertSame($bearing, $pump->bearingOf(new Apiary('There', $east, $north)));
    }

    public static function bearings(): array
    {
        return [
            'north' => [0, 90, 'north'],
            'south-west' => [-40, -40, 'south-west'],
            'east' => [700, 0, 'east'],
            'north-east' => [5, 5, 'north-east'],
            'the same place' => [0, 0, 'here'],
        ];
    }

    public function testAnApiaryHasHives(): void
    {
        $this->expectException(\Exception::class);

        new Apiary('Bare Hill', 10, 20, 0);
    }
}
