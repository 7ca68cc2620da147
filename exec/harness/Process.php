<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/**
 * This process, and what it is for.
 *
 * The first process has PHPUnit's classes and nothing of the project. It forks a
 * process that runs the bootstrap, builds the suite and then walks through it: see
 * Player. That one stops where it is told to and forks replays, which take over
 * where it stands, with a mutant chosen, and processes that walk on while it stays. Where PHP cannot fork, each replay is a
 * first process that walks through the suite by itself.
 */
final class Process
{
    public const PROTOCOL = 9;

    public static Channel $channel;
    public static array $setup;
    /** The project's root, before anybody changes the directory. */
    public static string $root = '';
    /** What this process does as a replay; null where it runs the suite unchanged. */
    public static ?array $job = null;

    /** Gives what runs PHPUnit, once there is something to run. */
    public static function begin(string $socket, string $token): \Closure
    {
        $channel = new Channel($socket, $token);
        $channel->send(['hello', \getmypid(), self::PROTOCOL]);
        $setup = $channel->receive();
        if ($setup === null || ($setup['op'] ?? '') !== 'setup') {
            \fwrite(\STDERR, "assay: the supervisor did not say what to do\n");
            exit(70);
        }
        $channel->rename($setup['token']);
        unset($setup['token']);
        self::$channel = $channel;
        self::$setup = $setup = Channel::unpacked($setup);
        if (isset($setup['looks'])) {
            self::$setup['looks'] = \array_flip($setup['looks']);
        }
        self::$root = (string) \getcwd();
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
        if (isset($setup['job'])) {
            self::take($setup['job']);
        } elseif (!empty($setup['forks'])) {
            $foreign = Loader::preloadFrom($setup['preload'] ?? []);
            $channel->send(['ready', \get_included_files(), $version, $foreign]);
            self::serve();
        }
        Suite::prepare(self::$setup); // the arguments are there from the beginning
        StateSnapshot::begin(self::$root, Loader::ownFiles());
        StateSnapshot::ignoreValues(self::$setup['volatile'] ?? []);
        if (isset($setup['prove'])) {
            Prover::begin($setup['prove']);
        }

        return Suite::main();
    }

    /**
     * Obeys orders until one lets this process go on, in a process that was forked
     * or where the walk through the suite is to continue, or asks where it stands.
     *
     * @return array the order
     */
    public static function serve(): array
    {
        while (true) {
            $order = self::$channel->receive();
            if ($order === null || $order['op'] === 'quit') {
                self::kill(); // nothing of the project may run in its shutdown
            }
            if ($order['op'] === 'go' || $order['op'] === 'look') {
                return $order;
            }
            if (self::fork($order)) {
                return $order;
            }
        }
    }

    /** PHP's limit on memory, where a recording asks for it and the project has set none of its own; else "". */
    public static function memoryLimit(): string
    {
        $limit = isset(self::$setup['records']) ? \ini_get_all(null, true)['memory_limit'] : ['global_value' => '', 'local_value' => ''];

        return $limit['local_value'] === $limit['global_value'] ? (string) $limit['global_value'] : '';
    }

    /** Ends this process at once. */
    public static function kill(): void
    {
        \posix_kill(\getmypid(), \SIGKILL);
        exit(70);
    }

    /** Makes a child for an order; true in the child. */
    private static function fork(array &$order): bool
    {
        $before = \getrusage(1)['ru_minflt']; // of all children so far
        $pid = \pcntl_fork();
        if ($pid === 0) {
            \posix_setpgid(0, 0);
            self::$channel->reopen($order['token']);
            unset($order['token']);
            Probe::$owner = \getmypid();
            self::$setup = isset($order['setup']) ? Channel::unpacked($order['setup']) : self::$setup;
            self::$channel->send(['hello', \getmypid(), self::PROTOCOL]);
            if (isset($order['job'])) {
                self::take($order['job']);
            }

            return true;
        }
        if ($pid < 0) {
            self::$channel->send(['nofork', $order['id']]);

            return false;
        }
        self::$channel->send(['forked', $order['id'], $pid]);
        if (!isset($order['job'])) {
            return false; // it lives on; its end shows on its own connection
        }
        do {
            $got = \pcntl_waitpid($pid, $status);
        } while ($got === -1 && \pcntl_get_last_error() === \PCNTL_EINTR);
        $faults = \getrusage(1)['ru_minflt'] - $before;
        self::$channel->send(['exited', $order['id'],
            \pcntl_wifexited($status) ? \pcntl_wexitstatus($status) : -1,
            \pcntl_wifsignaled($status) ? \pcntl_wtermsig($status) : 0, $faults]);

        return false;
    }

    /** Becomes a replay. */
    private static function take(array $job): void
    {
        $job['long'] = isset($job['long']) ? \array_flip($job['long']) : null;
        self::$job = $job;
        MutantSwitch::$place = $job['place'] ?? 0;
        MutantSwitch::$mutant = $job['mutant'] ?? 0;
        Probe::$everywhere = $job['limits'] ?? null;
        Probe::$often = $job['often'] ?? [];
        MutantSwitch::$counts = Probe::$everywhere !== null;
        Probe::$loops = $job['loops'] ?? [];
        if (!empty($job['ender'])) {
            MutantSwitch::$files = new class {
                /** Ends the process where a function of the sources is entered. */
                public function &__get(string $name)
                {
                    exit(70);
                }
            };
        }
        self::watchForTheEnd();
    }

    /** A fatal error ends a process without an exception: say which it was. */
    private static function watchForTheEnd(): void
    {
        $pid = \getmypid();
        \register_shutdown_function(static function () use ($pid): void {
            if (\getmypid() !== $pid) {
                return;
            }
            $last = \error_get_last();
            $fatal = \E_ERROR | \E_PARSE | \E_CORE_ERROR | \E_COMPILE_ERROR | \E_RECOVERABLE_ERROR;
            if ($last !== null && ($last['type'] & $fatal) !== 0) {
                self::$channel->send(['last', $last['message'] . ' at line ' . $last['line']]);
            }
        });
    }
}
