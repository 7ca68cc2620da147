<?php

declare(strict_types=1);

namespace AssayHarness;

use Composer\Autoload\ClassLoader;
use PHPUnit\Framework\MockObject\Stub;

/**
 * What code can leave behind in a process for the code that runs next: values of
 * static properties, static variables and globals, handlers, and what PHP is set
 * to. Two pictures of it that are the same mean that nothing was left.
 *
 * PHPUnit's own classes and Composer's keep what they like.
 */
final class Traces
{
    private const OWN = ['PHPUnit\\', 'SebastianBergmann\\', 'DeepCopy\\', 'Doctrine\\Instantiator\\', 'TheSeer\\', 'PharIo\\',
        'PhpParser\\', 'Prophecy\\', 'Composer\\', 'AssayHarness\\'];
    /** PHP's own classes whose objects show what they hold. */
    private const OPEN = [\stdClass::class, \Closure::class, \ArrayObject::class, \ArrayIterator::class, \DateTime::class,
        \DateTimeImmutable::class, \DateTimeZone::class, \DateInterval::class];
    private const MOST = 5000;
    private const MOST_STATES = 32;

    /** @var list<\ReflectionClass> classes with static properties of their own */
    private static array $properties = [];
    /** @var list<\ReflectionFunctionAbstract> functions with static variables */
    private static array $variables = [];
    private static int $classes = 0;
    private static int $functions = 0;
    private static int $left = 0;
    private static ?array $before = null;
    private static int $files = 0;
    /** @var array<int|string, mixed> resources and exceptions in the data of tests */
    private static array $watched = [];
    /** @var array<string, mixed> the program's own */
    private static array $constants = [];
    /** Whether all that tests could share is looked at, or what tests may leave that share nothing. */
    private static bool $strict = false;
    /** @var array<string, array<string, array>> arrays of scalars and arrays, of whom => name => as they were last; see each() */
    private static array $tables = [];
    /** @var array<class-string, bool> whether all that an object of it holds can be seen */
    private static array $open = [];

    /** Looks at what was declared since the last call. */
    public static function lookForState(): void
    {
        $classes = \get_declared_classes();
        for ($n = \count($classes); self::$classes < $n; ++self::$classes) {
            $class = new \ReflectionClass($classes[self::$classes]);
            if (!$class->isUserDefined() || self::isOwn($class->getName())) {
                continue;
            }
            if ($class->getProperties(\ReflectionProperty::IS_STATIC) !== [] && !$class->implementsInterface(Stub::class)) {
                self::$properties[] = $class;
            }
            foreach ($class->getMethods() as $method) {
                if ($method->class === $class->name && $method->isUserDefined() && $method->getStaticVariables() !== []) {
                    self::$variables[] = $method;
                }
            }
        }
        $functions = \get_defined_functions()['user'];
        for ($n = \count($functions); self::$functions < $n; ++self::$functions) {
            $function = new \ReflectionFunction($functions[self::$functions]);
            if (!self::isOwn($function->getName(), (string) $function->getFileName()) && $function->getStaticVariables() !== []) {
                self::$variables[] = $function;
            }
        }
    }

    /** Whether something is PHPUnit's or Composer's: by its name, and not the project's own work on them. */
    private static function isOwn(string $name, ?string $file = null): bool
    {
        foreach (self::OWN as $prefix) {
            if (\strncasecmp($name, $prefix, \strlen($prefix)) === 0) {
                return !self::isProjects($file ?? ((new \ReflectionClass($name))->getFileName() ?: ''));
            }
        }

        return false;
    }

    /** Whether a file is the project's, or code that such a file has made. */
    public static function isProjects(string $file): bool
    {
        return \strncmp($file, Stage::$root . '/', \strlen(Stage::$root) + 1) === 0
            && \strpos($file, '/vendor/', \strlen(Stage::$root)) === false;
    }

    /**
     * Has a resource, or an exception of PHP's own, looked at as well, if that can
     * be done.
     *
     * @param mixed $value
     */
    public static function watch($value): bool
    {
        if (self::stateOf($value) === null) {
            return false;
        }
        self::$watched[\is_object($value) ? 'object ' . \spl_object_id($value) : (int) $value] = $value;

        return true;
    }

