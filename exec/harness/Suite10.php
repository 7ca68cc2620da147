<?php

declare(strict_types=1);

// The adapter for PHPUnit 10 and later: a tracer of its events. What is touched
// beyond them stands in Inside10.php.

namespace AssayHarness;

use PHPUnit\Event\Application;
use PHPUnit\Event\Code;
use PHPUnit\Event\Event;
use PHPUnit\Event\Facade;
use PHPUnit\Event\Test;
use PHPUnit\Event\TestRunner;
use PHPUnit\Event\TestSuite;
use PHPUnit\Event\Tracer\Tracer;
use PHPUnit\Framework\InvalidDataProviderException;
use PHPUnit\Framework\TestCase;
use PHPUnit\Runner\Version;

require __DIR__ . '/Inside10.php';
require __DIR__ . '/Tree.php';
require __DIR__ . '/Sequence.php';

// Before the reporter is declared, which needs what may be missing.
if (Inside::missing() !== null) {
    Suite::refuse('it has no ' . Inside::missing());
}

final class Suite
{
    public static function main(array $setup): void
    {
        Probe::$building = (bool) ($setup['probed'] ?? false);
        $argv = Inside::arguments($setup['argv']);
        $_SERVER['argv'] = $GLOBALS['argv'] = $argv;
        $_SERVER['argc'] = $GLOBALS['argc'] = \count($argv);
        $_SERVER['SCRIPT_NAME'] = $_SERVER['SCRIPT_FILENAME'] = $_SERVER['PHP_SELF'] = $_SERVER['PATH_TRANSLATED'] = $setup['phpunit'];
        $reporter = new Reporter();
        Facade::instance()->registerTracer($reporter);
        Late::arm(InvalidDataProviderException::class);
        $status = (new \PHPUnit\TextUI\Application())->run($argv);
        if ($status === 0 && $reporter->sawNothing()) {
            self::refuse('its run does not say when it begins');
        }
        exit($status);
    }

    /** @return never */
    public static function refuse(string $why): void
    {
        Stage::$channel->send(['unfit', 'PHPUnit ' . Version::id() . " cannot be hooked: {$why}. PHPUnit 9.6 to 13 can; name one with --phpunit, or try a newer assay."]);
        \posix_kill(\getmypid(), \SIGKILL);
        exit(70);
    }
}

/**
 * Waits for the moment before the first test, forks there, and tells the
 * keeper what PHPUnit's events say.
 *
 * Which events make the suite red is PHPUnit's own to say: failures and errors
 * do; for all others its exit status, as it would be by then, is looked at when
 * their test is over. A tracer hears of an event before PHPUnit counts it.
 */
final class Reporter implements Tracer
{
    private const HEARD = [
        TestRunner\EventFacadeSealed::class => 'sealed',
        TestRunner\ExecutionStarted::class => 'begin',
        TestRunner\ExecutionFinished::class => 'end',
        Application\Finished::class => 'done',
        TestSuite\Finished::class => 'between',
        TestRunner\ChildProcessStarted::class => 'isolated',
        Test\PreparationStarted::class => 'started',
        Test\Finished::class => 'finished',
        Test\Failed::class => 'failed',
        Test\Errored::class => 'errored',
        Test\BeforeFirstTestMethodErrored::class => 'classErrored',
        Test\BeforeFirstTestMethodFailed::class => 'classErrored',
        Test\AfterLastTestMethodErrored::class => 'classErrored',
        Test\AfterLastTestMethodFailed::class => 'classErrored',
        Test\PhpunitErrorTriggered::class => 'broken',
    ];

    /** Events that may or may not be green, with the name that the configuration has for them. */
    private const ISSUES = [
        Test\Skipped::class => 'skipped',
        TestSuite\Skipped::class => 'skipped',
        Test\MarkedIncomplete::class => 'incomplete',
        Test\ConsideredRisky::class => 'risky',
        Test\ErrorTriggered::class => 'error',
        Test\WarningTriggered::class => 'warning',
        Test\PhpWarningTriggered::class => 'warning',
        Test\NoticeTriggered::class => 'notice',
        Test\PhpNoticeTriggered::class => 'notice',
        Test\DeprecationTriggered::class => 'deprecation',
        Test\PhpDeprecationTriggered::class => 'deprecation',
        Test\PhpunitDeprecationTriggered::class => 'phpunit deprecation',
        Test\PhpunitNoticeTriggered::class => 'phpunit notice',
        Test\PhpunitWarningTriggered::class => 'phpunit warning',
        TestRunner\WarningTriggered::class => 'phpunit warning',
        TestRunner\NoticeTriggered::class => 'phpunit notice',
        TestRunner\DeprecationTriggered::class => 'phpunit deprecation',
        TestRunner\ErrorTriggered::class => 'error',
        TestRunner\PhpDeprecationTriggered::class => 'deprecation',
        TestRunner\PhpNoticeTriggered::class => 'notice',
        TestRunner\PhpWarningTriggered::class => 'warning',
        TestRunner\Issue\DeprecationTriggered::class => 'deprecation',
        TestRunner\Issue\NoticeTriggered::class => 'notice',
        TestRunner\Issue\WarningTriggered::class => 'warning',
    ];

