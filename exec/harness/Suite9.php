<?php

declare(strict_types=1);

// The adapter for PHPUnit 9.6 (seen in 9.6.7). What is touched of PHPUnit, all of
// it public or protected there: TextUI\Command (handleArguments, handleBootstrap,
// $arguments), TextUI\TestRunner::getTest, TextUI\ResultPrinter,
// Framework\TestSuite (run, tests, setTests, warnings, group details),
// Framework\TestListener, TestResult::stop, ErrorTestCase, TestBuilder::build,
// DataProviderTestSuite::setDependencies, and Util\Test (getDependencies,
// getHookMethods, parseTestMethodAnnotations; the last two as caches only).

namespace AssayHarness;

use PHPUnit\Framework\Assert;
use PHPUnit\Framework\AssertionFailedError;
use PHPUnit\Framework\DataProviderTestSuite;
use PHPUnit\Framework\ErrorTestCase;
use PHPUnit\Framework\Test;
use PHPUnit\Framework\TestBuilder;
use PHPUnit\Framework\TestCase;
use PHPUnit\Framework\TestListener;
use PHPUnit\Framework\TestResult;
use PHPUnit\Framework\TestSuite;
use PHPUnit\Framework\Warning;
use PHPUnit\TextUI\Command;
use PHPUnit\TextUI\ResultPrinter;
use PHPUnit\TextUI\TestRunner;
use PHPUnit\Util\Test as TestUtil;

require __DIR__ . '/Tree.php';
require __DIR__ . '/Sequence.php';

final class Suite
{
    public static function main(array $setup): void
    {
        Probe::$building = (bool) ($setup['probed'] ?? false);
        $argv = $setup['argv'];
        \array_splice($argv, 1, 0, ['--do-not-cache-result', '--random-order-seed=1']);
        $_SERVER['argv'] = $GLOBALS['argv'] = $argv;
        $_SERVER['argc'] = $GLOBALS['argc'] = \count($argv);
        $_SERVER['SCRIPT_NAME'] = $_SERVER['SCRIPT_FILENAME'] = $_SERVER['PHP_SELF'] = $_SERVER['PATH_TRANSLATED'] = $setup['phpunit'];
        self::beforeBuilding();
        HookedCommand::main();
    }

    public static function beforeBuilding(): void
    {
        Late::arm();
        if (isset(Stage::$setup['whole'])) {
            Traces::begin(true);
        }
    }
}

final class HookedCommand extends Command
{
    protected function handleArguments(array $argv): void
    {
        parent::handleArguments($argv);
        Late::disarm();
        $this->arguments['printer'] = new Reporter();
        $configuration = $this->arguments['configurationObject'] ?? null;
        $phpunit = $configuration ? $configuration->phpunit() : null;
        Reporter::$fatal = ['error' => true, 'failure' => true,
            'warning' => $this->fails('failOnWarning', $phpunit),
            'risky' => $this->fails('failOnRisky', $phpunit),
            'incomplete' => $this->fails('failOnIncomplete', $phpunit),
            'skipped' => $this->fails('failOnSkipped', $phpunit),
            'time_limit' => $this->fails('enforceTimeLimit', $phpunit)];
        $suite = $this->arguments['test'];
        if (!$suite instanceof TestSuite) {
            $suite = (new TestRunner($this->arguments['loader']))->getTest($suite, $this->arguments['testSuffixes']);
        }
        $this->arguments['test'] = new ForkingSuite($suite);
    }

    protected function handleBootstrap(string $filename): void
    {
        parent::handleBootstrap($filename);
        Suite::beforeBuilding();
    }

    private function fails(string $key, $phpunit): bool
    {
        return (bool) ($this->arguments[$key] ?? ($phpunit ? $phpunit->{$key}() : false));
    }
}

/** Stands for the whole suite; PHPUnit calls run() when all is ready for the first test. */
final class ForkingSuite extends TestSuite
{
    private Tree $tree;

