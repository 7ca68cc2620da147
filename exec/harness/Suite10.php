<?php

declare(strict_types=1);

// The adapter for PHPUnit 10 and later: a tracer of its events. What is touched
// beyond them stands in PHPUnit10Internals.php.

namespace PHPUnit\AssayHarness;

use PHPUnit\Event\Application;
use PHPUnit\Event\Code;
use PHPUnit\Event\Event;
use PHPUnit\Event\Facade;
use PHPUnit\Event\Test;
use PHPUnit\Event\TestRunner;
use PHPUnit\Event\TestSuite;
use PHPUnit\Event\Tracer\Tracer;
use PHPUnit\Framework\TestCase;
use PHPUnit\Runner\Version;

require __DIR__ . '/PHPUnit10Internals.php';

// Before the reporter and slots are declared, which need what may be missing.
if (PHPUnit10Internals::missing() !== null) {
    Suite::refuse('it has no ' . PHPUnit10Internals::missing());
}
require __DIR__ . '/Slot.php';
require __DIR__ . '/Outcomes10.php';

final class Suite
{
    private static ?Reporter $reporter = null;
    private static array $argv = [];

    /** Prepares for PHPUnit to be started. */
    public static function prepare(array $setup): void
    {
        Probe::$building = ($setup['records'] ?? '') === 'probed';
        Probe::provides('*');
        $argv = self::$argv = PHPUnit10Internals::arguments($setup['argv']);
        $_SERVER['argv'] = $GLOBALS['argv'] = $argv;
        $_SERVER['argc'] = $GLOBALS['argc'] = \count($argv);
        $_SERVER['SCRIPT_NAME'] = $_SERVER['SCRIPT_FILENAME'] = $_SERVER['PHP_SELF'] = $_SERVER['PATH_TRANSLATED'] = $setup['phpunit'];
        self::$reporter = new Reporter();
        Facade::instance()->registerTracer(self::$reporter);
    }

    /** What main.php calls. */
    public static function main(): \Closure
    {
        return static function (): void {
            self::end((new \PHPUnit\TextUI\Application())->run(self::$argv));
        };
    }

    /** @return never */
    public static function end(int $status): void
    {
        if ($status === 0 && self::$reporter->sawNothing()) {
            self::refuse('its run does not say when it begins');
        }
        exit($status);
    }

    /** Runs a copy of a test; tells whether it is green. $first: it is the first for its mutant. */
    public static function runCopy(TestCase $copy, int $number, bool $first): bool
    {
        return self::$reporter->runCopy($copy, $number, $first);
    }

    /** PHPUnit lets go of a test once it has been run, so that nothing is held until the end. */
    public static function heldBy(TestCase $test): string
    {
        return '';
    }

    /** @return never */
    public static function refuse(string $why): void
    {
        Process::$channel->send(['unfit', 'PHPUnit ' . Version::id() . " cannot be hooked: {$why}. PHPUnit 9.6 to 13 can; name one with --phpunit, or try a newer assay."]);
        \posix_kill(\getmypid(), \SIGKILL);
        exit(70);
    }
}

/**
 * Waits for the moment before the first test, has the player told of each, and tells
 * the supervisor what PHPUnit's events say.
 * What may make the suite red is for Outcomes10.
 */
final class Reporter implements Tracer
{
    private const HEARD = [
        TestRunner\ExecutionStarted::class => 'begin',
        TestRunner\ExecutionFinished::class => 'end',
        Application\Finished::class => 'done',
        TestSuite\Started::class => 'suiteStarted',
        TestSuite\Finished::class => 'close',
        TestRunner\ChildProcessStarted::class => 'isolated',
        Test\PreparationStarted::class => 'started',
        Test\Finished::class => 'finished',
        Test\DataProviderMethodCalled::class => 'provides',
        Test\DataProviderMethodFinished::class => 'provided',
    ];

    /** @var array<string, list<int>> name => numbers: a test may stand in several suites */
    private array $numbers = [];
    private int $numbered = 0;
    private bool $running = false;
    private bool $begun = false;
    /** @var string|null the test that was started and has not ended */
    private ?string $open = null;
    private int $number = -1;
    private float $started = 0.0;
    /** When the last thing happened in this process. */
    private float $mark = 0.0;
    private int $assertions = 0;
    /** What PHPUnit knew when batches began. */
    private ?array $state = null;
    private Outcomes10 $outcomes;

    public function __construct()
    {
        $this->outcomes = new Outcomes10($this);
    }

