<?php

declare(strict_types=1);

namespace HeatherLane\Tests;

use HeatherLane\InvalidEntry;
use HeatherLane\Weight;
use PHPUnit\Framework\Attributes\DataProvider;
use PHPUnit\Framework\TestCase;

final class WeightTest extends TestCase
{
    /** @dataProvider kilogramsFromTheScale */
    #[DataProvider('kilogramsFromTheScale')]
    public function testKilogramsAreReadToTheGram(string $text, int $grams): void
    {
        $this->assertSame($grams, Weight::kilograms($text)->inGrams());
    }

    public static function kilogramsFromTheScale(): array
    {
        return [
            'whole' => ['31', 31000],
            'one decimal' => ['31.2', 31200],
            'two decimals' => ['31.25', 31250],
            'three decimals' => ['31.257', 31257],
            'less than a kilogram' => ['0.4', 400],
            'nothing' => ['0', 0],
            'padded by hand' => [' 7.5 ', 7500],
        ];
    }

    /** @dataProvider scribbles */
    #[DataProvider('scribbles')]
    public function testScribblesAreNotAWeight(string $text): void
    {
        $this->expectException(InvalidEntry::class);

        Weight::kilograms($text);
    }

    public static function scribbles(): array
    {
        return [
            'empty' => [''],
            'a word' => ['plenty'],
            'comma' => ['31,2'],
            'unit' => ['31 kg'],
            'negative' => ['-3'],
            'four decimals' => ['1.2345'],
            'no digits after the point' => ['12.'],
        ];
    }

    /** @dataProvider notWholeGrams */
    #[DataProvider('notWholeGrams')]
    public function testOnlyWholeGramsAreTaken(mixed $amount): void
    {
        $this->expectException(InvalidEntry::class);

        Weight::grams($amount);
    }

    public static function notWholeGrams(): array
    {
        return [
            'nothing' => [null],
            'a word' => ['heavy'],
            'yes' => [true],
            'a list' => [[1, 2]],
        ];
    }

    public function testTheScaleHasAnEndStop(): void
    {
        $this->expectException(InvalidEntry::class);
        $this->expectExceptionMessage('The scale cannot show 450000 g.');

        Weight::grams(450_000);
    }

    public function testWeightsAddUp(): void
    {
        $sum = Weight::grams(1200)->plus(Weight::grams(350));

        $this->assertSame(1550, $sum->inGrams());
    }

    public function testTheTareComesOff(): void
    {
        $this->assertSame(29800, Weight::kilograms('31')->less(Weight::kilograms('1.2'))->inGrams());
    }

    public function testABucketCannotWeighMoreThanItselfFilled(): void
    {
        $this->expectException(InvalidEntry::class);

        Weight::grams(900)->less(Weight::grams(1200));
    }

    public function testNothingIsNothing(): void
    {
        $this->assertTrue(Weight::grams(0)->isNothing());
        $this->assertFalse(Weight::grams(250)->isNothing());
    }

    public function testAWeightIsPrintedInKilogramsWithoutTrailingZeros(): void
    {
        $this->assertSame('12.4 kg', (string) Weight::grams(12400));
        $this->assertSame('0.305 kg', (string) Weight::grams(305));
    }
}
