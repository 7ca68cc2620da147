<?php

namespace Sound\Tests;

use PHPUnit\Framework\TestCase;
use Sound\Cargo;
use Sound\Deck;
use Sound\Length;

final class DeckTest extends TestCase
{
    private Deck $deck;

    protected function setUp(): void
    {
        $this->deck = new Deck(Length::metres(20.0));
    }

    public function testADeckIsEmptyAtFirst(): void
    {
        self::assertTrue($this->deck->isEmpty());
        $this->deck->take(Cargo::CAR);
        self::assertFalse($this->deck->isEmpty());
    }

    public function testKindsAreCounted(): void
    {
        foreach ([Cargo::BICYCLE, Cargo::CAR, Cargo::CAR] as $kind) {
            $this->deck->take($kind);
        }
        self::assertSame(['bicycle' => 1, 'car' => 2], array_intersect_key(['bicycle' => 1, 'car' => 2], $this->deck->byKind()));
        self::assertSame(['car', 'car'], $this->deck->longOnes(20));
        self::assertCount(3, iterator_to_array($this->deck));
    }

    public function testALorryTakesNearlyAll(): void
    {
        $this->deck->take(Cargo::LORRY);
        $this->deck->take(Cargo::CAR);
        self::assertFalse($this->deck->isEmpty());
    }

    public function testNothingElseComesAboard(): void
    {
        $this->expectException(\DomainException::class);
        Cargo::lengthOf('balloon');
    }

    public function testKindsHaveLabels(): void
    {
        self::assertSame('Car', Cargo::label('car'));
    }

    public function testLengths(): void
    {
        self::assertSame(4.5, Length::metres(4.5)->inMetres());
        self::assertTrue(Length::tenths(3)->isLongerThan(Length::tenths(2)));
        self::assertFalse(Length::tenths(1)->isLongerThan(Length::tenths(2)));
    }
}
