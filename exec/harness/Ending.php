<?php

declare(strict_types=1);

namespace AssayHarness;

/**
 * Ends a child without PHP's own shutdown once everything of the user's has
 * run: most of what a short child costs is PHP taking itself apart.
 *
 * PHP ends in this order: shutdown functions, destructors, output callbacks,
 * streams, itself. An Ending is an object whose destructor replaces itself by
 * a new one until nobody else's object came in between: then every destructor
 * has run, for PHP gives new objects ascending numbers by then and calls
 * destructors in that order. Nothing is cut short where something of the
 * user's could still follow (open output buffers, stream wrappers, filters) or where
 * the exit status might not be the one that PHPUnit chose (exit() in a
 * shutdown function): then PHP goes its own way to the end.
 *
 * Where no class has a destructor that does anything, the last shutdown
 * function is the end already: looking for destructors makes PHP write to every
 * object there is, and each page it writes to is copied in a forked child.
 */
final class Ending
{
    private static ?self $next = null;
    private static bool $safe = false;
    private static bool $done = false;
    private static int $pid = 0;
    private static int $buffers = 0;
    /** @var list<string> */
    private static array $wrappers = [];
    /** @var list<string> */
    private static array $filters = [];
    private int $generation = 0;
    /** How many classes have been looked at, and whether one has a destructor. */
    private static int $classes = 0;
    private static bool $destructors = false;
    /** How many files have been looked at, and whether one has code that may be run at the end. */
    private static int $files = 0;
    private static bool $unwinds = false;

    /** Destructors that only tidy up in memory. */
    private const HARMLESS = [self::class, 'SebastianBergmann\\RecursionContext\\Context'];

    /** Looks at the classes that came since the last call. */
    public static function lookForDestructors(): bool
    {
        $classes = \get_declared_classes();
        for ($n = \count($classes); !self::$destructors && self::$classes < $n; ++self::$classes) {
            $class = $classes[self::$classes];
            self::$destructors = \method_exists($class, '__destruct') && !\in_array($class, self::HARMLESS, true)
                && (new \ReflectionMethod($class, '__destruct'))->isUserDefined();
        }

        return self::$destructors || self::unwinds();
    }

    /**
     * Whether PHP may run code when it lets go of a generator or a fiber. Until the
     * survey has told, the text of what was loaded besides PHPUnit tells.
     */
    private static function unwinds(): bool
    {
        if (isset(Stage::$setup['unwinds']) || isset(Stage::$setup['ids'])) {
            return Stage::$setup['unwinds'] ?? false;
        }
        $files = \get_included_files();
        for ($n = \count($files); !self::$unwinds && self::$files < $n; ++self::$files) {
            $text = @\file_get_contents($files[self::$files]);
            self::$unwinds = $text === false || \preg_match('/\bfinally\b/i', $text) === 1 && \preg_match('/\b(yield|Fiber)\b/i', $text) === 1;
        }

        return self::$unwinds;
    }

    /** PHPUnit has been loaded, and nothing else. */
    public static function begin(): void
    {
        self::$files = \count(\get_included_files());
    }

    /** To be called in a child before anything of the user's runs in it. */
    public static function watch(): void
    {
        self::$pid = \getmypid();
        self::$buffers = \ob_get_level();
        self::$wrappers = \stream_get_wrappers();
        self::$filters = \stream_get_filters();
        self::$next = new self();
        self::atLast(8);
    }

    /** PHPUnit has finished, and its exit status is known or does not matter. */
    public static function mayBeShort(): void
    {
        self::$done = true;
    }

    /** Shutdown functions may register others: be behind them. */
    private static function atLast(int $times): void
    {
        \register_shutdown_function(static function () use ($times): void {
            if ($times > 0) {
                self::atLast($times - 1);
            } else {
                self::$safe = true;
                Reporter::tail();
                if (self::undisturbed() && !self::lookForDestructors() && Stage::$channel->send(['ended'])) {
                    \posix_kill(\getmypid(), \SIGKILL);
                }
            }
        });
    }

    public function __destruct()
    {
        if (\getmypid() === self::$pid) {
            Reporter::tail();
        }
        if (!self::undisturbed()) {
            return;
        }
        $next = new self();
        $next->generation = $this->generation + 1;
        if ($this->generation > 0 && \spl_object_id($next) === \spl_object_id($this) + 1) {
            if (Stage::$channel->send(['ended'])) {
                \posix_kill(\getmypid(), \SIGKILL);
            }

            return;
        }
        self::$next = $next;
    }

    private static function undisturbed(): bool
    {
        return self::$safe && self::$done && \getmypid() === self::$pid
            && \ob_get_level() <= self::$buffers && \stream_get_wrappers() === self::$wrappers
            && \stream_get_filters() === self::$filters;
    }
}
