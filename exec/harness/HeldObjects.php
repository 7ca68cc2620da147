<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

use PHPUnit\Framework\TestCase;

/**
 * What tests still hold when they have been run. PHPUnit 9 keeps them until the process
 * ends, and objects with a destructor do something then, and not before.
 */
final class HeldObjects
{
    private const MOST = 2000;
    /** How many classes have been looked at, and whether one has a destructor of the user's. */
    private static int $classes = 0;
    private static bool $destructs = false;
    private static int $left = 0;
    /** @var array<string, true>|null properties that are PHPUnit's, but for the test's data */
    private static ?array $own = null;

    /** Whether some class has a destructor that is not PHPUnit's. */
    public static function canBe(): bool
    {
        $classes = \get_declared_classes();
        for ($n = \count($classes); !self::$destructs && self::$classes < $n; ++self::$classes) {
            self::$destructs = \method_exists($classes[self::$classes], '__destruct')
                && (new \ReflectionMethod($classes[self::$classes], '__destruct'))->isUserDefined()
                && \preg_match('~^(PHPUnit(PHAR)?\\\\)?SebastianBergmann\\\\~', $classes[self::$classes]) === 0;
        }

        return self::$destructs;
    }

    /** The digest of what a test that has been run still holds; "" where nothing of it has a destructor. */
    public static function digestOf(TestCase $test): string
    {
        if (!self::canBe()) {
            return '';
        }
        self::$left = self::MOST;
        $seen = [];
        $own = self::ofTest($test);

        return self::hasDestructor($own, $seen) ? StateSnapshot::digestOf($own) : '';
    }

    private static function ofTest(TestCase $test): array
    {
        if (self::$own === null) {
            self::$own = [];
            for ($class = new \ReflectionClass(TestCase::class); $class !== false; $class = $class->getParentClass()) {
                foreach ($class->getProperties() as $property) {
                    if ($property->getName() !== 'data') {
                        self::$own[($property->isPrivate() ? "\0{$class->name}\0" : ($property->isProtected() ? "\0*\0" : '')) . $property->getName()] = true;
                    }
                }
            }
        }

        return \array_diff_key((array) $test, self::$own);
    }

    /**
     * @param mixed $value
     * @param array<int, true> $seen
     */
    private static function hasDestructor($value, array &$seen): bool
    {
        if (\is_object($value)) {
            if (isset($seen[\spl_object_id($value)]) || $value instanceof \UnitEnum || --self::$left < 0) {
                return self::$left < 0;
            }
            $seen[\spl_object_id($value)] = true;
            if (\method_exists($value, '__destruct') && (new \ReflectionMethod($value, '__destruct'))->isUserDefined()) {
                return true;
            }
            $value = $value instanceof \Closure ? [] : (array) $value;
        }
        foreach (\is_array($value) ? $value : [] as $inner) {
            if ((\is_object($inner) || \is_array($inner)) && self::hasDestructor($inner, $seen)) {
                return true;
            }
        }

        return false;
    }
}
