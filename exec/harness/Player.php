<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/**
 * Where this process is in the suite.
 *
 * The suite falls into segments, numbered in its order: 0 is the building of it, then
 * come the tests, with what is run before the first and after the last test of a
 * class where a class has something of the kind; the last is the end of the process.
 * Boundary n is the moment before segment n. PHPUnit runs the suite by itself; the
 * adapters (Suite9.php, Suite10.php) tell of each boundary with enter(), leave() and
 * exhausted(), and learn from enter() whether a test is to be run.
 */
final class Player
{
    public const TEST = 'test';
    public const ENTER = 'enter';
    public const LEAVE = 'leave';

    /** @var array<int, array{string, int, string}> segment => kind, number of the test or -1, class */
    public static array $segments = [];
    /** @var array<int, true> numbers of tests that PHPUnit runs several times, in a suite of their own */
    private static array $several = [];
    /** @var array<int, TestCase> number => the test, as long as it has not been run */
    private static array $cases = [];
    /** @var array<int, object> number => a copy that was made before the test was run */
    private static array $copies = [];
    /** @var array<int, array{int, int, bool}> object id of a test or suite => its first and its last segment; whether it is a test */
    private static array $ranges = [];
    /** @var array<int, int> object id of a suite => the segment behind its last test */
    private static array $leaves = [];
    /** @var array<int, string> number => file, of tests that are phpt files */
    private static array $phpts = [];
    /** @var list<string> tests of any other kind, which are not run */
    private static array $others = [];
    /** @var array<int, int> number => kind of TestCloner, for tests of which copies can be run */
    private static array $kinds = [];
    /** What the test that was run last still holds; see HeldObjects. */
    public static string $held = '';
    private static int $at = 0;
    /** The segment that is being run; -1: none. */
    private static int $open = 0;
    private static float $began = 0.0;
    /** The boundary to stop at, where this process walks. */
    private static int $until = 1;
    /** Segments before this one are left out. */
    private static int $next = 0;
    private static bool $plays = false;
    /** @var array<int, int> segment => the one at which this replay goes on by itself, if it leaves nothing; see wire.Job.Then */
    private static array $then = [];
    /** @var list<array{int, int}> ranges of segments behind which a replay goes on without a look; see wire.Job.Quiet */
    private static array $quiet = [];

    public static function addTest(object $leaf, int $number, string $class, ?object $case): void
    {
        $n = \count(self::$segments) + 1;
        self::$segments[$n] = [self::TEST, $number, $class];
        self::$ranges[\spl_object_id($leaf)] = [$n, $n, true];
        if ($case !== null) {
            self::$cases[$number] = $case;
        }
        if ($case !== null && $case !== $leaf) {
            self::$several[$number] = true;
        }
    }

    /** A phpt file, which PHPUnit runs in a process of its own, is a test as well. */
    public static function addPhpt(object $test, int $number): void
    {
        $file = $test->toString();
        self::$phpts[$number] = $file;
        self::addTest($test, $number, self::phptName($file), null);
    }

    /** Whether a test is a phpt file: in PHPUnit 9.6 to 11 of the class Runner\PhptTestCase, then Runner\Phpt\TestCase. */
    public static function isPhpt(object $test): bool
    {
        return $test instanceof \PHPUnit\Runner\PhptTestCase || $test instanceof \PHPUnit\Runner\Phpt\TestCase;
    }

    /** The name of a phpt test: its file, told from the project's root where it is below. */
    public static function phptName(string $file): string
    {
        $root = Process::$root . '/';

        return Channel::text(\strncmp($file, $root, \strlen($root)) === 0 ? \substr($file, \strlen($root)) : $file);
    }

    /**
     * Gives the rows of all tests, from those that are no phpt files.
     *
     * @param array<int, array> $rows number => row, yet without a digest; see wire.Row
     * @param array<int, array> $data number => its data, where it has some
     * @return list<array>
     */
    public static function described(array $rows, array $data): array
    {
        foreach (StateSnapshot::digestsOf($data) as $number => $digest) {
            $rows[$number][6] = $digest;
        }
        foreach (self::$phpts as $number => $file) {
            $name = self::phptName($file);
            $rows[$number] = Process::$job === null ? [$name, $name, '', [], Channel::path($file), '', ''] : [$name, '', '', [], '', '', ''];
        }
        \ksort($rows);

        return \array_values($rows);
    }

