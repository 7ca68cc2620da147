<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

use PHPUnit\Event\Application\Finished;
use PHPUnit\Event\Facade as EventFacade;
use PHPUnit\Event\Test;
use PHPUnit\Event\TestRunner\ExecutionFinished;
use PHPUnit\Event\TestRunner\ExecutionStarted;
use PHPUnit\Event\Tracer\Tracer;
use PHPUnit\Framework\TestCase;
use PHPUnit\Framework\TestSuite;
use PHPUnit\Metadata\Api\HookMethods;
use PHPUnit\TestRunner\TestResult\Facade as ResultFacade;
use PHPUnit\TestRunner\TestResult\PassedTests;
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
 *     Event\Facade::instance(), registerTracer(), forward(); 13.4: emitter()
 *     TextUI\Application::run()
 *     TextUI\TestRunner::run(), whose third argument is the suite
 *     Framework\TestSuite::run(), setTests(), tests(), name(), $iteratorFilter
 *     Framework\TestCase::name(), usesDataProvider(), dataName(), providedData(), requires(), $data,
 *         $runTestInSeparateProcess, $runClassInSeparateProcess, objects of the namespace Framework\TestCase in it
 *     Framework\IterativeTestSuite                     13.3 on: #[Repeat], #[Retry]
 *     TextUI\ShellExitCodeCalculator::calculate()      11.5.19: flags instead of Configuration
 *     TestRunner\TestResult\Facade::result(), $collector and the collector's properties, $interrupted
 *     TestRunner\TestResult\PassedTests::instance(), $passedTestMethods
 *     TextUI\Configuration\Registry::get(), $instance
 *     TextUI\CliArguments\Builder::LONG_OPTIONS
 *     Metadata\Api\HookMethods::hookMethods()          13.4: wants an emitter
 */
final class PHPUnit10Internals
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
        $at = \array_search('--group', $argv, true);
        if ($at !== false && \version_compare(\PHPUnit\Runner\Version::id(), '11.5', '>=')) { // several in one option are deprecated there, and a mistake in 12
            $several = [];
            foreach (\explode(',', $argv[$at + 1]) as $group) {
                \array_push($several, '--group', $group);
            }
            \array_splice($argv, $at, 2, $several);
        }

        return $argv;
    }

    /** The order of the tests that the configuration asks for, as it stands there. */
    private static function executionOrder(array $argv): string
    {
        $at = \array_search('--configuration', $argv, true);
        $text = $at === false ? '' : (string) @\file_get_contents($argv[$at + 1]);
        if (\in_array(\substr($text, 0, 2), ["\xFF\xFE", "\xFE\xFF"], true)) {
            $text = \mb_convert_encoding($text, 'UTF-8', 'UTF-16');
        }

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
        return self::flag('enforceTimeLimit') && \class_exists(Loader::part('SebastianBergmann\\Invoker\\Invoker')) && \extension_loaded('pcntl');
    }

    private static function flag(string $getter): bool
    {
        $configuration = Registry::get();

        return \method_exists($configuration, $getter) && $configuration->{$getter}();
    }

    /** Whether PHPUnit could still load classes of its own: a program can take files away from PHP. */
    public static function canLoad(): bool
    {
        return \in_array('file', \stream_get_wrappers(), true) && @\is_file((new \ReflectionClass(Application::class))->getFileName());
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

    private static function hooks(): HookMethods
    {
        $hooks = new \ReflectionClass(HookMethods::class);
        $wants = $hooks->getConstructor() === null ? 0 : $hooks->getConstructor()->getNumberOfRequiredParameters();

        return $hooks->newInstanceArgs($wants > 0 ? [EventFacade::emitter()] : []);
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

    /** The suite of which PHPUnit is just saying that it has started. */
    public static function startedSuite(): ?TestSuite
    {
        foreach (\debug_backtrace(\DEBUG_BACKTRACE_PROVIDE_OBJECT | \DEBUG_BACKTRACE_IGNORE_ARGS) as $frame) {
            if ($frame['function'] === 'run' && ($frame['object'] ?? null) instanceof TestSuite) {
                return $frame['object'];
            }
        }

        return null;
    }

    /** Whether something of the user's is run before the first or after the last test of a suite. */
    public static function hasFixtures(TestSuite $suite): bool
    {
        $class = $suite->name();
        if (!\class_exists($class, false) || !\is_subclass_of($class, TestCase::class)) {
            return false;
        }
        $all = self::hooks()->hookMethods($class);
        foreach (['beforeClass', 'afterClass'] as $kind) {
            $methods = $all[$kind];
            foreach (\is_array($methods) ? $methods : $methods->methodNamesSortedByPriority() as $method) { // 10.5: names
                if (\method_exists($class, $method) && (new \ReflectionMethod($class, $method))->class !== TestCase::class) {
                    return true;
                }
            }
        }

        return false;
    }

    /**
     * What tests and classes that others ask for have returned, as far as they have passed.
     *
     * @param array<string, true> $wanted
     */
    public static function results(array $wanted): array
    {
        if (!\class_exists(PassedTests::class, false)) {
            return [];
        }
        $passed = PassedTests::instance();
        $results = [];
        foreach ($wanted as $name => $_) {
            if (\substr($name, -7) === '::class' ? $passed->hasTestClassPassed(\substr($name, 0, -7)) : $passed->hasTestMethodPassed($name)) {
                $results[$name] = [$passed->returnValue($name)];
            }
        }

        return $results;
    }

    /** Class, method, methods it depends on, file, what its data say. */
    public static function detailsOf(TestCase $test, array $data): array
    {
        $depends = [];
        foreach ($test->requires() as $required) {
            if ($required->isValid()) {
                $depends[] = Channel::method($required->getTarget());
            }
        }

        return [Channel::text(\get_class($test)), Channel::text($test->name()), $depends, Channel::path((string) (new \ReflectionClass($test))->getFileName()), TestCloner::textOf($data)];
    }
}
