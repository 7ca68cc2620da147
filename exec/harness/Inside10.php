<?php

declare(strict_types=1);

namespace AssayHarness;

use PHPUnit\Event\Application\Finished;
use PHPUnit\Event\Code\ComparisonFailureBuilder;
use PHPUnit\Event\Code\ThrowableBuilder;
use PHPUnit\Event\Facade as EventFacade;
use PHPUnit\Event\Test;
use PHPUnit\Event\TestRunner\ExecutionFinished;
use PHPUnit\Event\TestRunner\ExecutionStarted;
use PHPUnit\Event\Tracer\Tracer;
use PHPUnit\Framework\Assert;
use PHPUnit\Framework\DataProviderTestSuite;
use PHPUnit\Framework\TestCase;
use PHPUnit\Framework\TestStatus;
use PHPUnit\Framework\TestSuite;
use PHPUnit\Framework\TestSuiteIterator;
use PHPUnit\Metadata\Api\Dependencies;
use PHPUnit\Metadata\Api\HookMethods;
use PHPUnit\Metadata\Parser\Registry as MetadataRegistry;
use PHPUnit\TestRunner\TestResult\Facade as ResultFacade;
use PHPUnit\TestRunner\TestResult\TestResult;
use PHPUnit\TextUI\Application;
use PHPUnit\TextUI\CliArguments\Builder;
use PHPUnit\TextUI\Configuration\Configuration;
use PHPUnit\TextUI\Configuration\Registry;
use PHPUnit\TextUI\ShellExitCodeCalculator;
use PHPUnit\TextUI\TestRunner;

/**
 * Everything that is touched of PHPUnit 10 and later beyond what it publishes
 * for extensions (events, value objects of events, Tracer, Configuration's
 * getters), in one place. Seen in 10.5.64, 11.5.19, 12.5.33, 13.3 and 13.4.3;
 * what is not in all of them says so.
 *
 *     Event\Facade::instance(), registerTracer(), forward()
 *     TextUI\Application::run()
 *     Framework\InvalidDataProviderException           thrown for data that cannot be had yet
 *     TextUI\TestRunner::run(), whose third argument is the suite
 *     Framework\TestSuite::getIterator(), tests(), setTests(), name()
 *     Framework\TestCase::name(), usesDataProvider(), dataName(), requires()
 *     Framework\IterativeTestSuite                     13.3 on: #[Repeat], #[Retry]
 *     Runner\Phpt\TestCase                             10.5, 11.5: Runner\PhptTestCase
 *     TextUI\ShellExitCodeCalculator::calculate()      11.5.19: flags instead of Configuration
 *     TestRunner\TestResult\Facade::result(), shouldStop() by way of Registry
 *     TestRunner\TestResult\Facade::interrupt()        13.3 on
 *     TextUI\Configuration\Registry::get(), $instance
 *     TextUI\CliArguments\Builder::LONG_OPTIONS
 *     Event\Code\ThrowableBuilder::from(), Event\Code\ComparisonFailureBuilder::from(), to load what they need
 *     Framework\TestSuite::addTestMethod(), addTest(), DataProviderTestSuite::empty(), setDependencies()
 *     TestRunner\TestResult\Facade::$collector and Collector::$testTriggeredPhpunitErrorEvents
 *     Metadata\Api\Dependencies::dependencies()
 *     for running tests again: Collector::executionStarted() and its properties, Facade::$interrupted,
 *     TestSuite::$iteratorFilter, $name (13: $isForTestClass), TestCase::$runTestInSeparateProcess, $runClassInSeparateProcess, $data,
 *     objects of the namespace Framework\TestCase in it
 *     Metadata\Api\HookMethods, Metadata\Parser\Registry, as caches only; 13.4: wants Facade::emitter()
 */
