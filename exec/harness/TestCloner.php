<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

use PHPUnit\Framework\TestCase;

/**
 * TestCloner tests with the objects that they hold before they are run, so that they
 * can be run again as if they had just been made.
 */
final class TestCloner
{
    public const PLAIN = 0; // nothing that can change
    public const DEEP = 1;  // objects that can be copied
    public const NONE = 2;  // something that cannot

    /** Classes of PHP's own whose objects are copied whole by "clone"; others may hold on to what they have. */
    private const CLONED = [\stdClass::class, \ArrayObject::class, \ArrayIterator::class, \DateTime::class, \SimpleXMLElement::class];

    /** Of how many values and objects a test may consist at most. */
    private const MOST = 2000;

    private static int $left = 0;
    /** @var array<int, \WeakReference> object id => an object that several tests get in their data: what one does to it the others see */
    private static array $shared = [];
    /** @var array<int, array<int, true>> test => ids of these that it gets */
    private static array $sharing = [];
    /** @var array<int, string> object id => the class of the first test that gets it */
    private static array $owners = [];
    /** @var array<string, list<string>|false> file => its lines */
    private static array $texts = [];
    /** @var array<string, list<\ReflectionProperty>|null> class => its properties, or null where objects of it cannot be copied */
    private static array $classes = [];

    /**
     * The tests of which copies can be run, each with its kind: PLAIN or DEEP.
     *
     * @param array<int, TestCase> $cases
     * @param callable(TestCase): array $dataOf
     * @return array<int, int> number => kind
     */
    public static function kinds(array $cases, callable $dataOf): array
    {
        $own = [];
        for ($class = new \ReflectionClass(TestCase::class); $class !== false; $class = $class->getParentClass()) {
            foreach ($class->getProperties() as $property) {
                $own[($property->isPrivate() ? "\0{$class->name}\0" : ($property->isProtected() ? "\0*\0" : '')) . $property->getName()] = true;
            }
        }
        self::findShared($cases, $dataOf);
        $kinds = [];
        foreach ($cases as $i => $case) {
            $data = self::kindOf($dataOf($case));
            $kind = \max($data, self::kindOf([\array_diff_key((array) $case, $own)]));
            if ($kind !== self::NONE && !\method_exists($case, '__clone') && !\method_exists($case, '__destruct')
                && ($data === self::PLAIN || \property_exists(TestCase::class, 'data'))) {
                $kinds[$i] = $kind;
            }
        }

        return $kinds;
    }

    /** A copy of a test that has not been run. */
    public static function copy(object $test, int $kind): object
    {
        return $kind === self::DEEP ? self::of($test) : self::plain($test);
    }

    /**
     * Objects that several tests get in their data, by the names of the roots of the state
     * that they are.
     *
     * @param array<int, TestCase> $cases
     * @param callable(TestCase): array $dataOf
     * @return array<string, list<\WeakReference>>
     */
    public static function sharedObjects(array $cases, callable $dataOf): array
    {
        self::findShared($cases, $dataOf);
        $roots = [];
        foreach (self::$shared as $id => $object) {
            $roots[self::rootOf($id)][] = $object;
        }

        return $roots;
    }

    /**
     * The roots of objects that a test shares with others, and that its copies share as well.
     *
     * @return list<string>
     */
    public static function rootsOf(int $number): array
    {
        return \array_values(\array_unique(\array_map([self::class, 'rootOf'], \array_keys(self::$sharing[$number] ?? []))));
    }

    private static function rootOf(int $id): string
    {
        return 'objects in the data of several tests of ' . Channel::text(self::$owners[$id]);
    }

    /**
     * @param array<int, TestCase> $cases
     * @param callable(TestCase): array $dataOf
     */
    private static function findShared(array $cases, callable $dataOf): void
    {
        $first = [];
        self::$shared = self::$sharing = self::$owners = [];
        foreach ($cases as $i => $case) {
            $seen = [];
            self::objectsIn($dataOf($case), 5, $seen);
            foreach ($seen as $id => $object) {
                if (!isset($first[$id])) {
                    $first[$id] = $i;
                } else {
                    self::$shared[$id] = \WeakReference::create($object);
                    self::$sharing[$first[$id]][$id] = self::$sharing[$i][$id] = true;
                    self::$owners[$id] = \get_class($cases[$first[$id]]);
                }
            }
        }
    }

    private static function isShared(object $value): bool
    {
        $id = \spl_object_id($value);

        return isset(self::$shared[$id]) && self::$shared[$id]->get() === $value;
    }

    /**
     * @param mixed $value
     * @param array<int, object> $seen
     */
    private static function objectsIn($value, int $depth, array &$seen): void
    {
        if (\is_object($value)) {
            if (isset($seen[\spl_object_id($value)]) || $value instanceof \UnitEnum || $value instanceof \DateTimeImmutable
                || $value instanceof \DateTimeZone || $value instanceof \Reflector || $value instanceof \Closure && self::isPlain($value)) {
                return;
            }
            $seen[\spl_object_id($value)] = $value;
            $value = $value instanceof \Closure ? [] : (array) $value;
        }
        if (\is_array($value) && $depth > 0 && \count($seen) < 200) {
            foreach ($value as $inner) {
                if (\is_object($inner) || \is_array($inner)) {
                    self::objectsIn($inner, $depth - 1, $seen);
                }
            }
        }
    }

