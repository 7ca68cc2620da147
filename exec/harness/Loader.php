<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/**
 * Loads PHPUnit's classes from wherever the user's phpunit script has them,
 * without running it.
 */
final class Loader
{
    /** What PHPUnit's own script does before it starts; returns its version. */
    public static function load(string $script): string
    {
        if (!\ini_get('date.timezone')) {
            \ini_set('date.timezone', 'UTC');
        }
        $autoload = self::autoload($script);
        if (!\defined('PHPUNIT_COMPOSER_INSTALL')) {
            \define('PHPUNIT_COMPOSER_INSTALL', ($autoload === \realpath($script) ? null : self::named($script)) ?? $autoload);
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
        $text = (string) \file_get_contents($real);
        if (\substr($real, -5) === '.phar' || \strpos($text, '__HALT_COMPILER') !== false) {
            return $real;
        }
        if (\preg_match('~PHPUNIT_COMPOSER_INSTALL\',\s*__DIR__\s*\.\s*\'(/[^\']+)\'~', $text, $m) === 1 && \is_file(\dirname($real) . $m[1])) {
            return \realpath(\dirname($real) . $m[1]);
        }
        foreach ([$real, $script] as $path) {
            $dir = \dirname($path);
            foreach (['/../../autoload.php', '/../autoload.php', '/../vendor/autoload.php', '/vendor/autoload.php'] as $near) {
                if (\is_file($dir . $near)) {
                    return \realpath($dir . $near);
                }
            }
        }
        $named = self::named($script);
        $resolved = $named === null ? false : \stream_resolve_include_path($named);
        if ($resolved !== false) {
            return $resolved;
        }
        \preg_match_all('~__DIR__ \. \'(/[^\']*utoload\.php)\'~', $text, $m);
        foreach ($m[1] as $relative) {
            if (\is_file(\dirname($real) . $relative)) {
                return \realpath(\dirname($real) . $relative);
            }
        }
        throw new \RuntimeException("{$script}: cannot tell where its classes are; name PHPUnit's own script or phar with --phpunit");
    }

    /** The file that a distribution's script names, as it stands there. */
    private static function named(string $script): ?string
    {
        $text = \substr($script, -5) === '.phar' ? '' : (string) \file_get_contents($script);

        return \preg_match('~PHPUNIT_COMPOSER_INSTALL\',\s*\'([^\']+)\'~', $text, $m) === 1 ? $m[1] : null;
    }

    /** The class that a script of PHPUnit 9 runs: PHPUnit's own command, or one that others made of it. */
    public static function command(string $script): string
    {
        $text = \substr($script, -5) === '.phar' ? '' : (string) \file_get_contents($script);
        if (\preg_match('~^\s*\\\\?((?:\w+\\\\)+\w+)::main\(~m', $text, $m) === 1 && \is_a($m[1], \PHPUnit\TextUI\Command::class, true)) {
            return $m[1];
        }

        return \PHPUnit\TextUI\Command::class;
    }

    /**
     * The name that a class of a library has which PHPUnit is made of: in a phar it may have a
     * namespace in front, so that code under test can have the same library.
     */
    public static function part(string $class): string
    {
        $file = (string) (new \ReflectionClass(\PHPUnit\Framework\TestCase::class))->getFileName();
        foreach (\strncmp($file, 'phar://', 7) === 0 ? ['PHPUnitPHAR\\', 'PHPUnit\\'] : [] as $prefix) {
            if (\class_exists($prefix . $class)) {
                return $prefix . $class;
            }
        }

        return $class;
    }

    /** Namespaces of PHPUnit and of what it is made of. */
    private const OWN = ['PHPUnit\\', 'PHPUnitPHAR\\', 'SebastianBergmann\\', 'DeepCopy\\', 'Doctrine\\Instantiator\\', 'TheSeer\\', 'PharIo\\'];

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
                    if (\dirname($file) !== __DIR__ && \strpos($file, "eval()'d code") === false && \strpos($class, '@anonymous') === false) { // what mocks are made of comes with the first mock
                        $own[] = [$class, Channel::path($file)];
                    }
                    break;
                }
            }
        }

        return $own;
    }

    /**
     * Where that was declared of which the supervisor wants to know it.
     *
     * @return list<array{string, string}> name and file
     */
    public static function declared(): array
    {
        $found = [];
        foreach (Process::$setup['declared'] ?? [] as $name) {
            if (\substr($name, -2) === '()') {
                $function = \substr($name, 0, -2);
                $it = \function_exists($function) ? new \ReflectionFunction($function) : null;
            } else {
                $is = \class_exists($name, false) || \interface_exists($name, false) || \trait_exists($name, false);
                $it = $is ? new \ReflectionClass($name) : null;
            }
            if ($it !== null && $it->getFileName() !== false) {
                $found[] = [Channel::text($it->getName()) . ($it instanceof \ReflectionFunction ? '()' : ''), Channel::path($it->getFileName())];
            }
        }

        return $found;
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
        $wanted = \array_map([Channel::class, 'path'], \array_column($classes, 1, 0));

        return \array_diff_assoc($wanted, $now) !== [] || \array_diff_key($now, $wanted, $before) !== [];
    }

    /** @var int how many included files have been told of */
    private static int $told = 0;

    /** @return list<string> files that this process has loaded since the last call */
    public static function newFiles(): array
    {
        $files = \get_included_files();
        $new = \array_slice($files, self::$told);
        self::$told = \count($files);

        return $new;
    }

    /** @return list<string> files that have not been told of yet */
    public static function untold(): array
    {
        return \array_slice(\get_included_files(), self::$told);
    }

    /** @return list<string> files that processes which tests started have loaded since the last call, each as often as one did */
    public static function foreignFiles(): array
    {
        $files = Probe::$files;
        Probe::$files = [];

        return $files;
    }

    /**
     * The files and directories of PHPUnit and what it is made of, of Composer's loader
     * and of this harness, whose classes keep what they like.
     *
     * @return list<string>
     */
    public static function ownFiles(): array
    {
        $own = [__DIR__ . '/'];
        $file = (string) (new \ReflectionClass(\PHPUnit\Framework\TestCase::class))->getFileName();
        if (\strncmp($file, 'phar://', 7) === 0) {
            $own[] = \substr($file, 0, (int) \strpos($file, '.phar') + 5);
        } elseif (\preg_match('~^(.*)/phpunit/phpunit/src/Framework/TestCase\.php$~', $file, $m) === 1) {
            foreach (['phpunit', 'sebastian', 'myclabs/deep-copy', 'doctrine/instantiator', 'theseer', 'phar-io', 'staabm', 'composer', 'autoload.php'] as $part) {
                $own[] = $m[1] . '/' . $part . ($part === 'autoload.php' ? '' : '/');
            }
        } elseif (\preg_match('~^(.*)/src/Framework/TestCase\.php$~', $file, $m) === 1 && \is_file("{$m[1]}/vendor/autoload.php")) {
            \array_push($own, "{$m[1]}/src/", "{$m[1]}/vendor/"); // PHPUnit by itself, with what it needs
        } else {
            $base = \dirname($file, 3);
            foreach (['PHPUnit', 'SebastianBergmann', 'DeepCopy', 'Doctrine/Instantiator', 'TheSeer', 'PharIo', 'staabm'] as $part) {
                $own[] = $base . '/' . $part . '/';
            }
        }

        return $own;
    }

    /**
     * Loads classes of PHPUnit once for all children. The supervisor names only
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