    public static function isSeveral(int $number): bool
    {
        return isset(self::$several[$number]);
    }

    /** A suite begins; it is told whether something is run before its first test. */
    public static function openSuite(string $class, bool $hasFixtures): int
    {
        $n = \count(self::$segments) + 1;
        if ($hasFixtures) {
            self::$segments[$n] = [self::ENTER, -1, $class];
        }

        return $n;
    }

    public static function closeSuite(object $suite, int $first, string $class, bool $hasFixtures): void
    {
        if ($hasFixtures) {
            $n = \count(self::$segments) + 1;
            self::$segments[$n] = [self::LEAVE, -1, $class];
            self::$leaves[\spl_object_id($suite)] = $n;
        }
        if (\count(self::$segments) >= $first) {
            self::$ranges[\spl_object_id($suite)] = [$first, \count(self::$segments), false];
        }
    }

    public static function addOther(string $name): void
    {
        self::$others[] = $name;
    }

    /** @return array<int, TestCase> number => test, of those that have not been run */
    public static function cases(): array
    {
        return self::$cases;
    }

    /**
     * The suite has been built.
     *
     * @param callable(): array $describe a row for each test
     * @param array<int, int> $kinds number => kind of TestCloner, of tests of which copies can be run
     */
    public static function built(callable $describe, array $fatal, string $version, array $kinds): void
    {
        self::$plays = true;
        self::$kinds = $kinds;
        Probe::built();
        $built = \array_combine(\array_map([Channel::class, 'method'], \array_keys(Probe::$built)), Probe::$built);
        Process::$channel->send(['suite', \get_included_files(), $describe(), \array_values(self::$segments), $fatal,
            $version, (object) \array_map([TestCloner::class, 'rootsOf'], \array_combine(\array_keys($kinds), \array_keys($kinds))), self::$others, $built]);
        self::arrive(1);
    }

    /** The number of the segment that ends the process. */
    public static function end(): int
    {
        return \count(self::$segments) + 1;
    }

    /** Whether a test, or some test of a suite, is to be run now. */
    public static function enter(object $test): bool
    {
        $range = self::$ranges[\spl_object_id($test)] ?? null;
        if ($range === null) {
            return !self::$plays; // of a kind that is not run here, or without tests
        }
        self::arrive($range[0]);
        if ($range[1] < self::$next) {
            return false;
        }
        [$kind, $number] = self::$segments[$range[0]];
        if ($range[2]) {
            self::begin($range[0]);
            self::keepCopy($number);
        } elseif ($kind === self::ENTER) {
            self::begin($range[0]);
        }

        return true;
    }

    /** A test or a suite that was entered has been run. */
    public static function leave(object $test): void
    {
        self::leaveSegment(self::$ranges[\spl_object_id($test)][1]);
    }

    public static function leaveSegment(int $last): void
    {
        self::arrive($last + 1);
    }

    public static function lastOf(object $test): int
    {
        return self::$ranges[\spl_object_id($test)][1];
    }

    /** The last test of a suite has been run or left out. */
    public static function exhausted(object $suite): void
    {
        $leave = self::$leaves[\spl_object_id($suite)] ?? null;
        if ($leave !== null) {
            self::arrive($leave);
            self::begin($leave);
        }
    }

    /** All tests have been run. */
    public static function finished(): void
    {
        if (self::$plays) {
            self::arrive(self::end());
            self::begin(self::end());
            foreach (Observer::values() as $message) {
                Process::$channel->send($message);
            }
            Probe::$tail = isset(Process::$setup['records']);
            if (Probe::$tail) {
                Process::$channel->outlive();
            }
        }
    }

    private static function begin(int $segment): void
    {
        self::$open = $segment;
        self::$began = \microtime(true);
    }

    private static function keepCopy(int $number): void
    {
        $kind = self::$kinds[$number] ?? null;
        if ($kind !== null && Process::$job === null) {
            self::$copies[$number] = TestCloner::copy(self::$cases[$number], $kind);
        }
        unset(self::$cases[$number]);
    }

