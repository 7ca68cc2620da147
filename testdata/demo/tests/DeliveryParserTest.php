<?php

declare(strict_types=1);

namespace HeatherLane\Tests;

use HeatherLane\DeliveryParser;
use HeatherLane\Grade;
use HeatherLane\InvalidEntry;
use PHPUnit\Framework\Attributes\DataProvider;
use PHPUnit\Framework\TestCase;

final class DeliveryParserTest extends TestCase
{
    private DeliveryParser $parser;

    protected function setUp(): void
    {
        $this->parser = new DeliveryParser();
    }

    public function testALineBecomesADelivery(): void
    {
        [$delivery] = $this->parser->parse('2024-08-11 | marsh | 31.25 | 1.2 | 17.4');

        $this->assertSame('2024-08-11', $delivery->on->format('Y-m-d'));
        $this->assertSame('Marsh', $delivery->keeper);
        $this->assertSame(30050, $delivery->net()->inGrams());
        $this->assertSame('17.4 %', (string) $delivery->moisture);
    }

    public function testAPressedBucketIsMarkedAsSuch(): void
    {
        [$spun, $pressed] = $this->parser->parse(<<<'BOOK'
            2024-09-02 | Moor End | 12.5 | 1.2 | 21.9
            2024-09-02 | Moor End | 12.5 | 1.2 | 21.9 | pressed
            BOOK);

        $this->assertSame(Grade::Baking, $spun->grade());
        $this->assertSame(Grade::Heather, $pressed->grade());
    }

    public function testBlankLinesAndRemarksAreSkipped(): void
    {
        $deliveries = $this->parser->parse(<<<'BOOK'
            # shed opened at nine

            2024-08-11 | Marsh | 31.25 | 1.2 | 17.4   # lid cracked

            2024-08-12 | Orchard | 8 | 0.9 | 18.0
            BOOK);

        $this->assertCount(2, $deliveries);
    }

    public function testAnEmptyBookHasNoDeliveries(): void
    {
        $this->assertSame([], $this->parser->parse(''));
    }

    /** @dataProvider brokenLines */
    #[DataProvider('brokenLines')]
    public function testABrokenLineIsRefused(string $line): void
    {
        $this->expectException(InvalidEntry::class);

        $this->parser->parse($line);
    }

    public static function brokenLines(): array
    {
        return [
            'too few fields' => ['2024-08-11 | Marsh | 31.25'],
            'no such day' => ['2024-02-30 | Marsh | 31.25 | 1.2 | 17.4'],
            'day written otherwise' => ['11.8.2024 | Marsh | 31.25 | 1.2 | 17.4'],
            'no keeper' => ['2024-08-11 | | 31.25 | 1.2 | 17.4'],
            'weight in words' => ['2024-08-11 | Marsh | a lot | 1.2 | 17.4'],
            'bucket heavier than its honey' => ['2024-08-11 | Marsh | 1.2 | 3 | 17.4'],
            'moisture in words' => ['2024-08-11 | Marsh | 31.25 | 1.2 | dry'],
            'moisture off the glass' => ['2024-08-11 | Marsh | 31.25 | 1.2 | 74'],
        ];
    }

    public function testTheReasonNamesItsLine(): void
    {
        $this->expectException(InvalidEntry::class);
        $this->expectExceptionMessage('line 2: there is no day "2024-13-01"');

        $this->parser->parse("# August\n2024-13-01 | Marsh | 31.25 | 1.2 | 17.4");
    }
}
