<?php

declare(strict_types=1);

// The adapter for PHPUnit 9.6 (seen in 9.6.7). What is touched of PHPUnit: TextUI\Command
// (handleArguments, $arguments), TextUI\ResultPrinter, Framework\TestSuite (its iterator),
// Framework\TestListener, ErrorTestCase, Util\Test (getHookMethods, process isolation); by
// reflection TestSuite::$iteratorFilter, $testCase, TestResult::$listeners.

namespace PHPUnit\AssayHarness;

use PHPUnit\Framework\AssertionFailedError;
use PHPUnit\Framework\ErrorTestCase;
use PHPUnit\Framework\Test;
use PHPUnit\Framework\TestCase;
use PHPUnit\Framework\TestListener;
use PHPUnit\Framework\TestResult;
use PHPUnit\Framework\TestSuite;
use PHPUnit\Framework\Warning;
use PHPUnit\TextUI\ResultPrinter;
use PHPUnit\Util\Test as TestUtil;

require __DIR__ . '/Command9.php';

final class Suite
{
    public static ?self $instance = null;
    private TestSuite $top;
    private TestResult $result;
    private ?TestResult $copied = null;
    private int $numbered = 0;

    /** Prepares for PHPUnit to be started. */
    public static function prepare(array $setup): void
    {
        Probe::$building = ($setup['records'] ?? '') === 'probed';
        $argv = $setup['argv'];
        \array_splice($argv, 1, 0, ['--do-not-cache-result', '--random-order-seed=1']);
        $_SERVER['argv'] = $GLOBALS['argv'] = $argv;
        $_SERVER['argc'] = $GLOBALS['argc'] = \count($argv);
        $_SERVER['SCRIPT_NAME'] = $_SERVER['SCRIPT_FILENAME'] = $_SERVER['PHP_SELF'] = $_SERVER['PATH_TRANSLATED'] = $setup['phpunit'];
    }

    /** What main.php calls: PHPUnit's own way in, so that stack traces end in its classes. */
    public static function main(): \Closure
    {
        return \Closure::fromCallable([HookedCommand::class, 'main']);
    }

    /** Runs a copy of a test; tells whether it is green. $first: it is the first for its mutant. */
    public static function runCopy(TestCase $copy, int $number, bool $first): bool
    {
        return self::$instance->run($copy, $number, $first);
    }

    /** What a test that has been run still holds: see HeldObjects. */
    public static function heldBy(TestCase $test): string
    {
        return HeldObjects::digestOf($test);
    }

    /** The suite is about to be run. */
    public function __construct(TestSuite $top, TestResult $result)
    {
        self::$instance = $this;
        $this->top = $top;
        $this->result = $result;
        $this->lay($top);
        $this->addRoots($result);
        Player::built(function (): array {
            return $this->describe();
        }, Reporter::$fatal, \PHPUnit\Runner\Version::id(), $this->kinds());
    }

    public function isTop(TestSuite $suite): bool
    {
        return $suite === $this->top;
    }

    /** Numbers the tests that the filters leave, in the order in which they are run. */
    private function lay(TestSuite $suite): void
    {
        $class = $suite->getName();
        $hooks = self::hasFixtures($suite);
        $first = Player::openSuite($class, $hooks);
        foreach ($suite as $test) {
            if ($test instanceof TestSuite) {
                $this->lay($test);
            } elseif ($test instanceof TestCase) {
                Reporter::$numbers[\spl_object_id($test)] = $this->numbered;
                Player::addTest($test, $this->numbered++, \get_class($test), $test);
            } elseif (Player::isPhpt($test)) {
                Reporter::$numbers[\spl_object_id($test)] = $this->numbered;
                Player::addPhpt($test, $this->numbered++);
            } else {
                Player::addOther(\method_exists($test, 'toString') ? $test->toString() : \get_class($test));
            }
        }
        Player::closeSuite($suite, $first, $class, $hooks);
    }