    /** A copy of a test as it was before it was run; null where there is none. */
    public static function copyOf(int $number): ?object
    {
        $kind = self::$kinds[$number] ?? null;
        $original = self::$copies[$number] ?? self::$cases[$number] ?? null;

        return $kind === null || $original === null ? null : TestCloner::copy($original, $kind);
    }

    /** This is boundary n. */
    private static function arrive(int $n): void
    {
        if (self::$at === $n || !self::$plays || \getmypid() !== Probe::$owner) {
            return; // a process that a test has forked goes on by itself
        }
        $was = self::$open;
        self::$at = $n;
        self::$open = -1;
        if (isset(Process::$setup['prove'])) {
            Prover::at($n, self::$segments[$n][1] ?? -1);

            return;
        }
        if (isset(Process::$setup['records'])) {
            self::record($was, $n);

            return;
        }
        if (Process::$job === null) {
            if ($n >= self::$until) {
                self::stand($n);
            }

            return;
        }
        if ($was >= 0) {
            self::report($was, $n);
        }
    }

    /** Tells of a segment that was run unchanged. */
    private static function record(int $was, int $n): void
    {
        $time = $was > 0 ? (int) (1e6 * (\microtime(true) - self::$began)) : 0;
        $points = Probe::take();
        if (isset(Process::$setup['looks']) && $was >= 0 && !isset(Process::$setup['looks'][$n])) {
            Process::$channel->send(['segment', $was, $n, $time, [\implode(',', \array_keys($points)), \implode(',', $points)]]);
            self::$held = '';
            self::$began = \microtime(true);

            return;
        }
        Process::$channel->send(['segment', $was, $n, $time, [\implode(',', \array_keys($points)), \implode(',', $points)], Loader::newFiles(), (object) StateSnapshot::changes(),
            MutantSwitch::used(), (object) StateSnapshot::unknowns(), Loader::foreignFiles(), self::$held, StateInitials::looked()]);
        self::$held = '';
        self::wait();
        self::$began = \microtime(true);
    }

    /**
     * Stops here, and makes replays and processes that walk on as they are asked for. It goes on
     * in such a process, or where it is told to.
     */
    private static function stand(int $n): void
    {
        do {
            Process::$channel->send(['at', $n, (object) StateSnapshot::changes()]);
            $order = Process::serve();
        } while ($order['op'] === 'look');
        if ($order['op'] === 'go') {
            self::$until = $order['until'];

            return;
        }
        StateSnapshot::changes(); // the parent's own orders leave nothing
        if (!isset($order['job'])) {
            self::$until = $order['until'];

            return;
        }
        if (Process::$job['kind'] === 'batch') {
            Batch::run(Process::$job);
        }
        self::$next = Process::$job['next'];
        self::$then = Process::$job['then'] ?? [];
        self::$quiet = Process::$job['quiet'] ?? [];
    }

    /**
     * A replay has run a segment: says what it left, and learns which is the next. Where it
     * has left nothing, and knows which is the next, or is not to look, it goes on by itself.
     */
    private static function report(int $was, int $n): void
    {
        if (self::$held === '' && !Process::$channel->red && self::isQuiet($was)) {
            self::$next = $n;

            return;
        }
        $changes = StateSnapshot::changes();
        $then = $changes === [] && self::$held === '' && !Process::$channel->red ? self::$then[$was] ?? null : null;
        if ($then !== null) {
            self::$next = $then;

            return;
        }
        Process::$channel->tell();
        Process::$channel->send(['at', $n, (object) $changes, self::$held]);
        self::$held = '';
        $order = self::wait();
        self::$next = $order['next'];
        self::$then = $order['then'] ?? [];
        self::$quiet = $order['quiet'] ?? [];
    }

    private static function isQuiet(int $segment): bool
    {
        while (self::$quiet !== [] && self::$quiet[0][1] <= $segment) {
            \array_shift(self::$quiet);
        }

        return self::$quiet !== [] && self::$quiet[0][0] <= $segment;
    }

    private static function wait(): array
    {
        $order = Process::$channel->receive();
        if ($order === null || $order['op'] === 'quit') {
            Process::kill();
        }

        return $order;
    }
}
