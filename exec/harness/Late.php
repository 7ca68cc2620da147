<?php

declare(strict_types=1);

namespace AssayHarness;

/**
 * Builds the suite without loading one file, so that a stage can be had in
 * which that file is not loaded yet although data providers use its classes.
 *
 * While the suite is built, asking for one of the file's classes throws. From
 * within a data provider PHPUnit takes that as a provider that failed, and the
 * suite has a gap: the rows of that provider, which a child that needs them
 * builds once the changed file is in place. Whatever does not come out exactly
 * like that (the class is needed elsewhere, a provider catches what is thrown,
 * other tests than expected) makes the stage useless, and it says so.
 */
final class Late
{
    /** @var array<string, true> "Class::method" => its rows are missing */
    public static array $gaps = [];
    private static bool $spoiled = false;
    private static ?\Closure $loader = null;

    public static function wanted(): bool
    {
        return isset(Stage::$setup['late']);
    }

    /**
     * To be called after everything that registers autoloaders: it must come first.
     *
     * @param class-string<\Throwable> $failure what PHPUnit takes for a provider that failed, wherever in it it is thrown
     */
    public static function arm(string $failure = \LogicException::class): void
    {
        if (!self::wanted()) {
            return;
        }
        $classes = \array_flip(Stage::$setup['late']['classes']);
        self::disarm();
        self::$loader = static function (string $class) use ($classes, $failure): void {
            if (isset($classes[\strtolower($class)])) {
                $owner = Probe::provider();
                if ($owner === '*') {
                    self::$spoiled = true;
                }
                self::$gaps[$owner] = true;
                throw new $failure("{$class} is not to be loaded yet");
            }
        };
        \spl_autoload_register(self::$loader, true, true);
    }

    public static function disarm(): void
    {
        if (self::$loader !== null) {
            \spl_autoload_unregister(self::$loader);
            self::$loader = null;
        }
    }

    /** Why the suite as it was built is of no use; null when it is. */
    public static function fault(): ?string
    {
        if (self::$spoiled) {
            return 'a class of the file is needed to build the suite';
        }

        return \in_array(Stage::$setup['late']['file'], \get_included_files(), true) ? 'the file was loaded all the same' : null;
    }
}
