<?php

declare(strict_types=1);

namespace AssayHarness;

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
        throw new \RuntimeException("{$script}: cannot tell where its classes are; name PHPUnit's own script or phar with --phpunit");
    }
}