    private static string $mode = '';
    private Tree $tree;
    /** @var array<string, list<int>> name => numbers: a test may stand in several suites */
    private array $numbers = [];
    private bool $running = false;
    private bool $byName = false;
    /** @var string|null the test that was started and has not ended */
    private ?string $open = null;
    private int $number = -1;
    private float $started = 0.0;
    /** When the last thing happened in this process. */
    private float $mark = 0.0;
    /** @var list<array{string, int, string, string}> kind, number, name, message: not known yet whether they are green */
    private array $pending = [];
    /** @var list<array{string, int, string, string}> what went wrong before the first test */
    private array $early = [];
    /** @var array<string, array> "Class::method" => its empty suite, the suite of the class, groups */
    private array $gaps = [];
    private bool $red = false;
    private array $files = [];

    public function trace(Event $event): void
    {
        $class = \get_class($event);
        $kind = self::ISSUES[$class] ?? null;
        $do = $kind !== null ? 'issue' : (self::HEARD[$class] ?? null);
        if ($do === null || \getmypid() !== Probe::$owner) {
            return;
        }
        try {
            $this->{$do}($event, $kind);
        } catch (\Throwable $t) {
            Suite::refuse("{$t->getMessage()} ({$t->getFile()}:{$t->getLine()}, at {$class})");
        }
    }

    /** The bootstrap has been run and the suite is about to be built. */
    private function sealed(): void
    {
        Late::arm(InvalidDataProviderException::class);
        if (isset(Stage::$setup['whole'])) {
            Traces::begin(true);
        }
    }

    private function begin(TestRunner\ExecutionStarted $event): void
    {
        Late::disarm();
        $suite = Inside::suite() ?? Suite::refuse('the suite is not where it is expected');
        $this->placeGaps($suite);
        $tree = $this->tree = new Tree($suite, [Inside::class, 'isOneTest']);
        $tree->tellOfOthers();
        $built = \array_combine(\array_map([Channel::class, 'method'], \array_keys(Probe::$built)), Probe::$built);
        Probe::$building = false;
        Probe::take();
        if (Late::wanted()) {
            $this->comeLate($suite);
            Stage::serve(2);
        } elseif (isset(Stage::$setup['whole'])) {
            $unsure = Sequence::built();
            $this->prepare();
            $complaints = Loader::complaints(Stage::$setup['whole']['classes']);
            Stage::$channel->send(['whole', \get_included_files(), $tree->named([self::class, 'nameOf']), $complaints, $this->unfit(), $unsure]);
            Traces::lookForState();
            Stage::serve(3);
        } elseif (Stage::$order === null || Stage::$order['op'] === 'describe') {
            $this->prepare();
            Stage::$channel->send(['stage', 1, \get_included_files(), $this->describe($tree), $built,
                Inside::fatalKinds(self::ISSUES), Version::id(), Loader::wrapped(), $this->unfit()]);
            Stage::serve(1);
        }
        $order = Stage::$order;
        $this->running = true;
        if ($order['mode'] === 'sequence') {
            $this->sequence($order, $event);
        }
        $this->byName = !empty($order['by_name']);
        self::$mode = $order['mode'];
        if (Late::wanted()) {
            $wanted = $this->late($order['tests']);
        } else {
            $wanted = $order['tests'] ?? \array_keys($tree->cases);
            $wanted = $this->byName ? $tree->find($order, [self::class, 'nameOf'], static fn (): bool => false) : $wanted;
        }
        foreach ($wanted as $i) {
            $this->numbers[self::nameOf($tree->cases[$i])][] = $i;
        }
        foreach ($this->early as $row) {
            $this->fatal(...$row);
        }
        if ($this->red && self::$mode === 'judge') {
            $wanted = [];
        } elseif ($order['tests'] === null && !Late::wanted()) {
            $tree->chooseAll();

            return;
        }
        $tree->choose($wanted);
    }

