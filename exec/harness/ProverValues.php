<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/**
 * Values as messages have them, and back.
 *
 * null, booleans, integers and texts in UTF-8 stand for themselves; what else there is, is an
 * object of one member: "b" a text in base64, "f" a float as PHP writes it, "a" an array as
 * pairs of key and value, "v" the name of a variable, "o" the number of an object that a
 * recording knows, "c" class and name of an enum's case, "n" class and arguments of an object
 * of PHP's own, "y" the class of an object that nobody saw being made, "x" why there is no value.
 */
final class ProverValues
{
    /** How many bytes a text may have. */
    private const LONG = 4096;
    /** How many elements an array may have, with those of its arrays. */
    private const WIDE = 400;
    private const DEEP = 12;

    /** @param callable(object): array|null $object what stands for an object that is none of PHP's own; null: it has no value */
    public static function encoded($value, ?callable $object = null)
    {
        $left = self::WIDE;

        return self::any($value, $object, self::DEEP, $left);
    }

    /** What stands for a text. */
    public static function text(string $text)
    {
        if (\strlen($text) > self::LONG) {
            return ['x' => 'a long text'];
        }

        return self::isUTF8($text) && ($text === '' || $text[0] !== "\0") ? $text : ['b' => \base64_encode($text)];
    }

    private static function isUTF8(string $text): bool
    {
        try {
            \json_encode($text, \JSON_THROW_ON_ERROR);

            return true;
        } catch (\JsonException $e) {
            return false;
        }
    }

    public static function float(float $value): array
    {
        return ['f' => \is_nan($value) ? 'NAN' : (\is_infinite($value) ? ($value > 0 ? 'INF' : '-INF') : \var_export($value, true))];
    }

    private static function any($value, ?callable $object, int $depth, int &$left)
    {
        switch (true) {
            case $value === null || \is_bool($value) || \is_int($value):
                return $value;
            case \is_float($value):
                return self::float($value);
            case \is_string($value):
                return self::text($value);
            case \is_array($value):
                if ($depth === 0 || ($left -= \count($value)) < 0) {
                    return ['x' => 'a large array'];
                }
                $pairs = [];
                foreach ($value as $key => $element) {
                    $pairs[] = [\is_int($key) ? $key : self::text($key), self::any($element, $object, $depth - 1, $left)];
                }

                return ['a' => $pairs];
            case \is_object($value):
                return self::own($value) ?? ($object === null ? ['x' => self::nameOf($value)] : $object($value));
        }

        return ['x' => 'a resource'];
    }

    public static function nameOf(object $object): string
    {
        $class = \get_class($object);

        return \substr($class, 0, \strcspn($class, "\0"));
    }

    /** What stands for a case of an enum, or an object that PHP code makes of plain values; null for others. */
    public static function own(object $value): ?array
    {
        if ($value instanceof \UnitEnum) {
            return ['c' => [\get_class($value), $value->name]];
        }
        switch (\get_class($value)) {
            case \DateTimeImmutable::class:
            case \DateTime::class:
                $format = $value->format('u') === '000000' ? 'Y-m-d H:i:s' : 'Y-m-d H:i:s.u';

                return ['n' => [\get_class($value), [$value->format($format), ['n' => [\DateTimeZone::class, [$value->getTimezone()->getName()]]]]]];
            case \DateTimeZone::class:
                return ['n' => [\DateTimeZone::class, [$value->getName()]]];
            case \DateInterval::class:
                return self::interval($value);
            case \ArrayObject::class:
            case \ArrayIterator::class:
                $elements = self::encoded($value->getArrayCopy());

                return \strpos((string) \json_encode($elements), '{"x":') === false ? ['n' => [\get_class($value), [$elements]]] : null;
        }

        return null;
    }

    private static function interval(\DateInterval $i): ?array
    {
        if ($i->invert === 1 || $i->f != 0 || ($i->days !== false && $i->y + $i->m > 0)) {
            return null;
        }
        foreach (['y', 'm', 'd', 'h', 'i', 's'] as $part) {
            if ($i->{$part} < 0) {
                return null;
            }
        }

        return ['n' => [\DateInterval::class, ["P{$i->y}Y{$i->m}M{$i->d}DT{$i->h}H{$i->i}M{$i->s}S"]]];
    }

    /** @param array<string, mixed> $variables */
    public static function decoded($value, array $variables)
    {
        if (!\is_array($value)) {
            return $value;
        }
        foreach ($value as $kind => $of) {
            switch ($kind) {
                case 'b':
                    return (string) \base64_decode($of, true);
                case 'f':
                    return ['NAN' => \NAN, 'INF' => \INF, '-INF' => -\INF][$of] ?? (float) $of;
                case 'a':
                    $array = [];
                    foreach ($of as [$key, $element]) {
                        $array[self::decoded($key, [])] = self::decoded($element, $variables);
                    }

                    return $array;
                case 'v':
                    return $variables[$of];
                case 'c':
                    return \constant("{$of[0]}::{$of[1]}");
                case 'n':
                    $class = $of[0];

                    return new $class(...\array_map(static function ($argument) use ($variables) {
                        return self::decoded($argument, $variables);
                    }, $of[1]));
            }
        }
        throw new \LogicException('a value that is none');
    }
}
