<?php

declare(strict_types=1);

namespace AssayHarness;

/**
 * Loads PHPUnit's classes from wherever the user's phpunit script has them,
 * without running it.
 */
final class Loader
{
    /** @var list<list<string>> what was declared when the watched test began */
    private static array $declared = [];

    /** What PHPUnit's own script does before it starts; returns its version. */
    public static function load(string $script): string
    {
        if (!\ini_get('date.timezone')) {
            \ini_set('date.timezone', 'UTC');
        }
        $autoload = self::autoload($script);
        if (!\defined('PHPUNIT_COMPOSER_INSTALL')) {
            \define('PHPUNIT_COMPOSER_INSTALL', $autoload);
        }
        (static function () use ($autoload): void {
            require $autoload;
        })();
        if (!\class_exists(\PHPUnit\Runner\Version::class)) {
            throw new \RuntimeException("{$script}: no PHPUnit classes behind it (looked in {$autoload})");
        }

        return \PHPUnit\Runner\Version::id();
    }

    /**
     * The file that makes PHPUnit's classes known. A phar is one itself; a
     * script of Composer's has an autoload.php near it; a distribution's
     * script names its own.
     */
    private static function autoload(string $script): string
    {
        $real = \realpath($script);
        if ($real === false) {
            throw new \RuntimeException("{$script}: no such file");
        }
        if (\substr($real, -5) === '.phar' || \strpos((string) \file_get_contents($real), '__HALT_COMPILER') !== false) {
            return $real;
        }
        foreach ([$real, $script] as $path) {
            $dir = \dirname($path);
            foreach (['/../../autoload.php', '/../autoload.php', '/../vendor/autoload.php', '/vendor/autoload.php'] as $near) {
                if (\is_file($dir . $near)) {
                    return \realpath($dir . $near);
                }
            }
        }
        $text = (string) \file_get_contents($real);
        if (\preg_match('~PHPUNIT_COMPOSER_INSTALL\',\s*\'([^\']+)\'~', $text, $m)) {
            $resolved = \stream_resolve_include_path($m[1]);
            if ($resolved !== false) {
                return $resolved;
            }
        }
        \preg_match_all('~__DIR__ \. \'(/[^\']*utoload\.php)\'~', $text, $m);
        foreach ($m[1] as $relative) {
            if (\is_file(\dirname($real) . $relative)) {
                return \realpath(\dirname($real) . $relative);
            }
        }
        throw new \RuntimeException("{$script}: cannot tell where its classes are; name PHPUnit's own script or phar with --phpunit");
    }

    /** Namespaces of PHPUnit and of what it is made of. */
    private const OWN = ['PHPUnit\\', 'SebastianBergmann\\', 'DeepCopy\\', 'Doctrine\\Instantiator\\', 'TheSeer\\', 'PharIo\\'];

    /**
     * The classes of PHPUnit that are loaded by now, each with its file, in the
     * order of their declaration.
     *
     * @return list<array{string, string}>
     */
    public static function ownClasses(): array
    {
        $own = [];
        foreach (\array_merge(\get_declared_interfaces(), \get_declared_traits(), \get_declared_classes()) as $class) {
            foreach (self::OWN as $prefix) {
                if (\strncmp($class, $prefix, \strlen($prefix)) === 0) {
                    $file = (string) (new \ReflectionClass($class))->getFileName();
                    if (\strpos($file, "eval()'d code") === false && \strpos($class, '@anonymous') === false) { // what mocks are made of comes with the first mock
                        $own[] = [$class, $file];
                    }
                    break;
                }
            }
        }

        return $own;
    }

    /**
     * Loads classes of PHPUnit before anything of the project, and tells
     * whether anything but these has come, or from other files.
     *
     * @param list<array{string, string}> $classes each with its file
     */
    public static function preloadFrom(array $classes): bool
    {
        if ($classes === []) {
            return false;
        }
        $before = \array_column(self::ownClasses(), 1, 0);
        self::preload(\array_column($classes, 0));
        $now = \array_column(self::ownClasses(), 1, 0);
        $wanted = \array_column($classes, 1, 0);

        return \array_diff_assoc($wanted, $now) !== [] || \array_diff_key($now, $wanted, $before) !== [];
    }

    /**
     * Has the project's own autoloaders load classes.
     *
     * @param list<string> $classes
     * @return list<string> files at which PHP complained
     */
    public static function complaints(array $classes): array
    {
        $files = [];
        \set_error_handler(static function (int $type, string $message, string $file) use (&$files): bool {
            $files[] = $file;

            return true;
        });
        foreach ($classes as $class) {
            \class_exists($class) || \interface_exists($class) || \trait_exists($class);
        }
        \restore_error_handler();

        return $files;
    }

    /** A test begins or ends; some are watched for what they have declared by eval(), once in a process. */
    public static function watch(int $number, bool $begins): void
    {
        if (!\in_array($number, Stage::$order['watch'] ?? [], true)) {
            return;
        }
        $now = [\get_declared_classes(), \get_declared_interfaces(), \get_declared_traits(), \get_defined_functions()['user']];
        foreach ($begins ? [] : $now as $kind => $names) {
            foreach (\array_slice($names, \count(self::$declared[$kind])) as $name) {
                $file = (string) ($kind === 3 ? new \ReflectionFunction($name) : new \ReflectionClass($name))->getFileName();
                if (\strpos($file, "eval()'d code") !== false && Traces::isProjects($file)) {
                    Stage::$channel->send(['declares', $number]);

                    return;
                }
            }
        }
        self::$declared = $now;
    }

    /** Whether files are read through a stream wrapper that is not PHP's own. */
    public static function wrapped(): bool
    {
        $self = @\fopen(__FILE__, 'r');

        return $self === false || \stream_get_meta_data($self)['wrapper_type'] !== 'plainfile';
    }

    /**
     * Loads classes of PHPUnit once for all children. The keeper names only
     * such as a whole run loads anyway, from the same files.
     *
     * @param list<string> $classes
     */
    public static function preload(array $classes): void
    {
        foreach ($classes as $class) {
            \class_exists($class) || \interface_exists($class) || \trait_exists($class);
        }
    }
}