    /** The tests that cannot be run again and again in one process. */
    private function unfit(): array
    {
        $unfit = Sequence::unfit($this->tree->cases, [Inside::class, 'dataOf'],
            static fn (TestCase $test): bool => Inside::isIsolated($test));
        foreach (\array_keys($this->tree->cases) as $i) {
            if ($this->tree->isRepeated($i)) {
                $unfit[] = $i;
            }
        }

        return $unfit;
    }

    /** Runs the tests of several mutants and ends. */
    private function sequence(array $order, TestRunner\ExecutionStarted $event): void
    {
        if (!Inside::canRunAgain() || $this->early !== []) {
            Sequence::end();
        }
        self::$mode = 'judge';
        Inside::begun($event);
        $state = Inside::state();
        Sequence::run($order, $this->tree, true, function (array $tests): void {
            $classes = [];
            foreach ($tests as $i) {
                $classes[\get_class($this->tree->cases[$i])] = true;
            }
            \array_map([Inside::class, 'beforeClass'], \array_keys($classes));
        }, function (array $tests, bool $first) use ($state, $order): bool {
            if ($first) {
                Inside::restore($state);
                [$this->red, $this->pending] = [false, []];
            }
            [$this->open, $this->numbers] = [null, []];
            foreach ($tests as $i) {
                $this->numbers[self::nameOf($this->tree->cases[$i])][] = $i;
            }
            $ids = [];
            $this->tree->copyOf($tests, $ids, static function (\PHPUnit\Framework\TestSuite $suite) use ($order): void {
                Inside::unfilter($suite);
                if (empty($order['swap'])) {
                    Inside::withoutFixtures($suite);
                }
            })->run();
            $this->close();
            $this->settle(true);

            return !$this->red;
        }, function () use ($state): void {
            Inside::restore($state);
            $this->pending = [];
        }, function (string $method): ?array {
            [$class, $function] = \explode('::', $method);
            [$this->running, $this->pending, $this->early] = [false, [], []];
            try {
                $tests = Inside::made($class, $function, Inside::suiteOf($class, Inside::suite()) ?? throw new \LogicException("no suite of {$class}"), []);
            } finally {
                $this->running = true;
            }

            return $this->pending === [] && $this->early === [] ? $this->tree->freshOnes($method, $tests, [self::class, 'nameOf'], [Inside::class, 'dataOf']) : null;
        });
    }

    /** Loads and reads once what every child needs. */
    private function prepare(): void
    {
        Loader::preload(Stage::$setup['preload'] ?? []);
        \array_map([Inside::class, 'warm'], $this->tree->cases);
        Inside::rehearse();
    }

    /**
     * Puts the gaps that were heard of too late for it into the suite now, in
     * the order that the whole suite has: others may depend on their tests.
     */
    private function placeGaps(\PHPUnit\Framework\TestSuite $top): void
    {
        $rank = [];
        foreach (Stage::$setup['late']['ids'] ?? [] as $i => $id) {
            $rank[\explode('#', $id, 2)[0]] ??= $i;
        }
        foreach ($this->gaps as $name => [$gap, $class, $method]) {
            $suite = $gap === null ? Inside::suiteOf($class, $top) : null;
            if ($suite === null || $suite->tests() === []) {
                continue; // PHPUnit has complained of a class without tests
            }
            $this->gaps[$name] = [Inside::gap($class, $method, $suite), $suite, []];
            $tests = $suite->tests();
            $of = static fn (\PHPUnit\Framework\Test $test): int =>
                $rank[$test instanceof TestCase ? \get_class($test) . '::' . $test->name() : $test->name()] ?? 0;
            \usort($tests, static fn ($a, $b): int => $of($a) - $of($b));
            $suite->setTests($tests);
        }
    }

    /** Says whether the suite without one file is what was asked for, and ends if it is not. */
    private function comeLate(\PHPUnit\Framework\TestSuite $suite): void
    {
        $gaps = [];
        foreach (\array_filter(\array_column($this->gaps, 0)) as $gap) {
            $gaps[\spl_object_id($gap->tests()[0])] = true;
        }
        $isGap = static fn (TestCase $test): bool => isset($gaps[\spl_object_id($test)]);
        $fault = Late::fault() ?? $this->tree->renumber(Stage::$setup['late']['ids'], [self::class, 'nameOf'], $isGap)
            ?? ($this->early !== [] || !Inside::forgive() ? 'something else could not be built' : null)
            ?? (Inside::isFiltered($suite) ? 'it is filtered' : null);
        if ($fault === null) {
            $this->prepare();
        }
        Stage::$channel->send(['late', $fault === null, $fault ?? '']);
        if ($fault !== null) {
            \posix_kill(\getmypid(), \SIGKILL);
        }
    }