    public function trace(Event $event): void
    {
        $class = \get_class($event);
        $do = self::HEARD[$class] ?? null;
        if ($do === null && !Outcomes10::hears($class) || \getmypid() !== Probe::$owner) {
            return;
        }
        try {
            if ($do === null) {
                $this->outcomes->hear($event, $class);
            } else {
                $this->{$do}($event);
            }
        } catch (\Throwable $t) {
            Suite::refuse("{$t->getMessage()} ({$t->getFile()}:{$t->getLine()}, at {$class})");
        }
    }

    /** The suite has been built, and is about to be run. */
    private function begin(): void
    {
        $top = PHPUnit10Internals::suite() ?? Suite::refuse('the suite is not where it is expected');
        $this->begun = true;
        $this->lay($top);
        $this->addRoots();
        $this->running = true;
        $this->outcomes->begin();
        Player::built(function (): array {
            return $this->describe();
        }, PHPUnit10Internals::fatalKinds(Outcomes10::ISSUES), Version::id(), $this->kinds());
    }

    /** Numbers the tests that the filters leave, in the order in which they are run. */
    private function lay(\PHPUnit\Framework\TestSuite $suite): void
    {
        $class = $suite->name();
        $hooks = PHPUnit10Internals::hasFixtures($suite);
        $first = Player::openSuite($class, $hooks);
        foreach ($suite as $test) {
            $case = $test instanceof \PHPUnit\Framework\TestSuite && PHPUnit10Internals::isOneTest($test) ? $test->tests()[0] : $test;
            if ($case instanceof TestCase) {
                $this->numbers[self::nameOf($case)][] = $this->numbered;
                Player::addTest($test, $this->numbered++, \get_class($case), $case);
            } elseif ($test instanceof \PHPUnit\Framework\TestSuite) {
                $this->lay($test);
            } elseif (Player::isPhpt($test)) {
                $this->numbers[Player::phptName($test->toString())][] = $this->numbered;
                Player::addPhpt($test, $this->numbered++);
            } else {
                Player::addOther(\method_exists($test, 'toString') ? $test->toString() : \get_class($test));
            }
        }
        Player::closeSuite($suite, $first, $class, $hooks);
    }

    /** What tests may leave in objects of PHPUnit's: state like any other. */
    private function addRoots(): void
    {
        $cases = Player::cases();
        $wanted = [];
        foreach ($cases as $test) {
            foreach ($test->requires() as $required) {
                $wanted[$required->getTarget()] = true;
            }
        }
        if ($wanted !== []) {
            StateSnapshot::addRoot('results of tests', static fn (): array => PHPUnit10Internals::results($wanted));
        }
        foreach (TestCloner::sharedObjects($cases, [PHPUnit10Internals::class, 'dataOf']) as $root => $objects) {
            StateSnapshot::addObjects($root, $objects);
        }
    }

    /** @return array<int, int> number => how it is copied, of tests of which copies can be run alone */
    private function kinds(): array
    {
        if (Process::$job !== null || isset(Process::$setup['records']) || !PHPUnit10Internals::canRunAgain()) {
            return [];
        }
        $cases = Player::cases();
        $linked = [];
        foreach ($cases as $test) {
            foreach ($test->requires() as $required) {
                $linked[\explode('::', $required->getTarget())[0]] = true;
            }
        }
        $kinds = TestCloner::kinds($cases, [PHPUnit10Internals::class, 'dataOf']);
        foreach ($kinds as $number => $kind) {
            $test = $cases[$number];
            if (isset($linked[\get_class($test)]) || $test->requires() !== [] || PHPUnit10Internals::isIsolated($test) || Player::isSeveral($number)
                || \count($this->numbers[self::nameOf($test)]) > 1) {
                unset($kinds[$number]);
            }
        }

        return $kinds;
    }

    /** A suite is about to run its tests: the player is to be told of each. */
    private function suiteStarted(): void
    {
        if ($this->begun && !Batch::$running) {
            $suite = PHPUnit10Internals::startedSuite();
            if ($suite !== null) {
                Slot::putAround($suite);
            }
        }
    }

    public function runCopy(TestCase $copy, int $number, bool $first): bool
    {
        if ($this->state === null) {
            $this->state = PHPUnit10Internals::state();
        }
        if ($first || $this->outcomes->isRed()) {
            PHPUnit10Internals::restore($this->state);
            $this->outcomes->forget();
        }
        $this->open = null;
        $this->numbers = [self::nameOf($copy) => [$number]];
        $copy->run();
        $this->close();
        $this->outcomes->settle(true);

        return !$this->outcomes->isRed();
    }