final class Inside
{
    /** What the way in rests on; without one of these there is none. */
    private const NEEDED = [
        [Tracer::class, 'trace'], [ExecutionStarted::class, 'asString'], [ExecutionFinished::class, 'asString'],
        [Test\PreparationStarted::class, 'test'], [Test\Finished::class, 'test'], [Test\Failed::class, 'throwable'],
        [Test\Errored::class, 'throwable'], [Finished::class, 'shellExitCode'],
        [EventFacade::class, 'registerTracer'], [Application::class, 'run'], [TestRunner::class, 'run'],
        [TestSuite::class, 'setTests'], [TestCase::class, 'dataName'], [ShellExitCodeCalculator::class, 'calculate'],
        [ResultFacade::class, 'result'], [Registry::class, 'get'],
    ];

    /** The first thing that is needed and not there, or null. */
    public static function missing(): ?string
    {
        foreach (self::NEEDED as [$class, $method]) {
            if (!\method_exists($class, $method)) {
                return "{$class}::{$method}()";
            }
        }

        return null;
    }

    /**
     * The command line with what keeps PHPUnit from printing and from writing
     * its cache, as this version spells it. Where the order is random, it is
     * the same in every process.
     *
     * @param list<string> $argv
     *
     * @return list<string>
     */
    public static function arguments(array $argv): array
    {
        $known = (new \ReflectionClass(Builder::class))->getConstant('LONG_OPTIONS') ?: [];
        $own = ['--no-output', \in_array('do-not-record-test-run-history', $known, true)
            ? '--do-not-record-test-run-history' : '--do-not-cache-result'];
        $order = self::executionOrder($argv);
        if (\strpos($order, 'random') !== false) {
            $own[] = '--random-order-seed=1';
            $own[] = "--order-by={$order}"; // from 12.5 on a seed alone is a mistake, whatever the configuration says
        }
        if (\strpos($order, 'defects') !== false && $own[1] === '--do-not-record-test-run-history') {
            // That order without a record is a mistake there: the record is empty, and kept apart.
            $own[1] = '--cache-directory=' . \sys_get_temp_dir() . '/assay-record-' . \getmypid();
        }
        \array_splice($argv, 1, 0, $own);

        return $argv;
    }

    /** The order of the tests that the configuration asks for, as it stands there. */
    private static function executionOrder(array $argv): string
    {
        $at = \array_search('--configuration', $argv, true);
        $text = $at === false ? '' : (string) @\file_get_contents($argv[$at + 1]);

        return \preg_match('~<phpunit\b[^>]*\bexecutionOrder\s*=\s*["\']([^"\']*)~', $text, $m) === 1 ? $m[1] : '';
    }

    /** The suite that is about to be run, from the arguments of the runner. */
    public static function suite(): ?TestSuite
    {
        foreach (\debug_backtrace() as $frame) {
            if (($frame['class'] ?? '') === TestRunner::class && $frame['function'] === 'run') {
                foreach ($frame['args'] ?? [] as $argument) {
                    if ($argument instanceof TestSuite) {
                        return $argument;
                    }
                }
            }
        }

        return null;
    }

    /** The test case on whose behalf PHPUnit is at work, or null. */
    public static function testCase(): ?TestCase
    {
        foreach (\debug_backtrace(\DEBUG_BACKTRACE_PROVIDE_OBJECT | \DEBUG_BACKTRACE_IGNORE_ARGS) as $frame) {
            if (($frame['object'] ?? null) instanceof TestCase) {
                return $frame['object'];
            }
        }

        return null;
    }

    /** Whether the event at hand happened earlier, in another process. */
    public static function isForwarded(): bool
    {
        foreach (\debug_backtrace(\DEBUG_BACKTRACE_IGNORE_ARGS, 10) as $frame) {
            if (($frame['class'] ?? '') === EventFacade::class && $frame['function'] === 'forward') {
                return true;
            }
        }

        return false;
    }

    /** Several runs of one test, which PHPUnit keeps in a suite, are one test to us. */
    public static function isOneTest(TestSuite $suite): bool
    {
        return \is_a($suite, 'PHPUnit\\Framework\\IterativeTestSuite');
    }