    /** The tests of an order in a suite with gaps: those that it needs are built now. */
    private function late(?array $wanted): array
    {
        return $this->tree->fill($wanted ?? \array_keys(Stage::$setup['late']['ids']),
            function (string $class, string $method): void {
                [$gap, $suite, $groups] = $this->gaps["{$class}::{$method}"];
                try {
                    Inside::fill($class, $method, $gap, $suite, $groups);
                } catch (\Throwable $t) {
                    $gap->setTests([]); // PHPUnit would have come no further
                    $this->fatal('error', -1, "{$class}::{$method}", \get_class($t) . ': ' . $t->getMessage());
                }
            }, [self::class, 'nameOf']);
    }

    /** One row a test: id, class, method, methods it depends on, file, objects that others get as well. */
    private function describe(Tree $tree): array
    {
        $rows = [];
        $shared = $tree->sharedData([Inside::class, 'dataOf']);
        foreach ($tree->cases as $i => $test) {
            $depends = [];
            foreach ($test->requires() as $required) {
                if ($required->isValid()) {
                    $depends[] = Channel::method($required->getTarget());
                }
            }
            $rows[] = [self::nameOf($test), Channel::text(\get_class($test)), Channel::text($test->name()), $depends, (new \ReflectionClass($test))->getFileName(), $shared[$i] ?? [],
                Tree::textOf($test->usesDataProvider() ? [$test->dataName(), $test->providedData()] : [])];
        }

        return $rows;
    }

    /** The name of a test, the same in every version: "Class::method", "Class::method#data set". */
    public static function nameOf(TestCase $test): string
    {
        $name = Channel::method(\get_class($test) . '::' . $test->name());

        return $test->usesDataProvider() ? $name . '#' . Channel::text((string) $test->dataName()) : $name;
    }

    private static function nameIn(Code\Test $test): string
    {
        if (!$test instanceof Code\TestMethod) {
            return $test->file();
        }
        $name = Channel::method($test->className() . '::' . $test->methodName());
        $data = $test->testData();

        return $data->hasDataFromDataProvider() ? $name . '#' . Channel::text((string) $data->dataFromDataProvider()->dataSetName()) : $name;
    }

    private function numberOf(string $name): int
    {
        return $this->numbers[$name][0] ?? -1;
    }

    private function isolated(): void
    {
        $test = Inside::testCase();
        if ($test !== null) {
            $this->start(self::nameOf($test));
        }
    }

    private function started(Test\PreparationStarted $event): void
    {
        $name = self::nameIn($event->test());
        if ($this->open !== $name) {
            $this->start($name, Inside::isForwarded());
        }
    }

    /** @param bool $over it has been run already, in another process */
    private function start(string $name, bool $over = false): void
    {
        $this->close();
        $numbers = $this->numbers[$name] ?? [-1];
        $this->number = $numbers[0];
        if (\count($numbers) > 1) {
            \array_shift($this->numbers[$name]);
        }
        $this->open = $name;
        $before = self::$mode === 'survey' && !$over ? \array_keys(Probe::take()) : [];
        if (isset(Stage::$order['long'])) {
            Stage::$channel->begun($this->number, $this->byName ? $name : '', Stage::$order['long']);
        } else {
            Stage::$channel->send(['start', $this->number, $before, $this->byName ? $name : '']);
        }
        Loader::watch($this->number, true);
        Probe::begin($this->number);
        $this->started = $over && $this->mark > 0 ? $this->mark : \microtime(true);
    }

    private function finished(): void
    {
        $this->close();
    }

    /** Ends the open test; a test that does not get through setUp() has no end of its own. */
    private function close(): void
    {
        if ($this->open !== null) {
            $time = (int) (1e6 * (\microtime(true) - $this->started));
            Probe::end();
            Loader::watch($this->number, false);
            $row = ['end', $this->number, $time];
            if (self::$mode === 'survey') {
                $row[] = Probe::take();
                $row[] = \array_merge(\array_values(\array_diff(\get_included_files(), $this->files)), \array_keys(Probe::$files));
                $this->files = \get_included_files();
                Probe::$files = [];
            }
            if (isset(Stage::$order['long'])) {
                Stage::$channel->ended($time);
            } else {
                Stage::$channel->send($row);
            }
            $this->open = null;
        }
        $this->settle(false);
        $this->mark = \microtime(true);
    }