    public function __construct(TestSuite $suite)
    {
        parent::__construct('', $suite->getName());
        $this->setName($suite->getName());
        $this->setTests($suite->tests());
        $this->setGroupDetails($suite->getGroupDetails());
        foreach ($suite->warnings() as $warning) {
            $this->addWarning($warning);
        }
    }

    public function run(?TestResult $result = null): TestResult
    {
        if (Sequence::$running) {
            return parent::run($result);
        }
        $this->tree = new Tree($this, static fn () => false);
        $this->tree->tellOfOthers();
        if (Late::wanted()) {
            $this->comeLate();
        }
        foreach ($this->tree->cases as $i => $test) {
            Reporter::$numbers[\spl_object_id($test)] = $i;
        }
        $built = \array_combine(\array_map([Channel::class, 'method'], \array_keys(Probe::$built)), Probe::$built);
        Probe::$building = false;
        Probe::take();
        if (Late::wanted()) {
            Stage::serve(2);
        } elseif (isset(Stage::$setup['whole'])) {
            $this->loadAll();
            Stage::serve(3);
        } elseif (Stage::$order === null || Stage::$order['op'] === 'describe') {
            Loader::preload(Stage::$setup['preload'] ?? []);
            $this->warm();
            Stage::$channel->send(['stage', 1, \get_included_files(), $this->describe(), $built, Reporter::$fatal, \PHPUnit\Runner\Version::id(), Loader::wrapped(), $this->unfit()]);
            Stage::serve(1);
        }
        $order = Stage::$order;
        if ($order['mode'] === 'sequence') {
            $this->sequence($order, $result);
        }
        Reporter::$byName = !empty($order['by_name']);
        Reporter::$mode = $order['mode'];
        Reporter::$result = $result;
        if (Late::wanted()) {
            $this->tree->choose($this->late($order['tests']));
        } elseif ($order['tests'] !== null) {
            $this->tree->choose(Reporter::$byName ? $this->tree->find($order, [self::class, 'name'],
                static fn (TestCase $test): bool => $test instanceof ErrorTestCase) : $order['tests']);
        } else {
            $this->tree->chooseAll();
        }

        return parent::run($result);
    }

    /** Says whether the suite without one file is what was asked for, and ends if it is not. */
    private function comeLate(): void
    {
        Loader::preload(Stage::$setup['preload'] ?? []);
        $fault = Late::fault() ?? $this->tree->renumber(Stage::$setup['late']['ids'], [self::class, 'name'],
            static fn (TestCase $test): bool => $test instanceof ErrorTestCase);
        Stage::$channel->send(['late', $fault === null, $fault ?? '']);
        if ($fault !== null) {
            \posix_kill(\getmypid(), \SIGKILL);
        }
        $this->warm();
    }

    /** Loads what the tests will, and tells what there is then. */
    private function loadAll(): void
    {
        $unsure = Sequence::built();
        Loader::preload(Stage::$setup['preload'] ?? []);
        $this->warm();
        $complaints = Loader::complaints(Stage::$setup['whole']['classes']);
        Stage::$channel->send(['whole', \get_included_files(), $this->tree->named([self::class, 'name']), $complaints,
            $this->unfit(), $unsure]);
        Traces::lookForState();
    }

    private function unfit(): array
    {
        return Sequence::unfit($this->tree->cases, [self::class, 'dataOf'],
            static fn (TestCase $test): bool => TestUtil::getProcessIsolationSettings(\get_class($test), $test->getName(false))
                || TestUtil::getClassProcessIsolationSettings(\get_class($test), $test->getName(false)));
    }