    public static function anyTestRun(): bool
    {
        return ResultFacade::result()->hasTests();
    }

    /** The status that PHPUnit would end with if it ended now. */
    public static function exitStatus(): int
    {
        $configuration = Registry::get();
        $arguments = [];
        foreach ((new \ReflectionMethod(ShellExitCodeCalculator::class, 'calculate'))->getParameters() as $parameter) {
            switch ((string) $parameter->getType()) {
                case Configuration::class:
                    $arguments[] = $configuration;
                    break;
                case TestResult::class:
                    $arguments[] = ResultFacade::result();
                    break;
                default:
                    $arguments[] = self::flag($parameter->getName()) || self::flag('failOnAllIssues');
            }
        }

        return (new ShellExitCodeCalculator())->calculate(...$arguments);
    }

    /** Whether the configuration says that events of this kind are not green. */
    public static function fails(string $kind): bool
    {
        $name = \str_replace(' ', '', \ucwords($kind));

        return (self::flag("failOn{$name}") || self::flag('failOnAllIssues')) && !self::flag("doNotFailOn{$name}");
    }

    /**
     * Which kinds of event are not green.
     *
     * @param array<class-string, string> $issues class of event => its kind
     *
     * @return array<string, bool>
     */
    public static function fatalKinds(array $issues): array
    {
        $fatal = ['error' => true, 'failure' => true, 'time_limit' => self::endsLongTests()];
        foreach ($issues as $kind) {
            $fatal[$kind] = $fatal[$kind] ?? self::fails($kind);
        }

        return $fatal;
    }

    /** The data that a test has from a provider. */
    public static function dataOf(TestCase $test): array
    {
        return $test->usesDataProvider() ? $test->providedData() : [];
    }

    /** Whether PHPUnit itself ends tests that take too long. */
    public static function endsLongTests(): bool
    {
        return self::flag('enforceTimeLimit') && \class_exists('SebastianBergmann\\Invoker\\Invoker') && \extension_loaded('pcntl');
    }

    private static function flag(string $getter): bool
    {
        $configuration = Registry::get();

        return \method_exists($configuration, $getter) && $configuration->{$getter}();
    }

    /**
     * Lets PHPUnit stop before the next test, as its own --stop-on-... options
     * do: what has begun is still torn down.
     */
    public static function stop(): void
    {
        if (\method_exists(ResultFacade::class, 'interrupt')) {
            ResultFacade::interrupt();

            return;
        }
        $old = Registry::get();
        $new = (new \ReflectionClass(Configuration::class))->newInstanceWithoutConstructor();
        \Closure::bind(function () use ($old): void {
            foreach (\get_object_vars($old) as $name => $value) {
                $this->{$name} = \strncmp($name, 'stopOn', 6) === 0 ? true : $value;
            }
        }, $new, Configuration::class)();
        $instance = new \ReflectionProperty(Registry::class, 'instance');
        $instance->setValue(null, $new);
    }

    /** Whether PHPUnit could still load classes of its own: a program can take files away from PHP. */
    public static function canLoad(): bool
    {
        return \in_array('file', \stream_get_wrappers(), true) && @\is_file((new \ReflectionClass(Application::class))->getFileName());
    }

    /**
     * While PHPUnit says that it could not make a test: the suite of the class
     * and the groups of the method. Null when that is not where we are: before
     * 11.4 it says so only later.
     *
     * @return ?array{TestSuite, list<string>}
     */
    public static function unmade(): ?array
    {
        foreach (\debug_backtrace(\DEBUG_BACKTRACE_PROVIDE_OBJECT) as $frame) {
            if ($frame['function'] === 'addTestMethod' && ($frame['object'] ?? null) instanceof TestSuite) {
                return [$frame['object'], $frame['args'][2] ?? []];
            }
        }

        return null;
    }

