<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/**
 * Compares the values that expressions have with those that mutants would have there.
 *
 * The observed sources call it; see mutate.Points.Observe. What it finds out of a segment
 * it tells as numbers with how often they occurred, as of points: 4 N for a mutant N whose
 * value was another one; 4 S + 1 for a site S that was evaluated; 4 S + 2 for a site of
 * which not all is known; 4 S + 3 for one where a mutant's value ran code of the project,
 * so that nothing of the segment is what it was. At the end it tells of each site a few of
 * the values that the original had. In processes that tests start it only hands values on.
 */
final class Observer
{
    /** How often a site is looked at in one segment; what is the same until then may not be later. */
    private const MOST = 20_000;
    /** How many elements arrays are compared of. */
    private const WIDE = 256;
    /** The code of what is thrown where a value is not worked out. */
    private const REFUSED = 0x0B5E;
    /** How many different values of a site are told: one more than are shown. */
    private const VALUES = 4;
    /** How many bytes are told of a text. */
    private const TEXT = 200;
    /** Of how many sites a message tells. */
    private const SITES = 500;

    /** @var array<int, true> sites that have nothing more to tell in this segment */
    public static array $off = [];
    /** Whether mutants' values are being worked out. */
    private static bool $inside = false;
    /** Whether there was a warning meanwhile. */
    private static bool $warned = false;
    /** @var array<int, int> site => how often its evaluation has begun */
    private static array $begun = [];
    /** @var array<int, int> site => how often it was evaluated */
    private static array $ended = [];
    /** @var array<int, true> mutants whose value was another one */
    private static array $differs = [];
    /** @var array<int, true> sites where mutants' values ran code of the project */
    private static array $disturbing = [];
    /** @var array<int, true> sites of which not all is known */
    private static array $unknown = [];
    /** @var array<int, array<string, true>> site => values of the original, as literal() has them */
    private static array $values = [];
    /** @var array<int, true> mutants whose value could not be told at some time */
    private static array $refused = [];
    /** @var array<int, true> sites of which no more values are wanted */
    private static array $full = [];

    /** A site begins to be evaluated. */
    public static function site(int $site): int
    {
        self::$begun[$site] = (self::$begun[$site] ?? 0) + 1;

        return $site;
    }

    /** @param array<int, \Closure>|null $mutants number => what gives its value */
    public static function value(int $site, $value, ?array $mutants)
    {
        if (self::evaluated($site, $mutants)) {
            self::compare($site, $value, $mutants, [], false);
        }

        return $value;
    }

    public static function truth(int $site, $value, ?array $mutants)
    {
        if (self::evaluated($site, $mutants)) {
            self::compare($site, $value, $mutants, [], true);
        }

        return $value;
    }

    public static function valueOf(int $site, array $operands, \Closure $original, ?array $mutants)
    {
        $value = $original(...$operands);
        if (self::evaluated($site, $mutants)) {
            self::compare($site, $value, $mutants, $operands, false);
        }

        return $value;
    }

    public static function truthOf(int $site, array $operands, \Closure $original, ?array $mutants)
    {
        $value = $original(...$operands);
        if (self::evaluated($site, $mutants)) {
            self::compare($site, $value, $mutants, $operands, true);
        }

        return $value;
    }

    private static function evaluated(int $site, ?array $mutants): bool
    {
        $times = self::$ended[$site] = (self::$ended[$site] ?? 0) + 1;
        if ($mutants === null) {
            return false;
        }
        if ($times > self::MOST || self::$inside) {
            self::$unknown[$site] = self::$off[$site] = true;

            return false;
        }

        return true;
    }

