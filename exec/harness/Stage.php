<?php

declare(strict_types=1);

namespace AssayHarness;

/**
 * A stage is a process that waits for orders and forks children for them.
 *
 * Stage 0 has PHPUnit's classes and nothing of the project. Stage 1 is a child
 * of it in which PHPUnit has run the bootstrap, read the configuration and
 * built the suite, and stands before the first test. A child is forked from
 * the one or the other, gets the tests it is to run, and goes on as PHPUnit
 * itself would: to the end, with PHPUnit's own exit status.
 */
final class Stage
{
    public static Channel $channel;
    public static array $setup;
    /** The project's root, before anybody changes the directory. */
    public static string $root = '';
    /** @var array<string, int> name of a test => its number; empty where names are not known, or not each test's own */
    public static array $numbers = [];
    /** The order of this child, or null while we are a stage. */
    public static ?array $order = null;

    public static function start(Channel $channel, array $setup): void
    {
        self::$channel = $channel;
        self::$setup = $setup;
        self::$root = (string) \getcwd();
        self::$numbers = \array_flip($setup['ids'] ?? []);
        Probe::$owner = \getmypid();
        try {
            $version = Loader::load($setup['phpunit']);
        } catch (\Throwable $t) {
            $channel->send(['unfit', $t->getMessage()]);
            exit(70);
        }
        $major = (int) $version;
        $adapter = __DIR__ . ($major >= 10 ? '/Suite10.php' : '/Suite9.php');
        if (\version_compare($version, '9.6', '<') || !\is_file($adapter)) {
            $channel->send(['unfit', "PHPUnit {$version} is too old: assay works with 9.6 and later. Update it, or name another with --phpunit."]);
            exit(70);
        }
        require $adapter;
        if (isset($setup['alone'])) {
            self::obey($setup['alone'] + ['mode' => '']);
            self::watchForTheEnd();
        } else {
            self::ready($version);
            Ending::begin();
            self::serve(0);
        }
        Suite::main($setup);
    }

    /** Loads what every child of stage 0 is to have, and tells of it. */
    private static function ready(string $version): void
    {
        $others = Loader::preloadFrom(self::$setup['preload'] ?? []);
        self::$channel->send(['stage', 0, \get_included_files(), $version, $others]);
    }

    /**
     * Waits for orders. Returns only in a child, which then does its work by
     * returning to what PHPUnit was about to do.
     */
    public static function serve(int $stage): void
    {
        if (self::$order !== null) {
            exit(0); // the process was only to describe the suite
        }
        Ending::lookForDestructors();
        while (true) {
            $order = self::$channel->receive();
            if ($order === null || $order['op'] === 'quit') {
                // Nothing of the project may run in a stage's own shutdown.
                \posix_kill(\getmypid(), \SIGKILL);
            }
            if ($order['op'] === 'learn') {
                self::learn($order['setup']);
                continue;
            }
            $pid = \pcntl_fork();
            if ($pid === 0) {
                self::becomeChild($order);

                return;
            }
            if ($pid < 0) {
                self::$channel->send(['nofork', $order['id']]);
                continue;
            }
            self::$channel->send(['forked', $order['id'], $pid]);
            if ($order['op'] === 'stage') {
                continue; // the next stage lives on; its end shows on its own connection
            }
            do {
                $got = \pcntl_waitpid($pid, $status);
            } while ($got === -1 && \pcntl_get_last_error() === \PCNTL_EINTR);
            self::$channel->send(['exited', $order['id'],
                \pcntl_wifexited($status) ? \pcntl_wexitstatus($status) : -1,
                \pcntl_wifsignaled($status) ? \pcntl_wtermsig($status) : 0]);
        }
    }

    /** Stage 0 is told what the survey has found. */
    private static function learn(array $setup): void
    {
        self::$setup = $setup;
        self::$numbers = \array_flip($setup['ids'] ?? []);
        self::ready(\PHPUnit\Runner\Version::id());
        Ending::lookForDestructors();
    }

    private static function becomeChild(array $order): void
    {
        \posix_setpgid(0, 0);
        self::$channel->reopen($order['token']);
        Probe::$owner = \getmypid();
        if ($order['op'] !== 'stage') {
            self::obey($order);
        } else {
            self::$setup['preload'] = $order['preload'] ?? [];
            self::$setup['late'] = $order['late'] ?? null;
            self::$setup['whole'] = $order['whole'] ?? null;
        }
        self::$channel->send(['hello', \getmypid()]);
        if ($order['op'] !== 'stage') {
            self::watchForTheEnd();
        }
    }

    /** Tells which files have had functions run, in a child of a stage that has them all. */
    public static function tellUsed(): void
    {
        if (isset(self::$setup['whole'])) {
            self::$channel->send(['used', \array_keys(Active::$files->used)]);
            Active::$files->used = [];
        }
    }

    private static function obey(array $order): void
    {
        if (isset($order['long'])) {
            $order['long'] = \array_flip($order['long']);
        }
        self::$order = $order;
        Active::$place = $order['place'] ?? 0;
        Active::$mutant = $order['mutant'] ?? 0;
        Active::$files->used = [];
    }

    /** A fatal error ends a process without an exception: say which it was. */
    private static function watchForTheEnd(): void
    {
        if (self::$order['mode'] === '') {
            return;
        }
        Probe::$everywhere = self::$order['limits'] ?? null;
        Probe::$often = self::$order['often'] ?? [];
        Active::$counts = Probe::$everywhere !== null;
        Probe::$loops = self::$order['loops'] ?? [];
        Ending::watch();
        $pid = \getmypid();
        \register_shutdown_function(static function () use ($pid): void {
            $last = \error_get_last();
            $fatal = \E_ERROR | \E_PARSE | \E_CORE_ERROR | \E_COMPILE_ERROR | \E_RECOVERABLE_ERROR;
            if ($last !== null && ($last['type'] & $fatal) !== 0 && \getmypid() === $pid) {
                self::$channel->send(['last', $last['message'] . ' at line ' . $last['line']]);
            }
            if (\getmypid() === $pid) {
                self::tellUsed();
            }
            if (isset(self::$order['long'])) {
                self::$channel->send(['shut']);
            }
        });
    }
}