    /** Whether something of the user's is run before the first or after the last test of a suite. */
    private static function hasFixtures(TestSuite $suite): bool
    {
        $isClass = new \ReflectionProperty(TestSuite::class, 'testCase');
        $isClass->setAccessible(true);
        if (!$isClass->getValue($suite) || !\class_exists($suite->getName(), false)) {
            return false;
        }
        $hooks = TestUtil::getHookMethods($suite->getName());
        foreach (\array_merge($hooks['beforeClass'], $hooks['afterClass']) as $method) {
            if (\method_exists($suite->getName(), $method) && (new \ReflectionMethod($suite->getName(), $method))->class !== TestCase::class) {
                return true;
            }
        }

        return false;
    }

    /** What tests may leave in objects of PHPUnit's: state like any other. */
    private function addRoots(TestResult $result): void
    {
        $listeners = new \ReflectionProperty(TestResult::class, 'listeners');
        $listeners->setAccessible(true);
        $others = \array_values(\array_filter($listeners->getValue($result), static function ($l): bool {
            return !$l instanceof Reporter;
        }));
        if ($others !== []) {
            StateSnapshot::addRoot('listeners of tests', static function () use ($others): array {
                return $others;
            });
        }
        $wanted = self::wantedIn(Player::cases());
        if ($wanted !== []) {
            StateSnapshot::addRoot('results of tests', static function () use ($result, $wanted): array {
                $results = [];
                foreach ($result->passed() as $name => $passed) {
                    if (isset($wanted[\explode(' with data set', $name)[0]])) {
                        $results[$name] = [$passed['result']];
                    }
                }
                foreach ($result->passedClasses() as $class) {
                    if (isset($wanted["{$class}::class"])) {
                        $results[$class] = true;
                    }
                }

                return $results;
            });
        }
        foreach (TestCloner::sharedObjects(Player::cases(), [self::class, 'dataOf']) as $root => $objects) {
            StateSnapshot::addObjects($root, $objects);
        }
    }

    /**
     * The tests and classes whose results others ask for.
     *
     * @param array<int, TestCase> $cases
     * @return array<string, true>
     */
    private static function wantedIn(array $cases): array
    {
        $wanted = [];
        foreach ($cases as $test) {
            foreach ($test->requires() as $required) {
                $wanted[$required->getTarget()] = true;
            }
        }

        return $wanted;
    }

    /** @return array<int, int> number => how it is copied, of tests of which copies can be run alone */
    private function kinds(): array
    {
        if (Process::$job !== null || isset(Process::$setup['records'])) {
            return [];
        }
        $cases = Player::cases();
        $linked = [];
        foreach ($cases as $test) {
            foreach ($test->requires() as $required) {
                $linked[\explode('::', $required->getTarget())[0]] = true;
            }
        }
        $kinds = TestCloner::kinds($cases, [self::class, 'dataOf']);
        foreach ($kinds as $number => $kind) {
            $test = $cases[$number];
            if (isset($linked[\get_class($test)]) || $test->requires() !== [] || $this->isIsolated($test) || $test instanceof ErrorTestCase) {
                unset($kinds[$number]);
            }
        }

        return $kinds;
    }

    private function isIsolated(TestCase $test): bool
    {
        $isolated = new \ReflectionProperty(TestSuite::class, 'runTestInSeparateProcess');
        $isolated->setAccessible(true);

        return $isolated->getValue($this->top) || TestUtil::getProcessIsolationSettings(\get_class($test), $test->getName(false))
            || TestUtil::getClassProcessIsolationSettings(\get_class($test), $test->getName(false));
    }