    /** Runs the tests of several mutants and ends. */
    private function sequence(array $order, TestResult $result): void
    {
        if ($this->runTestInSeparateProcess) {
            Sequence::end();
        }
        Reporter::$mode = 'judge';
        $listeners = new \ReflectionProperty(TestResult::class, 'listeners');
        $listeners->setAccessible(true);
        $alone = \array_filter($listeners->getValue($result), static fn ($l): bool => !$l instanceof Reporter) === [];
        $isClass = new \ReflectionProperty(TestSuite::class, 'testCase');
        $isClass->setAccessible(true);
        $filter = new \ReflectionProperty(TestSuite::class, 'iteratorFilter');
        $filter->setAccessible(true);
        Sequence::run($order, $this->tree, $alone, function (array $tests): void {
            $this->beforeClasses($tests);
        }, function (array $tests, bool $first) use ($result, $isClass, $filter, $order): bool {
            Reporter::$numbers = [];
            $copy = $this->tree->copyOf($tests, Reporter::$numbers, static function (TestSuite $suite) use ($isClass, $filter, $order): void {
                $filter->setValue($suite, null); // it knows the originals only, and these tests have passed it
                if (empty($order['swap'])) {
                    $isClass->setValue($suite, false); // its fixtures are not made again
                }
            });
            if ($first) {
                Reporter::$result = clone $result;
            }
            $copy->run(Reporter::$result);

            return !Reporter::$result->shouldStop();
        }, static function () use ($result): void {
            Reporter::$result = clone $result;
        }, function (string $method): ?array {
            [$class, $function] = \explode('::', $method);
            $built = (new TestBuilder())->build(new \ReflectionClass($class), $function);
            $tests = $built instanceof TestSuite ? $built->tests() : [$built];

            return $this->tree->freshOnes($method, $tests, [self::class, 'name'], [self::class, 'dataOf']);
        });
    }

    /**
     * Makes the fixtures of classes, once for all mutants: no mutant of a sequence
     * is in what they run. What follows the last test of a class is never run.
     *
     * @param list<int> $tests
     */
    private function beforeClasses(array $tests): void
    {
        $classes = [];
        foreach ($tests as $i) {
            $classes[\get_class($this->tree->cases[$i])] = true;
        }
        foreach (\array_keys($classes) as $class) {
            foreach (TestUtil::getHookMethods($class)['beforeClass'] as $method) {
                if (\method_exists($class, $method)) {
                    $class::{$method}();
                }
            }
        }
    }

    /** The tests of an order in a suite with gaps: those that it needs are built now. */
    private function late(?array $wanted): array
    {
        $all = $this->tree->fill($wanted ?? \array_keys(Stage::$setup['late']['ids']),
            static function (string $class, string $method, TestSuite $suite): void {
                $built = (new TestBuilder())->build(new \ReflectionClass($class), $method);
                $suite->setTests($built instanceof TestSuite ? $built->tests() : [$built]);
                if ($suite instanceof DataProviderTestSuite) {
                    $suite->setDependencies(TestUtil::getDependencies($class, $method));
                }
            }, [self::class, 'name']);
        foreach ($all as $i) {
            Reporter::$numbers[\spl_object_id($this->tree->cases[$i])] = $i;
        }

        return $all;
    }

    /** Fills PHPUnit's caches of what it reads from test classes, once for all children. */
    private function warm(): void
    {
        foreach ($this->tree->cases as $test) {
            TestUtil::getHookMethods(\get_class($test));
            TestUtil::parseTestMethodAnnotations(\get_class($test), $test->getName(false));
        }
        $this->rehearse();
    }

    /**
     * Lets some assertions fail, so that what PHPUnit needs for that is loaded
     * once and not in every child whose test fails.
     */
    private function rehearse(): void
    {
        $failures = [
            static fn () => Assert::assertSame('a', 'b'),
            static fn () => Assert::assertSame([1], [2]),
            static fn () => Assert::assertEquals([1], [2]),
            static fn () => Assert::assertEquals('a', 'b'),
            static fn () => Assert::assertEquals(1.0, 2.0),
            static fn () => Assert::assertTrue(false),
            static fn () => Assert::assertCount(1, []),
            static fn () => Assert::assertInstanceOf(\ArrayObject::class, null),
        ];
        $result = new TestResult();
        foreach ($failures as $failure) {
            try {
                $failure();
            } catch (AssertionFailedError $e) {
                $result->addFailure(new ErrorTestCase(''), $e, 0.0);
            }
        }
        Assert::resetCount();
    }