    private function between(): void
    {
        $this->close();
    }

    /** Whether the moment before the first test never came. */
    public function sawNothing(): bool
    {
        return !isset($this->tree);
    }

    private function end(): void
    {
        $this->close();
        $this->settle(true);
    }

    private function failed(Test\Failed $event): void
    {
        $this->failure('failure', $event);
    }

    private function errored(Test\Errored $event): void
    {
        $this->failure('error', $event);
    }

    private function failure(string $kind, Event $event): void
    {
        $name = self::nameIn($event->test());
        $this->fatal($kind, $this->open === $name ? $this->number : $this->numberOf($name), $name,
            $event->throwable()->className() . ': ' . $event->throwable()->message());
    }

    /** A method that belongs to a whole class failed. */
    private function classErrored(Event $event): void
    {
        $method = $event->calledMethod();
        $this->fatal('error', -1, Channel::method($method->className() . '::' . $method->methodName()),
            $event->throwable()->className() . ': ' . $event->throwable()->message());
    }

    /** PHPUnit could not make or run the test: most often its data provider is at fault. */
    private function broken(Test\PhpunitErrorTriggered $event): void
    {
        $name = self::nameIn($event->test());
        $row = ['error', $this->numberOf($name), $name, \str_replace("\n", ' ', $event->message())];
        if ($this->running) {
            $this->fatal(...$row);

            return;
        }
        if (!isset(Late::$gaps[$name])) {
            $this->early[] = $row;

            return;
        }
        [$class, $method] = [$event->test()->className(), $event->test()->methodName()];
        [$suite, $groups] = Inside::unmade() ?? [null, []];
        $this->gaps[$name] = $suite === null ? [null, $class, $method] : [Inside::gap($class, $method, $suite), $suite, $groups];
    }

    private function fatal(string $kind, int $number, string $name, string $message): void
    {
        $this->red = true;
        $this->send($kind, $number, $name, $message, true);
        if (self::$mode === 'judge') {
            Inside::stop();
        }
    }

    private function issue(Event $event, string $kind): void
    {
        $name = \method_exists($event, 'test') ? self::nameIn($event->test()) : '';
        if ($event instanceof Test\Skipped && $this->open !== $name) {
            $this->start($name); // it depends on a test that failed, and is not begun
        }
        $message = \method_exists($event, 'message') ? $event->message() : '';
        if (\method_exists($event, 'throwable')) {
            $message = $event->throwable()->message();
        }
        $this->pending[] = [$kind, $this->open === $name ? $this->number : $this->numberOf($name), $name, $message];
    }

    /**
     * Finds out whether what happened makes the suite red. Before the first
     * test the status says that none was run, which is true and no issue.
     */
    private function settle(bool $last): void
    {
        if ($this->pending === [] || !$this->running || (!$last && !Inside::anyTestRun())) {
            return;
        }
        $rows = $this->pending;
        $this->pending = [];
        $guilty = [];
        if (Inside::exitStatus() !== 0) {
            $guilty = \array_filter($rows, static fn (array $row) => $row[0] === 'error' || Inside::fails($row[0]));
            if ($guilty === [] && !$this->red) {
                $guilty = $rows;
            }
        }
        foreach ($rows as $i => $row) {
            if (isset($guilty[$i])) {
                $this->fatal(...$row);
            } else {
                $this->send($row[0], $row[1], $row[2], $row[3], false);
            }
        }
    }

    private function send(string $kind, int $number, string $name, string $message, bool $fatal): void
    {
        $line = \strtok($message, "\n");
        Stage::$channel->send(['event', $number, $kind, $fatal, \substr($line === false ? '' : $line, 0, 400), $name]);
    }

    /** PHPUnit has done all it does; its exit status is known. */
    private function done(Application\Finished $event): void
    {
        if (!$this->running) {
            return;
        }
        if (!Inside::canLoad()) {
            exit(255); // PHPUnit's printers, which we leave out, would not have come so far
        }
        self::tail();
        Stage::tellUsed();
        Stage::$channel->send(['done', 0, 0, 0, self::$mode === 'survey' ? Loader::ownClasses() : [], \memory_get_peak_usage()]);
        if ($this->red || $event->shellExitCode() === 0) {
            Ending::mayBeShort();
        }
    }

    /** Points that no test passed: fixtures of classes, destructors, shutdown functions. */
    public static function tail(): void
    {
        $points = self::$mode === 'survey' ? \array_keys(Probe::take()) : [];
        if ($points !== []) {
            Stage::$channel->send(['tail', $points]);
        }
    }
}