    /**
     * What stands in the data of a test, as far as it is text or a number: the
     * beginning of each, and of all together.
     */
    public static function textOf(array $data): string
    {
        $text = '';
        \array_walk_recursive($data, static function ($value) use (&$text): void {
            if ((\is_string($value) || \is_int($value) || \is_float($value)) && \strlen($text) < 300) {
                $text .= \substr((string) $value, 0, 100) . "\n";
            }
        });

        return Channel::text($text);
    }

    /** @param array<mixed> $values what a test holds */
    private static function kindOf(array $values): int
    {
        self::$left = self::MOST;
        $seen = [];

        return self::look($values, $seen);
    }

    /**
     * @param mixed $value
     * @param array<int, true> $seen
     */
    private static function look($value, array &$seen): int
    {
        if (\is_scalar($value) || $value === null) {
            return self::PLAIN;
        }
        if (--self::$left < 0) {
            return self::NONE;
        }
        $kind = self::PLAIN;
        if (\is_object($value)) {
            if (self::isShared($value)) {
                return self::PLAIN; // copies of the test share it, and that it is left as it is is looked at
            }
            if ($value instanceof \Throwable) {
                return self::NONE; // PHP links an exception to another that is on its way when it is thrown
            }
            if (!$value instanceof \Closure && self::isConstant($value) || isset($seen[\spl_object_id($value)])) {
                return self::PLAIN;
            }
            if ($value instanceof \Closure) {
                return self::isPlain($value) ? self::PLAIN : self::NONE;
            }
            $seen[\spl_object_id($value)] = true;
            if ($value instanceof \ArrayObject || $value instanceof \ArrayIterator) {
                return self::hasOnlyScalars($value) ? self::DEEP : self::NONE;
            }
            if ($value instanceof \SimpleXMLElement && $value->xpath('parent::*') !== []) {
                return self::NONE; // a clone has no parent
            }
            if (self::propertiesOf(\get_class($value)) === null) {
                return self::NONE;
            }
            $kind = self::DEEP;
            $value = $value instanceof \SimpleXMLElement ? [] : (array) $value;
        } elseif (!\is_array($value)) {
            return self::NONE; // a resource
        }
        foreach ($value as $inner) {
            if (!\is_scalar($inner) && $inner !== null) {
                $kind = \max($kind, self::look($inner, $seen));
            }
        }

        return $kind;
    }

    /** @param \ArrayObject|\ArrayIterator $list */
    private static function hasOnlyScalars($list): bool
    {
        return \in_array(\get_class($list), self::CLONED, true) && (array) \get_mangled_object_vars($list) === []
            && \array_filter($list->getArrayCopy(), static fn ($value): bool => !\is_scalar($value) && $value !== null) === [];
    }

    /** Whether a closure has nothing in it that could change: no variables, and no use of an object that it is bound to. */
    private static function isPlain(\Closure $closure): bool
    {
        $function = new \ReflectionFunction($closure);
        if ($function->getStaticVariables() !== [] || !$function->isUserDefined() || $function->getFileName() === false) {
            return false;
        }
        $text = self::$texts[$function->getFileName()] ??= StateInitials::textOf($function->getFileName());
        if ($text === false || $function->getStartLine() === false) {
            return false;
        }
        $text = \implode("\n", \array_slice(\explode("\n", $text), $function->getStartLine() - 1, $function->getEndLine() - $function->getStartLine() + 1));

        return \strpos($text, '$this') === false && \strpos($text, 'eval') === false;
    }

    private static function isConstant(object $value): bool
    {
        return $value instanceof \UnitEnum || $value instanceof \Closure || \in_array(\get_class($value), [\DateTimeImmutable::class, \DateTimeZone::class], true)
            || $value instanceof \Throwable && !(new \ReflectionClass($value))->isUserDefined() || self::isFrozen($value);
    }

    /** Whether an object can never change: all that it has is readonly, is there, and is a scalar. */
    private static function isFrozen(object $value): bool
    {
        $count = 0;
        for ($class = new \ReflectionClass($value); $class !== false; $class = $class->getParentClass()) {
            if (!$class->isUserDefined() || $class->hasMethod('__destruct')) {
                return false;
            }
            foreach ($class->getProperties() as $property) {
                if ($property->isStatic() || $property->class !== $class->name) {
                    continue;
                }
                if (!\method_exists($property, 'isReadOnly') || !$property->isReadOnly() || !$property->isInitialized($value)) {
                    return false;
                }
                if (!\is_scalar($property->getValue($value)) && $property->getValue($value) !== null) {
                    return false;
                }
                ++$count;
            }
        }

        return $count > 0 && \count((array) $value) === $count;
    }