    private function run(TestCase $copy, int $number, bool $first): bool
    {
        if ($first || $this->copied === null || $this->copied->shouldStop()) {
            $this->copied = Reporter::$result = clone $this->result;
        }
        Reporter::$numbers = [\spl_object_id($copy) => $number];
        Reporter::$red = false;
        foreach (['BeStrictAboutChangesToGlobalState', 'BackupGlobals', 'BackupStaticAttributes'] as $name) {
            $property = new \ReflectionProperty(TestSuite::class, \lcfirst($name));
            $property->setAccessible(true);
            $copy->{"set{$name}"}($property->getValue($this->top));
        }
        $copy->run($this->copied);

        return !Reporter::$red;
    }

    /** One row a test: id, class, method, methods it depends on, file, what its data say, their digest; of a replay ID and digest alone. */
    private function describe(): array
    {
        $rows = $all = [];
        foreach (Player::cases() as $number => $test) {
            $data = $test->usesDataProvider() ? [$test->dataName(), $test->getProvidedData()] : [];
            if ($data !== []) {
                $all[$number] = $data;
            }
            $rows[$number] = [self::name($test), ...(Process::$job === null ? self::detailsOf($test, $data) : ['', '', [], '', '']), ''];
        }

        return Player::described($rows, $all);
    }

    /** Class, method, methods it depends on, file, what its data say. */
    private static function detailsOf(TestCase $test, array $data): array
    {
        $depends = [];
        foreach ($test->requires() as $required) {
            if ($required->isValid()) {
                $depends[] = Channel::method($required->getTarget());
            }
        }

        return [Channel::text(\get_class($test)), Channel::text($test->getName(false)), $depends, Channel::path((string) (new \ReflectionClass($test))->getFileName()), TestCloner::textOf($data)];
    }

    public static function dataOf(TestCase $test): array
    {
        return $test->usesDataProvider() ? $test->getProvidedData() : [];
    }

    public static function name(Test $test): string
    {
        if (Player::isPhpt($test)) {
            return Player::phptName($test->toString());
        }
        if (!$test instanceof TestCase) {
            return \get_class($test) . '::' . (\method_exists($test, 'getName') ? $test->getName() : '');
        }
        $name = Channel::method(\get_class($test) . '::' . $test->getName(false));
        if ($test->usesDataProvider()) {
            $name .= '#' . Channel::text((string) $test->dataName());
        }

        return $name;
    }
}

/** Stands where PHPUnit keeps the filter of a suite, and has the player told of each test. */
final class PlayedOrder
{
    private ?object $filter;

    public function __construct(?object $filter)
    {
        $this->filter = $filter;
    }

    public function factory(\Iterator $tests, TestSuite $suite): \Iterator
    {
        return new PlayedTests($this->filter === null ? $tests : $this->filter->factory($tests, $suite), $suite);
    }

    /** Is called when a suite is about to run its tests, and no sooner: its tests are also counted with its iterator. */
    public static function install(TestSuite $suite): void
    {
        $property = new \ReflectionProperty(TestSuite::class, 'iteratorFilter');
        $property->setAccessible(true);
        $filter = $property->getValue($suite);
        if (!$filter instanceof self) {
            $property->setValue($suite, new self($filter));
        }
    }
}

/** The tests of a suite that are to be run, one after the other. */
final class PlayedTests implements \Iterator
{
    private \Iterator $tests;
    private TestSuite $suite;

    public function __construct(\Iterator $tests, TestSuite $suite)
    {
        $this->tests = $tests;
        $this->suite = $suite;
    }

    public function rewind(): void
    {
        $this->tests->rewind();
        $this->seek();
    }

    public function valid(): bool
    {
        return $this->tests->valid();
    }

    #[\ReturnTypeWillChange]
    public function current()
    {
        return $this->tests->current();
    }

    #[\ReturnTypeWillChange]
    public function key()
    {
        return $this->tests->key();
    }

    public function next(): void
    {
        $test = $this->tests->current();
        if ($test instanceof TestCase) {
            Player::$held = HeldObjects::digestOf($test);
        }
        Player::leave($test);
        $this->tests->next();
        $this->seek();
    }