    /**
     * What there is to see of what watch() was given; null where that is not all
     * there is. PHP links an exception to another that is on its way when it is thrown.
     *
     * @param mixed $resource
     */
    private static function stateOf($resource): ?array
    {
        if ($resource instanceof \Throwable) {
            return [$resource->getPrevious(), \count((array) $resource)];
        }
        if (!\is_resource($resource)) {
            return [\gettype($resource)]; // closed
        }
        $meta = \get_resource_type($resource) === 'stream' ? \stream_get_meta_data($resource) : [];
        if (($meta['mode'] ?? '') !== 'r' && ($meta['mode'] ?? '') !== 'rb' || ($meta['wrapper_type'] ?? '') !== 'plainfile' || !$meta['seekable']) {
            return null;
        }
        $stat = \fstat($resource);

        return [(int) $resource, \ftell($resource), \feof($resource), $meta['blocked'], $stat['size'] ?? null, $stat['mtime'] ?? null];
    }

    /**
     * Looks at everything as it is now; see remained().
     *
     * @param bool $strict constants are looked at as well, and what closures have got
     *                     hold of; and where an object keeps what cannot be seen, nothing remains
     */
    public static function begin(bool $strict = false): void
    {
        self::$strict = $strict;
        self::lookForState();
        self::$before = self::picture();
        self::$files = \count(\get_included_files());
        self::$constants = \get_defined_constants(true)['user'] ?? [];
    }

    /**
     * What may have changed since begin(true), where nothing else has: the static
     * variables of functions that came since then, which PHP does not tell from what
     * they were. Their files, below the root.
     *
     * @return list<string>|null null where something has changed, or cannot be seen
     */
    public static function unsureSince(): ?array
    {
        $known = \count(self::$properties);
        $functions = \count(self::$variables);
        self::lookForState();
        $came = \array_splice(self::$variables, $functions);
        foreach (\array_slice(self::$properties, $known) as $class) {
            $seen = [];
            self::$before['class ' . $class->name] = self::flat(self::defaults($class), $seen);
        }
        $now = self::picture();
        \array_push(self::$variables, ...$came);
        if ($now === null || self::$before === null) {
            return null;
        }
        foreach (['__PHPUNIT_CONFIGURATION_FILE', '__PHPUNIT_BOOTSTRAP'] as $own) { // PHPUnit 9's
            unset($now['globals'][$own], self::$before['globals'][$own]);
        }
        $files = [];
        foreach ($came as $function) {
            $files[] = (string) $function->getFileName();
        }
        foreach ($files as $file) {
            if (!self::isProjects($file)) {
                return null;
            }
        }

        return $now === self::$before ? \array_values(\array_unique(\array_map(static fn (string $f): string => \substr($f, \strlen(Stage::$root) + 1), $files))) : null;
    }

    /** Whether everything is as it was; classes that came since then may have come. */
    public static function remained(): bool
    {
        $known = \count(self::$properties);
        $functions = \count(self::$variables);
        self::lookForState();
        if (self::$before === null || \count(self::$variables) > $functions) {
            return false;
        }
        $files = \count(\get_included_files());
        if ($files !== self::$files && (\get_defined_constants(true)['user'] ?? []) !== self::$constants) {
            return false; // a file that came has made some, of what the mutant gave it perhaps
        }
        self::$files = $files;
        for ($n = \count(self::$properties); $known < $n; ++$known) {
            $defaults = self::defaults(self::$properties[$known]);
            foreach (self::$properties[$known]->getStaticProperties() as $name => $value) {
                if ($value !== $defaults[$name]) {
                    return false;
                }
            }
            $seen = [];
            self::$before['class ' . self::$properties[$known]->name] = self::flat($defaults, $seen);
        }

        return self::picture() === self::$before;
    }

    /**
     * Which of some states this is, strictly looked at; a new one is added to them.
     *
     * @param list<array> $states
     * @return int its place in the list, -1 where it cannot be told
     */
    public static function stateIn(array &$states): int
    {
        self::$strict = true;
        $known = \count(self::$properties);
        $functions = \count(self::$variables);
        self::lookForState();
        if (\count(self::$variables) > $functions && $states !== []) {
            return -1;
        }
        foreach ($states as &$state) {
            for ($n = $known; $n < \count(self::$properties); ++$n) {
                $seen = [];
                $state['class ' . self::$properties[$n]->name] = self::flat(self::defaults(self::$properties[$n]), $seen);
            }
        }
        unset($state);
        $now = self::picture();
        foreach ($now === null ? [] : $states as $i => $state) {
            if ($state === $now) {
                return $i;
            }
        }
        if ($now === null || \count($states) >= self::MOST_STATES) {
            return -1;
        }
        $states[] = $now;

        return \count($states) - 1;
    }

    /** What static properties hold that nobody has written to. */
    private static function defaults(\ReflectionClass $class): array
    {
        $defaults = [];
        foreach ($class->getProperties(\ReflectionProperty::IS_STATIC) as $property) {
            $defaults[$property->getName()] = $property->getDefaultValue();
        }

        return $defaults;
    }