    /** @return list<\ReflectionProperty>|null */
    private static function propertiesOf(string $name): ?array
    {
        if (!\array_key_exists($name, self::$classes)) {
            $properties = [];
            for ($class = new \ReflectionClass($name); $class !== false && $properties !== null; $class = $class->getParentClass()) {
                if ($class->hasMethod('__clone') || $class->hasMethod('__destruct') || !$class->isUserDefined() && !\in_array($name, self::CLONED, true)) {
                    $properties = null;
                    break;
                }
                foreach ($class->getProperties() as $property) {
                    if (\method_exists($property, 'isReadOnly') && $property->isReadOnly()) {
                        $properties = null;
                        break;
                    }
                    if (!$property->isStatic() && $property->class === $class->name) {
                        $property->setAccessible(true);
                        $properties[] = $property;
                    }
                }
            }
            self::$classes[$name] = $properties;
        }

        return self::$classes[$name];
    }

    /** @var array<string, list<\ReflectionProperty>> test class => what is opened of its tests */
    private static array $tests = [];
    /** @var array<int, array{object, list<string>, list<\ReflectionProperty>}> ID of an original => itself, and what of it holds objects */
    private static array $holders = [];

    /** @var list<\ReflectionProperty>|null of PHPUnit's TestCase: what does some of its work, and must be each copy's own */
    private static ?array $helpers = null;

    /** A copy of a test whose kind is PLAIN. */
    private static function plain(object $test): object
    {
        if (self::$helpers === null) {
            self::$helpers = [];
            foreach ((new \ReflectionClass(TestCase::class))->getProperties() as $property) {
                $type = $property->getType();
                if (!$property->isStatic() && $type instanceof \ReflectionNamedType && \strncmp($type->getName(), 'PHPUnit\\Framework\\TestCase\\', 27) === 0) {
                    $property->setAccessible(true);
                    self::$helpers[] = $property;
                }
            }
        }
        $copy = clone $test;
        foreach (self::$helpers as $property) {
            if ($property->isInitialized($copy) && \is_object($property->getValue($copy))) {
                $property->setValue($copy, clone $property->getValue($copy));
            }
        }

        return $copy;
    }

    /**
     * A copy of a test whose kind is DEEP. Of what PHPUnit itself keeps in it only
     * the data is opened.
     */
    private static function of(object $test): object
    {
        $map = [];
        $copy = self::plain($test);
        self::renew($test, $copy, self::ofTest($test), $map);

        return $copy;
    }

    /** @return list<\ReflectionProperty> */
    private static function ofTest(object $test): array
    {
        $name = \get_class($test);
        if (!isset(self::$tests[$name])) {
            self::$tests[$name] = [];
            for ($class = new \ReflectionClass($test); $class !== false; $class = $class->getParentClass()) {
                $own = \strncmp($class->getName(), 'PHPUnit\\', 8) !== 0;
                foreach ($class->getProperties() as $property) {
                    if ($property->class === $class->name && !$property->isStatic() && ($own || $property->getName() === 'data')) {
                        $property->setAccessible(true);
                        self::$tests[$name][] = $property;
                    }
                }
            }
        }

        return self::$tests[$name];
    }

    /**
     * Has a clone hold copies of the objects that the original holds. An original is
     * never run: which of its properties hold objects is found out once.
     *
     * @param list<\ReflectionProperty> $properties
     * @param array<int, object> $map
     */
    private static function renew(object $original, object $copy, array $properties, array &$map): void
    {
        $id = \spl_object_id($original);
        if (!isset(self::$holders[$id])) {
            $names = [];
            foreach (\get_object_vars($original) as $name => $value) {
                if (!\property_exists($original, (string) $name) && self::holdsObjects($value)) {
                    $names[] = $name;
                }
            }
            self::$holders[$id] = [$original, $names, \array_filter($properties,
                static fn (\ReflectionProperty $p): bool => $p->isInitialized($original) && self::holdsObjects($p->getValue($original)))];
        }
        [, $names, $properties] = self::$holders[$id];
        foreach ($properties as $property) {
            $property->setValue($copy, self::copied($property->getValue($original), $map));
        }
        foreach ($names as $name) {
            $copy->{$name} = self::copied($original->{$name}, $map);
        }
    }

    /** @param mixed $value */
    private static function holdsObjects($value): bool
    {
        if (!\is_array($value)) {
            return \is_object($value) && !self::isConstant($value);
        }
        foreach ($value as $inner) {
            if ((\is_array($inner) || \is_object($inner)) && self::holdsObjects($inner)) {
                return true;
            }
        }

        return false;
    }

    /**
     * @param mixed $value
     * @param array<int, object> $map
     * @return mixed
     */
    private static function copied($value, array &$map)
    {
        if (\is_array($value)) {
            foreach ($value as $key => $inner) {
                if (\is_array($inner) || \is_object($inner)) {
                    $value[$key] = self::copied($inner, $map);
                }
            }

            return $value;
        }
        if (!\is_object($value) || self::isConstant($value) || self::isShared($value)) {
            return $value;
        }
        $id = \spl_object_id($value);
        if (!isset($map[$id])) {
            $map[$id] = clone $value;
            self::renew($value, $map[$id], self::propertiesOf(\get_class($value)), $map);
        }

        return $map[$id];
    }
}