    /** The suite of a class among those below another, or null. */
    public static function suiteOf(string $class, TestSuite $top): ?TestSuite
    {
        foreach ($top->tests() as $suite) {
            if ($suite instanceof TestSuite) {
                $found = $suite->name() === $class ? $suite : self::suiteOf($class, $suite);
                if ($found !== null) {
                    return $found;
                }
            }
        }

        return null;
    }

    /** Puts a suite without rows, but for one that stands for them, at the end of the suite of its class. */
    public static function gap(string $class, string $method, TestSuite $suite): DataProviderTestSuite
    {
        $empty = new \ReflectionMethod(DataProviderTestSuite::class, 'empty');
        $gap = $empty->invokeArgs(null, \array_slice(["{$class}::{$method}", EventFacade::emitter()], 0, $empty->getNumberOfRequiredParameters()));
        $gap->addTest(new $class($method));
        $gap->setDependencies(Dependencies::dependencies($class, $method));
        $suite->addTest($gap);

        return $gap;
    }

    /** Has PHPUnit make the rows of a gap, with all that it says when it cannot. */
    public static function fill(string $class, string $method, TestSuite $gap, TestSuite $suite, array $groups): void
    {
        $gap->setTests(self::made($class, $method, $suite, $groups));
        $gap->setDependencies(Dependencies::dependencies($class, $method));
    }

    /**
     * The tests that PHPUnit makes of a method, whose class has that suite.
     *
     * @return list<\PHPUnit\Framework\Test>
     */
    public static function made(string $class, string $method, TestSuite $suite, array $groups): array
    {
        $before = $suite->tests();
        $add = new \ReflectionMethod(TestSuite::class, 'addTestMethod');
        $arguments = [new \ReflectionClass($class), new \ReflectionMethod($class, $method), $groups];
        $add->invokeArgs($suite, \array_slice($arguments, 0, $add->getNumberOfParameters()));
        $made = \array_slice($suite->tests(), \count($before));
        $suite->setTests($before);

        return $made !== [] && $made[0] instanceof DataProviderTestSuite ? $made[0]->tests() : $made;
    }

    /** Lets PHPUnit forget the tests that it could not make; tells whether it could be made to. */
    public static function forgive(): bool
    {
        $collector = (new \ReflectionClass(ResultFacade::class))->getStaticPropertyValue('collector', null);
        if ($collector === null || !\property_exists($collector, 'testTriggeredPhpunitErrorEvents')) {
            return false;
        }
        (new \ReflectionProperty($collector, 'testTriggeredPhpunitErrorEvents'))->setValue($collector, []);

        return !ResultFacade::result()->hasErrors();
    }

    public static function isFiltered(TestSuite $suite): bool
    {
        return !$suite->getIterator() instanceof TestSuiteIterator;
    }

    /** Whether a test asks for a process of its own. */
    public static function isIsolated(TestCase $test): bool
    {
        foreach (['runTestInSeparateProcess', 'runClassInSeparateProcess'] as $name) {
            if (\property_exists(TestCase::class, $name) && (new \ReflectionProperty(TestCase::class, $name))->getValue($test)) {
                return true;
            }
        }

        return false;
    }

    /**
     * Makes the fixtures of a class, once for all mutants: no mutant of a sequence
     * is in what they run. What follows the last test of a class is never run.
     */
    public static function beforeClass(string $class): void
    {
        $methods = self::hooks()->hookMethods($class)['beforeClass'];
        foreach (\is_array($methods) ? $methods : $methods->methodNamesSortedByPriority() as $method) { // 10.5: names
            if (\method_exists($class, $method)) {
                $class::{$method}();
            }
        }
    }

    private static function hooks(): HookMethods
    {
        $hooks = new \ReflectionClass(HookMethods::class);
        $wants = $hooks->getConstructor() === null ? 0 : $hooks->getConstructor()->getNumberOfRequiredParameters();

        return $hooks->newInstanceArgs($wants > 0 ? [EventFacade::emitter()] : []);
    }