    /** @return array|null null where there is more than can be looked at each time */
    private static function picture(): ?array
    {
        self::$left = self::MOST;
        $error = \set_error_handler(null);
        \restore_error_handler();
        $exception = \set_exception_handler(null);
        \restore_exception_handler();
        $globals = $GLOBALS;
        unset($globals['GLOBALS']);
        foreach ($globals as $name => $value) {
            if ($value instanceof ClassLoader) {
                $globals[$name] = ClassLoader::class; // bootstraps keep it, and PHPUnit may put a copy in its place
            }
        }
        $seen = [];
        $picture = [$error, $exception, \ob_get_level(), \getcwd(), \error_reporting(), \setlocale(\LC_ALL, '0'),
            \date_default_timezone_get(), \spl_autoload_functions(), \gc_enabled(), \umask(), \headers_list(),
            \function_exists('mb_internal_encoding') ? [\mb_internal_encoding(), \mb_substitute_character(), \mb_language()] : [],
            \function_exists('session_status') ? \session_status() : 0, \function_exists('bcscale') ? \bcscale() : 0,
            \ini_get_all(null, false), \getenv(), \stream_get_wrappers(), \stream_get_filters(), \get_include_path(),
            \libxml_use_internal_errors(), \array_map([self::class, 'stateOf'], self::$watched)];
        $picture['globals'] = self::each('globals', $globals, $seen);
        if (self::$strict) {
            $picture['constants'] = \get_defined_constants(true)['user'] ?? [];
        }
        foreach (self::$variables as $function) {
            $picture[] = self::flat($function->getStaticVariables(), $seen);
        }
        foreach (self::$properties as $class) {
            $picture['class ' . $class->name] = self::each($class->name, $class->getStaticProperties(), $seen);
        }

        return self::$left > 0 ? $picture : null;
    }

    /**
     * Some variables with their objects opened, as flat() does. A table of thousands
     * of rows that nobody has written to is the same piece of memory as the last time,
     * and need not be gone through.
     *
     * @param array<string, mixed> $variables
     * @param array<int, true> $seen
     */
    private static function each(string $of, array $variables, array &$seen): array
    {
        $tables = &self::$tables[$of];
        foreach ($variables as $name => $value) {
            if (\is_scalar($value) || $value === null) {
                --self::$left;
            } elseif (!\is_array($value)) {
                $variables[$name] = self::flat($value, $seen);
            } elseif (!isset($tables[$name]) || $tables[$name] !== $value) {
                $flat = self::flat($value, $seen);
                if ($flat === $value) {
                    $tables[$name] = $value; // nothing in it had to be opened
                } else {
                    unset($tables[$name]);
                    $variables[$name] = $flat;
                }
            }
        }

        return $variables;
    }

    /** Whether a cast to an array shows all that an object holds. */
    private static function isOpen(object $value): bool
    {
        $name = \get_class($value);
        if (!isset(self::$open[$name])) {
            for ($class = new \ReflectionClass($value); $class && !$class->isInternal(); $class = $class->getParentClass()) {
            }
            self::$open[$name] = !$class || $value instanceof \Throwable || \in_array($class->name, self::OPEN, true);
        }

        return self::$open[$name];
    }

    /**
     * A value with its objects opened.
     *
     * @param mixed $value
     * @param array<int, true> $seen
     * @return mixed
     */
    private static function flat($value, array &$seen)
    {
        if (--self::$left < 0) {
            return null;
        }
        if (\is_object($value)) {
            $id = \spl_object_id($value);
            if (isset($seen[$id]) || $value instanceof \UnitEnum || self::isOwn(\get_class($value))) {
                return [$id];
            }
            $seen[$id] = true;
            if (self::$strict && !self::isOpen($value)) {
                self::$left = 0;
            }
            $inside = (array) $value;
            if ($value instanceof \Closure) {
                $function = self::$strict ? new \ReflectionFunction($value) : null;
                $inside = $function ? [$function->getStaticVariables(), $function->getClosureThis()] : [];
            }

            return [$id, $value, self::flat($inside, $seen)];
        }
        if (!\is_array($value)) {
            if (\is_scalar($value) || $value === null) {
                return $value;
            }
            $state = self::stateOf($value);
            if ($state === null) {
                self::$left = 0; // nobody can tell whether it is as it was
            }

            return $state;
        }
        foreach ($value as $key => $inner) {
            if (!\is_scalar($inner) && $inner !== null) {
                $value[$key] = self::flat($inner, $seen);
            } elseif (--self::$left < 0) {
                return null;
            }
        }

        return $value;
    }
}