    private function seek(): void
    {
        while ($this->tests->valid() && !Player::enter($this->tests->current())) {
            $this->tests->next();
        }
        if (!$this->tests->valid()) {
            Player::exhausted($this->suite);
        }
    }
}

/** Tells the supervisor what PHPUnit's result says, as it happens. Prints nothing. */
final class Reporter implements ResultPrinter
{
    /** @var array<int, int> object id => number */
    public static array $numbers = [];
    public static array $fatal = [];
    public static ?TestResult $result = null;
    /** Whether something happened that is not green. */
    public static bool $red = false;
    private float $started = 0.0;

    public function write(string $buffer): void
    {
    }

    public function printResult(TestResult $result): void
    {
        Process::$channel->send(['done', \memory_get_peak_usage(), Process::memoryLimit(), isset(Process::$setup['records']) ? Loader::ownClasses() : [], Loader::declared()]);
    }

    public function addError(Test $test, \Throwable $t, float $time): void
    {
        $this->event('error', $test, $t);
    }

    public function addWarning(Test $test, Warning $e, float $time): void
    {
        $this->event('warning', $test, $e);
    }

    public function addFailure(Test $test, AssertionFailedError $e, float $time): void
    {
        $this->event('failure', $test, $e);
    }

    public function addIncompleteTest(Test $test, \Throwable $t, float $time): void
    {
        $this->event('incomplete', $test, $t);
    }

    public function addRiskyTest(Test $test, \Throwable $t, float $time): void
    {
        $this->event('risky', $test, $t);
    }

    public function addSkippedTest(Test $test, \Throwable $t, float $time): void
    {
        $this->event('skipped', $test, $t);
    }

    private function event(string $kind, Test $test, \Throwable $t): void
    {
        self::$red = self::$red || self::$fatal[$kind];
        $message = \strtok($t->getMessage(), "\n");
        Process::$channel->send(['event', $this->number($test), $kind, self::$fatal[$kind],
            \substr(\get_class($t) . ': ' . ($message === false ? '' : $message), 0, 400), Suite::name($test)]);
    }

    public function startTestSuite(TestSuite $suite): void
    {
        if (Batch::$running) {
            return;
        }
        if (Suite::$instance === null) {
            new Suite($suite, self::$result = Reporter::resultOf());
        }
        PlayedOrder::install($suite);
    }

    public function endTestSuite(TestSuite $suite): void
    {
        if (!Batch::$running && Suite::$instance !== null && Suite::$instance->isTop($suite)) {
            Player::finished();
        }
    }

    /** The result that has just told of a suite. */
    private static function resultOf(): TestResult
    {
        foreach (\debug_backtrace(\DEBUG_BACKTRACE_PROVIDE_OBJECT | \DEBUG_BACKTRACE_IGNORE_ARGS, 5) as $frame) {
            if (($frame['object'] ?? null) instanceof TestResult) {
                return $frame['object'];
            }
        }
        throw new \LogicException('PHPUnit tells of suites in another way.');
    }

    public function startTest(Test $test): void
    {
        $number = $this->number($test);
        if (isset(Process::$job['long'])) {
            Process::$channel->begun($number, '', Process::$job['long']);
        } else {
            Process::$channel->send(['start', $number, Suite::name($test)]);
        }
        Probe::begin($number);
        $this->started = \microtime(true);
    }

    public function endTest(Test $test, float $time): void
    {
        $time = (int) (1e6 * (\microtime(true) - $this->started));
        Probe::end();
        if (isset(Process::$job['long'])) {
            Process::$channel->ended($time);

            return;
        }
        Process::$channel->send(['end', $this->number($test), $time, $test instanceof TestCase ? $test->getNumAssertions() : 0]);
    }

    private function number(Test $test): int
    {
        return self::$numbers[\spl_object_id($test)] ?? -1;
    }
}