    private static function compare(int $site, $value, array $mutants, array $operands, bool $truth): void
    {
        self::$inside = true;
        $files = MutantSwitch::$files;
        $used = $files->used;
        $files->used = []; // code of the project that runs now would not run in the original
        \set_error_handler([self::class, 'warn']);
        $same = 0;
        foreach ($mutants as $number => $make) {
            if (isset(self::$differs[$number])) {
                continue;
            }
            self::$warned = false;
            try {
                $other = $make(...$operands);
                $differs = $truth ? (bool) $other !== (bool) $value : !self::areSame($value, $other);
            } catch (\Throwable $t) {
                $differs = true;
                if ($t->getCode() === self::REFUSED) {
                    self::$refused[$number] = true;
                }
            }
            unset($other, $t);
            if ($files->used !== []) {
                $files->used = [];
                self::$disturbing[$site] = true;
            }
            if ($differs || self::$warned) {
                if (!$differs) { // whether it is the original's warning nobody knows
                    self::$refused[$number] = true;
                }
                self::$differs[$number] = true;
            } else {
                ++$same;
            }
        }
        \restore_error_handler();
        $files->used = $used;
        self::$inside = false;
        if ($same === 0) {
            self::$off[$site] = true;
        } elseif (!isset(self::$full[$site])) {
            self::keep($site, $truth ? (bool) $value : $value, $truth ? 2 : self::VALUES);
        }
    }

    /** Keeps a value that the original has, if it is a new one. */
    private static function keep(int $site, $value, int $most): void
    {
        self::$values[$site][self::literal($value)] = true;
        if (\count(self::$values[$site]) === $most) {
            self::$full[$site] = true;
        }
    }

    /** What a value is, as PHP writes it, but that of a text only the first quotation mark is there. */
    private static function literal($value): string
    {
        switch (true) {
            case $value === null:
                return 'null';
            case \is_bool($value):
                return $value ? 'true' : 'false';
            case \is_int($value):
                return (string) $value;
            case \is_float($value):
                return \var_export($value, true);
            case \is_string($value):
                return "'" . \substr($value, 0, self::TEXT);
            case \is_array($value):
                $n = \count($value);

                return $n === 0 ? '[]' : "[..{$n} element" . ($n === 1 ? ']' : 's]');
            case !\is_object($value):
                return 'resource';
        }
        $class = \get_class($value);
        if ($value instanceof \UnitEnum) {
            return "{$class}::{$value->name}";
        }

        return 'object of ' . \substr($class, 0, \strcspn($class, "\0")); // behind it is a path, in the name of a class that has none
    }

    /** @return iterable<array> messages with the values that the sites had, and the mutants whose values were not all told */
    public static function values(): iterable
    {
        if (self::$refused !== []) {
            yield ['refused', \array_keys(self::$refused)];
        }
        foreach (\array_chunk(self::$values, self::SITES, true) as $values) {
            $sites = $literals = [];
            foreach ($values as $site => $of) {
                foreach ($of as $literal => $is) {
                    $sites[] = $site;
                    $literals[] = (string) $literal;
                }
            }
            yield ['values', $sites, $literals];
        }
    }

    private static function refusal(): \Error
    {
        return new \Error('not compared', self::REFUSED);
    }

    /** Compares two values; not where PHP would look into them, perhaps without end. */
    public static function loosely($a, string $operator, $b)
    {
        if (!self::isFlat($a) && !self::isFlat($b) && !($a instanceof \DateTimeInterface && $b instanceof \DateTimeInterface)) {
            throw self::refusal();
        }
        switch ($operator) {
            case '==':
                return $a == $b;
            case '!=':
            case '<>':
                return $a != $b;
            case '<':
                return $a < $b;
            case '>':
                return $a > $b;
            case '<=':
                return $a <= $b;
            case '>=':
                return $a >= $b;
            default:
                return $a <=> $b;
        }
    }

    private static function isFlat($value): bool
    {
        if (!\is_array($value)) {
            return !\is_object($value);
        }
        foreach ($value as $element) {
            if (\is_array($element) || \is_object($element)) {
                return false;
            }
        }

        return true;
    }

    /** Hands on an array; what else has elements may do more than to give them. */
    public static function elements($array): array
    {
        if (!\is_array($array)) {
            throw self::refusal();
        }

        return $array;
    }

