<?php

declare(strict_types=1);

namespace Myers\Tests;

use Myers\Triangle;
use PHPUnit\Framework\Attributes\DataProvider;
use PHPUnit\Framework\TestCase;

final class TriangleTest extends TestCase
{
    /**
     * @dataProvider lines
     *
     * @param list<string> $words
     */
    #[DataProvider('lines')]
    public function testItSaysWhatTriangleItIs(array $words, string $kind): void
    {
        self::assertSame($kind, Triangle::kind($words));
    }

    /** @return iterable<string, array{list<string>, string}> */
    public static function lines(): iterable
    {
        // Question of the list => rows; the last question, whether each case
        // has an expected output, is answered by the second column.
        $questions = [
            1 => ['3 4 5 scalene'],
            2 => ['4 4 4 equilateral'],
            3 => ['3 3 4 isosceles'],
            4 => ['3 4 3 isosceles', '4 3 3 isosceles'],
            5 => ['0 4 5 not a length'],
            6 => ['-3 4 5 not a length'],
            7 => ['1 2 3 not a triangle'],
            8 => ['1 3 2 not a triangle', '3 1 2 not a triangle'],
            9 => ['1 2 4 not a triangle'],
            10 => ['1 4 2 not a triangle', '4 1 2 not a triangle'],
            11 => ['0 0 0 not a length'],
            12 => ['2.5 3.5 5.5 not an integer'],
            13 => ['3 4 not three sides', '3 4 5 6 not three sides'],
        ];
        foreach ($questions as $number => $rows) {
            if ((string) $number === getenv('TRIANGLE_WITHOUT')) {
                continue;
            }
            foreach ($rows as $row) {
                preg_match('/^((?:-?[\d.]+ )+)(.*)$/', $row, $parts);
                yield "question $number: $row" => [explode(' ', trim($parts[1])), $parts[2]];
            }
        }
    }
}
