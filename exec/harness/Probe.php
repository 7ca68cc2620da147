<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness {
    require_once __DIR__ . '/MutantSwitch.php'; // a process that a test starts may run code with notes
    require_once __DIR__ . '/Observer.php';

    /**
     * Which probe points were passed, as the probed sources tell through
     * assay_hit(). In the harness's own process the points stay in memory and
     * are asked for test by test; in any other (a process that a test starts,
     * a fork that a test makes) they go to a spool file at once, since nobody
     * knows how such a process will end.
     */
    final class Probe
    {
        private const LONG = 0.1; // seconds
        private const MUCH = 24 << 20; // bytes
        private const DEEP = 10_000; // calls
        /** How often the calls in progress are looked through for a provider: with large arguments that takes long. */
        private const ASKED = 50_000;

        /**
         * Its $hits say how often each point was passed since the last take().
         * It has a class without a name: PHPUnit, which can be told to compare
         * static properties and to put them back, leaves such objects alone.
         */
        public static ?object $book = null;
        /** The suite is being built. */
        public static bool $building = false;
        /** Who asks for data, where that need not be found out by provider(). */
        private static ?string $provider = null;
        /** @var array<int, int> point => how often it was passed while the suite is built, until who asks for data changed */
        private static array $before = [];
        private static int $asked = 0;
        /** @var array<string, array<int, true>> owner => points */
        public static array $built = [];
        /** @var array<int, int>|null point => passes that are too many, in a run that looks for endless loops */
        public static ?array $everywhere = null;
        /** @var array<int, array<int, int>> test => the same, where it is more */
        public static array $often = [];
        /** @var array<int, int>|null the same for the present test */
        private static ?array $limits = null;
        /** @var array<int, int> point of a loop => point of its body: passes are counted anew with each entry */
        public static array $loops = [];
        /** Processor time, in seconds, that the process had used when the present test began. */
        private static float $began = 0.0;
        /** How much memory has to be in use for the calls in progress to be counted. */
        private static int $least = 0;
        private static int $turns = 0;
        /** Whether a point that was passed before is to be counted, and no more. */
        public static bool $counts = false;
        public static int $owner = 0;
        /** All tests have been run: nobody will ask for points any more, so they are told of at once. */
        public static bool $tail = false;
        public static string $spool = '';
        /** @var list<string> files that other processes loaded, each as often as one did */
        public static array $files = [];

        public static function hit(int $point): void
        {
            $book = self::$book;
            if (self::$tail && !isset($book->hits[$point]) && \getmypid() === self::$owner) {
                Process::$channel->send(['tail', $point]);
            }
            if (self::$limits !== null && ++self::$turns % 64 === 0 && \memory_get_usage() > self::$least && self::isBottomless()) {
                Process::$channel->send(['bottomless']);
                \posix_kill(self::$owner, \SIGKILL);
            }
            if (isset($book->hits[$point])) {
                $passes = ++$book->hits[$point];
                if (self::$limits !== null && $passes > (self::$limits[$point] ?? \PHP_INT_MAX) && self::isEndless($passes, self::$limits[$point])) {
                    Process::$channel->send(['runaway', $point]);
                    \posix_kill(self::$owner, \SIGKILL);
                }
                if ((!self::$building || self::$provider !== null) && self::$loops === []) {
                    return;
                }
            } else {
                $book->hits[$point] = 1;
            }
            if (isset(self::$loops[$point])) {
                $book->hits[self::$loops[$point]] = 0;
            }
            if (self::$building && self::$provider === null) {
                self::$built[self::provider()][$point] = true;
            }
            self::$counts = (!self::$building || self::$provider !== null) && self::$loops === [] && self::$everywhere === null;
            if (self::$spool !== '' && \getmypid() !== self::$owner) {
                \file_put_contents(self::$spool, "{$point}\n", \FILE_APPEND);
            }
        }

        /** A test begins. What comes between tests is not counted: nobody knows how much is usual. */
        public static function begin(int $test): void
        {
            if (self::$everywhere !== null) {
                self::$limits = (self::$often[$test] ?? []) + self::$everywhere;
                self::$book->hits = [];
                self::$began = self::used();
                self::$least = \memory_get_usage() + self::MUCH;
            }
        }

        public static function end(): void
        {
            self::$limits = null;
        }

        private static function used(): float
        {
            $used = \getrusage();

            return $used['ru_utime.tv_sec'] + $used['ru_stime.tv_sec'] + ($used['ru_utime.tv_usec'] + $used['ru_stime.tv_usec']) / 1e6;
        }

        /**
         * Whether a loop that went round too often will not end: at once if it is
         * several times too often, before that only where it costs time. So a
         * loop that is merely long comes to its end.
         */
        private static function isEndless(int $passes, int $limit): bool
        {
            if ($passes <= 5 * $limit && ($passes % 256 !== 0 || self::used() - self::$began < self::LONG)) {
                return false;
            }

            return \getmypid() === self::$owner;
        }

        /** Whether calls are within calls without end; asked each time that so much more memory is in use. */
        private static function isBottomless(): bool
        {
            self::$least += self::MUCH;

            return \count(\debug_backtrace(\DEBUG_BACKTRACE_IGNORE_ARGS)) > self::DEEP && \getmypid() === self::$owner;
        }

        /** From now on, while the suite is built, data are asked for by another one: "Class::method", or '*'. */
        public static function provides(string $owner): void
        {
            if (self::$building) {
                self::settle();
                self::$provider = $owner;
            }
        }

        /** The suite has been built. */
        public static function built(): void
        {
            if (self::$building) {
                self::settle();
                self::$book->hits = self::$before;
                self::$before = [];
                self::$building = false;
            }
        }

        /** Notes what was passed for the one who has asked for data. */
        private static function settle(): void
        {
            foreach (self::$book->hits as $point => $times) {
                if (self::$provider !== null) {
                    self::$built[self::$provider][$point] = true;
                }
                self::$before[$point] = (self::$before[$point] ?? 0) + $times;
            }
            self::$book->hits = [];
        }

        /** The points since the last call, with those that other processes left. */
        public static function take(): array
        {
            $hits = self::$book->hits + Observer::take(); // no run has both
            self::$book->hits = [];
            if (self::$spool !== '' && \is_file(self::$spool)) {
                foreach (\file(self::$spool, \FILE_IGNORE_NEW_LINES) as $line) {
                    if (\is_numeric($line)) {
                        $hits[(int) $line] = 1;
                    } else {
                        self::$files[] = $line;
                    }
                }
                \unlink(self::$spool);
            }

            return $hits;
        }

        /**
         * "Class::method" of the test whose data provider is running, or '*': none, or nobody
         * knows, so that it may be any.
         */
        public static function provider(): string
        {
            if (++self::$asked > self::ASKED) {
                self::provides('*');

                return '*';
            }
            foreach (\debug_backtrace(0) as $frame) {
                if (($frame['function'] === 'getProvidedData' || $frame['function'] === 'providedData')
                    && \strncmp($frame['class'] ?? '', 'PHPUnit\\', 8) === 0 && \count($frame['args'] ?? []) >= 2) {
                    return $frame['args'][0] . '::' . $frame['args'][1];
                }
            }

            return '*';
        }
    }

    Probe::$book = new class {
        /** @var array<int, int> */
        public array $hits = [];
    };

    if (\getenv('ASSAY_SPOOL') !== false) {
        Probe::$spool = (string) \getenv('ASSAY_SPOOL');
        if (!\class_exists(Channel::class, false)) {
            // Not the harness's own process, or not yet: leave word of what was loaded. A fork of
            // that one has the files that were loaded before it, and has not read them.
            \register_shutdown_function(static function (): void {
                $files = \class_exists(Loader::class, false) ? Loader::untold() : \get_included_files();
                \file_put_contents(Probe::$spool, \implode("\n", $files) . "\n", \FILE_APPEND);
            });
        }
    }
}

namespace {
    if (!\function_exists('assay_hit')) {
        /** Called from probed sources; null, so that `assay_hit(1) ?? $x` is $x. */
        function assay_hit(int $point)
        {
            if (\PHPUnit\AssayHarness\Probe::$counts && isset(\PHPUnit\AssayHarness\Probe::$book->hits[$point])) {
                ++\PHPUnit\AssayHarness\Probe::$book->hits[$point];

                return null;
            }
            \PHPUnit\AssayHarness\Probe::hit($point);

            return null;
        }
    }
}