    /** Hands on what a declared property holds; to assign to one that is readonly, or has hooks, does more, or is an error. */
    public static function property(string $class, string $name, $value)
    {
        $property = \property_exists($class, $name) ? new \ReflectionProperty($class, $name) : null;
    if ($property === null || \method_exists($property, 'isReadOnly') && $property->isReadOnly()
            || \method_exists($property, 'hasHooks') && $property->hasHooks()) {
            throw self::refusal();
        }

        return $value;
    }

    /** Calls a function of regular expressions that leaves nothing but its error. */
    public static function search(string $function, ...$arguments)
    {
        if (\preg_last_error() !== \PREG_NO_ERROR) {
            throw self::refusal(); // the original's, which would be gone
        }
        $result = $function(...$arguments);
        self::searched();

        return $result;
    }

    /** The same for one that gives matches as well: those of the original are handed in. */
    public static function matches(string $function, string $pattern, string $subject, $matches, int ...$more)
    {
        if (\preg_last_error() !== \PREG_NO_ERROR) {
            throw self::refusal();
        }
        $result = $function($pattern, $subject, $own, ...$more);
        self::searched();
        if (!self::areSame($matches, $own)) {
            throw self::refusal();
        }

        return $result;
    }

    private static function searched(): void
    {
        if (\preg_last_error() !== \PREG_NO_ERROR) {
            \preg_match('//', '');
            throw self::refusal();
        }
    }

    /** A warning of the original's own would have been heard by the project's handler. */
    public static function warn(): bool
    {
        self::$warned = true;

        return true;
    }

    /** Whether no code could tell two values apart. */
    private static function areSame($a, $b): bool
    {
        if (\is_float($a)) {
            return \is_float($b) && ($a === $b ? $a !== 0.0 || (string) $a === (string) $b : \is_nan($a) && \is_nan($b));
        }
        if (!\is_array($a)) {
            return $a === $b;
        }
        $left = self::WIDE;

        return \is_array($b) && self::areSameArrays($a, $b, $left);
    }

    private static function areSameArrays(array $a, array $b, int &$left): bool
    {
        if (\count($a) !== \count($b) || \key($a) !== \key($b)) {
            return false;
        }
        $keys = \array_keys($b);
        $at = 0;
        foreach ($a as $key => $element) {
            if (--$left < 0 || $keys[$at++] !== $key) {
                return false;
            }
            $other = $b[$key];
            $reference = \ReflectionReference::fromArrayElement($a, $key);
            if ($reference !== null || \ReflectionReference::fromArrayElement($b, $key) !== null) {
                return false;
            }
            if (\is_array($element) ? !\is_array($other) || !self::areSameArrays($element, $other, $left) : !self::areSame($element, $other)) {
                return false;
            }
        }
        try { // the key that an element without one would get
            $a[] = $b[] = 0;
        } catch (\Error $e) {
            return false;
        }

        return \array_key_last($a) === \array_key_last($b);
    }

    /** @return array<int, int> what was found out since the last call */
    public static function take(): array
    {
        $told = [];
        foreach (self::$begun as $site => $times) {
            $told[4 * $site + 1] = $times;
            if ($times !== (self::$ended[$site] ?? 0)) {
                self::$unknown[$site] = true;
            }
        }
        foreach (self::$ended as $site => $times) {
            if (!isset(self::$begun[$site])) {
                self::$unknown[$site] = true;
            }
        }
        foreach (self::$differs as $number => $is) {
            $told[4 * $number] = 1;
        }
        foreach (self::$unknown as $site => $is) {
            $told[4 * $site + 2] = 1;
        }
        foreach (self::$disturbing as $site => $is) {
            $told[4 * $site + 3] = 1;
        }
        self::$off = self::$begun = self::$ended = self::$differs = self::$unknown = self::$disturbing = [];

        return $told;
    }
}
