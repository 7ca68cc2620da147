<?php

declare(strict_types=1);

namespace Myers;

final class Triangle
{
    /**
     * Says what triangle three sides make, given as the words of one line.
     *
     * @param list<string> $words
     */
    public static function kind(array $words): string
    {
        if (count($words) !== 3) {
            return 'not three sides';
        }
        foreach ($words as $word) {
            if (!preg_match('/^-?\d+$/', $word)) {
                return 'not an integer';
            }
        }
        [$a, $b, $c] = array_map('intval', $words);
        if ($a <= 0 || $b <= 0 || $c <= 0) {
            return 'not a length';
        }
        if ($a + $b <= $c || $b + $c <= $a || $a + $c <= $b) {
            return 'not a triangle';
        }
        if ($a === $b && $b === $c) {
            return 'equilateral';
        }

        return $a === $b || $b === $c || $a === $c ? 'isosceles' : 'scalene';
    }
}