    /** One row a test: id, class, method, methods it depends on, file, what its data say, their digest; of a replay ID and digest alone. */
    private function describe(): array
    {
        $rows = $all = [];
        foreach (Player::cases() as $number => $test) {
            $data = $test->usesDataProvider() ? [$test->dataName(), $test->providedData()] : [];
            if ($data !== []) {
                $all[$number] = $data;
            }
            $rows[$number] = [self::nameOf($test), ...(Process::$job === null ? PHPUnit10Internals::detailsOf($test, $data) : ['', '', [], '', '']), ''];
        }

        return Player::described($rows, $all);
    }

    /** The name of a test, the same in every version: "Class::method", "Class::method#data set". */
    public static function nameOf(TestCase $test): string
    {
        $name = Channel::method(\get_class($test) . '::' . $test->name());

        return $test->usesDataProvider() ? $name . '#' . Channel::text((string) $test->dataName()) : $name;
    }

    public static function nameIn(Code\Test $test): string
    {
        if (!$test instanceof Code\TestMethod) {
            return Player::phptName($test->file());
        }
        $name = Channel::method($test->className() . '::' . $test->methodName());
        $data = $test->testData();

        return $data->hasDataFromDataProvider() ? $name . '#' . Channel::text((string) $data->dataFromDataProvider()->dataSetName()) : $name;
    }

    /** The number of a test: of those that have its name that which runs now, else the next. -1: of none. */
    public function numberOf(string $name): int
    {
        return $this->open === $name ? $this->number : ($this->numbers[$name][0] ?? -1);
    }

    public function isOpen(string $name): bool
    {
        return $this->open === $name;
    }

    private function isolated(): void
    {
        $test = PHPUnit10Internals::testCase();
        if ($test !== null) {
            $this->start(self::nameOf($test));
        }
    }

    private function started(Test\PreparationStarted $event): void
    {
        $name = self::nameIn($event->test());
        if ($this->open !== $name) {
            $this->start($name, PHPUnit10Internals::isForwarded());
        }
    }

    /** @param bool $over it has been run already, in another process */
    public function start(string $name, bool $over = false): void
    {
        $this->close();
        $numbers = $this->numbers[$name] ?? [-1];
        $this->number = $numbers[0];
        if (\count($numbers) > 1) {
            \array_shift($this->numbers[$name]);
        }
        $this->open = $name;
        if (isset(Process::$job['long'])) {
            Process::$channel->begun($this->number, $name, Process::$job['long']);
        } else {
            Process::$channel->send(['start', $this->number, $name]);
        }
        $this->assertions = 0;
        Probe::begin($this->number);
        $this->started = $over && $this->mark > 0 ? $this->mark : \microtime(true);
    }

    private function finished(Test\Finished $event): void
    {
        $this->assertions = $event->numberOfAssertionsPerformed();
        $this->close();
    }

    /** Ends the open test; a test that does not get through setUp() has no end of its own. */
    private function close(): void
    {
        if ($this->open !== null) {
            $time = (int) (1e6 * (\microtime(true) - $this->started));
            Probe::end();
            if (isset(Process::$job['long'])) {
                Process::$channel->ended($time);
            } else {
                Process::$channel->send(['end', $this->number, $time, $this->assertions]);
            }
            $this->open = null;
        }
        $this->outcomes->settle(false);
        $this->mark = \microtime(true);
    }

    /** Whether the moment before the first test never came. */
    public function sawNothing(): bool
    {
        return !$this->begun;
    }

    private function end(): void
    {
        $this->close();
        $this->outcomes->settle(true);
        Player::finished();
    }

    private function provides(Test\DataProviderMethodCalled $event): void
    {
        Probe::provides($event->testMethod()->className() . '::' . $event->testMethod()->methodName());
    }

    private function provided(): void
    {
        Probe::provides('*');
    }

    /** PHPUnit has done all it does; its exit status is known. */
    private function done(Application\Finished $event): void
    {
        if (!$this->running) {
            return;
        }
        if (!PHPUnit10Internals::canLoad()) {
            exit(255); // PHPUnit's printers, which we leave out, would not have come so far
        }
        Process::$channel->send(['done', \memory_get_peak_usage(), Process::memoryLimit(), isset(Process::$setup['records']) ? Loader::ownClasses() : [], Loader::declared()]);
    }
}