    /** One row a test: id, class, method, methods it depends on, file, objects that others get as well. */
    private function describe(): array
    {
        $rows = [];
        $shared = $this->tree->sharedData([self::class, 'dataOf']);
        foreach ($this->tree->cases as $i => $test) {
            $depends = [];
            foreach ($test->requires() as $required) {
                if ($required->isValid()) {
                    $depends[] = Channel::method($required->getTarget());
                }
            }
            $rows[] = [self::name($test), Channel::text(\get_class($test)), Channel::text($test->getName(false)), $depends, (new \ReflectionClass($test))->getFileName(), $shared[$i] ?? [],
                Tree::textOf($test->usesDataProvider() ? [$test->dataName(), $test->getProvidedData()] : [])];
        }

        return $rows;
    }

    public static function dataOf(TestCase $test): array
    {
        return $test->usesDataProvider() ? $test->getProvidedData() : [];
    }

    public static function name(Test $test): string
    {
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

/** Tells the keeper what PHPUnit's result says, as it happens. Prints nothing. */
final class Reporter implements ResultPrinter
{
    /** @var array<int, int> object id => number */
    public static array $numbers = [];
    public static array $fatal = [];
    public static string $mode = 'judge';
    /** The suite was built anew: numbers may be others than the keeper's, names are not. */
    public static bool $byName = false;
    public static ?TestResult $result = null;
    private array $files = [];
    private float $started = 0.0;

    public function write(string $buffer): void
    {
    }

    public function printResult(TestResult $result): void
    {
        self::tail();
        Stage::tellUsed();
        Stage::$channel->send(['done', $result->errorCount(), $result->failureCount(), $result->warningCount(),
            self::$mode === 'survey' ? Loader::ownClasses() : [], \memory_get_peak_usage()]);
        Ending::mayBeShort(); // the status is 0, or a fatal event has been told of
    }

    /** Points that no test passed: fixtures of classes, destructors, shutdown functions. */
    public static function tail(): void
    {
        $points = self::$mode === 'survey' ? \array_keys(Probe::take()) : [];
        if ($points !== []) {
            Stage::$channel->send(['tail', $points]);
        }
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
        $message = \strtok($t->getMessage(), "\n");
        Stage::$channel->send(['event', $this->number($test), $kind, self::$fatal[$kind],
            \substr(\get_class($t) . ': ' . ($message === false ? '' : $message), 0, 400), ForkingSuite::name($test)]);
        if (self::$fatal[$kind] && self::$mode === 'judge' && self::$result !== null) {
            self::$result->stop(); // what follows still tears down
        }
    }

    public function startTestSuite(TestSuite $suite): void
    {
    }

    public function endTestSuite(TestSuite $suite): void
    {
    }

    public function startTest(Test $test): void
    {
        $before = self::$mode === 'survey' ? \array_keys(Probe::take()) : [];
        $name = self::$byName ? ForkingSuite::name($test) : '';
        if (isset(Stage::$order['long'])) {
            Stage::$channel->begun($this->number($test), $name, Stage::$order['long']);
        } else {
            Stage::$channel->send(['start', $this->number($test), $before, $name]);
        }
        Loader::watch($this->number($test), true);
        Probe::begin($this->number($test));
        $this->started = \microtime(true);
    }

    public function endTest(Test $test, float $time): void
    {
        $time = (int) (1e6 * (\microtime(true) - $this->started));
        Probe::end();
        Loader::watch($this->number($test), false);
        if (isset(Stage::$order['long'])) {
            Stage::$channel->ended($time);

            return;
        }
        $row = ['end', $this->number($test), $time];
        if (self::$mode === 'survey') {
            $row[] = Probe::take();
            $row[] = \array_merge(\array_values(\array_diff(\get_included_files(), $this->files)), \array_keys(Probe::$files));
            $this->files = \get_included_files();
            Probe::$files = [];
        }
        Stage::$channel->send($row);
    }

    private function number(Test $test): int
    {
        return self::$numbers[\spl_object_id($test)] ?? -1;
    }
}