    /** Keeps PHPUnit from making the fixtures of a class for a copy of its suite. */
    public static function withoutFixtures(TestSuite $suite): void
    {
        if (\property_exists(TestSuite::class, 'isForTestClass')) {
            (new \ReflectionProperty(TestSuite::class, 'isForTestClass'))->setValue($suite, false);
        } elseif (\class_exists($suite->name(), false)) {
            (new \ReflectionProperty(TestSuite::class, 'name'))->setValue($suite, 'tests of ' . $suite->name());
        }
    }

    /** Whether tests can be run several times here: nobody else hears of them, and they need no processes. */
    public static function canRunAgain(): bool
    {
        $configuration = Registry::get();

        return self::collector() !== null && \method_exists(self::collector(), 'executionStarted')
            && \method_exists($configuration, 'extensionBootstrappers') && $configuration->extensionBootstrappers() === []
            && !$configuration->processIsolation();
    }

    private static function collector(): ?object
    {
        return (new \ReflectionClass(ResultFacade::class))->getStaticPropertyValue('collector', null);
    }

    /** Has PHPUnit's own count begin, which comes after us. */
    public static function begun(ExecutionStarted $event): void
    {
        self::collector()->executionStarted($event);
    }

    /** What PHPUnit knows of the tests that were run, to be put back by restore(). */
    public static function state(): array
    {
        $values = [];
        foreach ((new \ReflectionObject(self::collector()))->getProperties() as $property) {
            if (!$property->isReadOnly() && !$property->isStatic() && $property->isInitialized(self::collector())) {
                $values[] = [$property, $property->getValue(self::collector())];
            }
        }

        return [$values, Registry::get()];
    }

    public static function restore(array $state): void
    {
        foreach ($state[0] as [$property, $value]) {
            $property->setValue(self::collector(), $value);
        }
        (new \ReflectionProperty(Registry::class, 'instance'))->setValue(null, $state[1]);
        if (\property_exists(ResultFacade::class, 'interrupted')) {
            (new \ReflectionProperty(ResultFacade::class, 'interrupted'))->setValue(null, false);
        }
    }

    /** Takes the filter from a copy of a suite whose tests have passed it. */
    public static function unfilter(TestSuite $suite): void
    {
        if (\property_exists(TestSuite::class, 'iteratorFilter')) {
            (new \ReflectionProperty(TestSuite::class, 'iteratorFilter'))->setValue($suite, null);
        }
    }

    /**
     * Lets some assertions fail, so that what PHPUnit needs for that is loaded
     * once and not in every child whose test fails.
     */
    public static function rehearse(): void
    {
        $failures = [
            static fn () => Assert::assertSame('a', 'b'),
            static fn () => Assert::assertSame([1], [2]),
            static fn () => Assert::assertEquals([1], [2]),
            static fn () => Assert::assertTrue(false),
            static fn () => throw new \Error(''),
        ];
        foreach ($failures as $failure) {
            try {
                try {
                    $failure();
                } catch (\Throwable $t) {
                    ThrowableBuilder::from($t);
                    ComparisonFailureBuilder::from($t);
                }
            } catch (\Throwable $t) {
                continue; // made otherwise in this version: no gain, no harm
            }
        }
        foreach ([Test\Failed::class, Test\Errored::class, TestStatus\Failure::class, TestStatus\Error::class] as $class) {
            \class_exists($class);
        }
        Assert::resetCount();
    }

    /** Fills PHPUnit's caches of what it reads from test classes; where that fails, they fill themselves. */
    public static function warm(TestCase $test): void
    {
        try {
            self::hooks()->hookMethods(\get_class($test));
            MetadataRegistry::parser()->forClassAndMethod(\get_class($test), $test->name());
        } catch (\Throwable $t) {
            return;
        }
    }
}
