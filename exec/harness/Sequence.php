<?php

declare(strict_types=1);

namespace AssayHarness;

use PHPUnit\Framework\Assert;
use PHPUnit\Framework\Test;
use PHPUnit\Framework\TestCase;

/**
 * Runs the tests of one mutant after another in one process, as long as nothing
 * is left behind that the next could see. Tests are run as copies; what the
 * copies share must not change: see unfit().
 */
final class Sequence
{
    /** How many of a mutant's tests are prepared at first. */
    private const FIRST = 3;
    /** And how many at a time: that must not take as long as what does not end. */
    private const MOST = 100;
    /** Nanoseconds that it may take to make the tests of a method. */
    private const LONG = 10_000_000;

    public static bool $running = false;
    /** @var array<int, true> numbers of tests that hold objects */
    private static array $deep = [];
    /** @var array<int, true> numbers of tests that have a process of their own */
    private static array $isolated = [];
    /** @var array<int, mixed> numbers of tests that were run on some mutant */
    private static array $ran = [];
    /** @var callable(): void */
    private static $drop;
    /** Each test is run once, so that no copies are needed. */
    private static bool $once = false;
    /** @var array<int, Test> number => the test as it was made under the present mutant */
    private static array $fresh = [];
    /** @var array<string, int>|null files, as keys, that nothing may be run of when tests are made anew; null: none are */
    private static ?array $unsure = null;
    /** @var array<string, true> methods whose tests take long to be made */
    private static array $slow = [];
    /** Letting go of something may run code, as far as was seen last. */
    private static bool $destructs = false;
    /** @var array<string, int>|null what was told of last, as keys */
    private static ?array $used = null;

    /** To be called when the suite has been built, and Traces::begin(true) before that. */
    public static function built(): ?array
    {
        $files = Traces::unsureSince();
        self::$unsure = $files === null ? null : \array_flip($files);

        return $files;
    }

    public static function copyOf(Test $test, int $number): Test
    {
        if (self::$once || isset(self::$fresh[$number])) {
            return self::$fresh[$number] ?? $test;
        }

        return isset(self::$deep[$number]) ? Copies::of($test) : Copies::plain($test);
    }

    /**
     * The tests that cannot be run several times in a process: they hold what
     * cannot be copied before they are run, or ask for a process of their own.
     *
     * @param array<int, TestCase> $cases
     * @param callable(TestCase): array $dataOf
     * @param callable(TestCase): bool $isIsolated
     * @return list<int>
     */
    public static function unfit(array $cases, callable $dataOf, callable $isIsolated): array
    {
        $own = [];
        for ($class = new \ReflectionClass(TestCase::class); $class !== false; $class = $class->getParentClass()) {
            foreach ($class->getProperties() as $property) {
                $own[($property->isPrivate() ? "\0{$class->name}\0" : ($property->isProtected() ? "\0*\0" : '')) . $property->getName()] = true;
            }
        }
        $unfit = [];
        foreach ($cases as $i => $case) {
            $data = Copies::kindOf($dataOf($case));
            $kind = \max($data, Copies::kindOf([\array_diff_key((array) $case, $own)]));
            $isolated = $isIsolated($case);
            if ($isolated) {
                self::$isolated[$i] = true;
            }
            if ($kind === Copies::NONE || $data === Copies::DEEP && !\property_exists(TestCase::class, 'data') || \method_exists($case, '__clone') || $isolated) {
                $unfit[] = $i;
            } elseif ($kind === Copies::DEEP) {
                self::$deep[$i] = true;
            }
        }

        return $unfit;
    }

    /**
     * @param bool $alone nobody but us hears of the tests
     * @param callable(list<int>): void $prepare runs what comes before the first test of a class
     * @param callable(list<int>, bool): bool $run runs some of a mutant's tests, the first of them or more, and says whether to go on
     * @param callable(): void $drop lets go of what is known of them
     * @param callable(string): ?array $anew makes the tests of a method once more, by their numbers
     */
    public static function run(array $order, Tree $tree, bool $alone, callable $prepare, callable $run, callable $drop, callable $anew): void
    {
        self::$drop = $drop;
        self::$running = true;
        if (isset($order['learn'])) {
            self::learn($order['learn'], $tree, $run);
        }
        $shared = !empty($order['shared']);
        self::$once = !empty($order['once']);
        // Where fixtures of classes are made, tests are run in one part: each part would
        // make them anew, and not all can be.
        [$least, $most] = empty($order['swap']) ? [self::FIRST, self::MOST] : [\PHP_INT_MAX, \PHP_INT_MAX];
        $order['lists'] = \array_map([$tree, 'inOrder'], $order['lists']);
        $tests = \array_values(\array_unique(\array_merge(...$order['lists'])));
        self::open($tests, $order['openers'] ?? [], $prepare, $run);
        $order['anew'] = $order['anew'] ?? [];
        Traces::begin($shared || $order['anew'] !== []);
        Stage::$channel->hold();
        self::ask(['prepared']);
        foreach ($order['sequence'] as $k => [$place, $mutant, $list, $first]) {
            if (!empty($order['swap'])) {
                self::ask(['swap', $k]);
            }
            Active::$files->used = [];
            Active::$place = $place;
            Active::$mutant = $mutant;
            if (isset($order['anew'][$k]) && !self::makeAnew($order['anew'][$k][0] ?? [], $order['anew'][$k][1] ?? [], $anew)) {
                self::passOver();
                continue;
            }
            if (!$shared) {
                self::inParts($first < 0 ? [] : $order['lists'][$first], $order['lists'][$list], $least, $run);
                self::tidyUp();
            } elseif (!self::oneByOne($order['lists'][$list], $run)) {
                self::tell(['void']);
                self::end();
            }
            self::$fresh = [];
            if (self::$destructs) {
                \gc_collect_cycles();
            }
            self::rest();
            \error_clear_last(); // a process of its own would begin so
            $clean = $alone && Traces::remained();
            self::wait();
            self::tell(['judged', $clean]);
            if (!$clean || self::$once) {
                self::end();
            }
        }
        Active::$place = Active::$mutant = 0;
        if (!empty($order['swap'])) {
            self::ask(['swap', -1]);
        }
        self::again($tests, $most, $run);
        self::end();
    }

    /**
     * Runs what comes before the first test of a class, and openers.
     *
     * @param list<int> $tests
     * @param list<int> $openers
     */
    private static function open(array $tests, array $openers, callable $prepare, callable $run): void
    {
        try {
            $prepare($tests);
        } catch (\Throwable $t) {
            self::end(); // PHPUnit would skip tests now, or count it against each
        }
        foreach ($openers as $i) {
            if (!$run([$i], true)) {
                self::end();
            }
        }
    }

    /** The present mutant's tests could not be made anew. */
    private static function passOver(): void
    {
        self::$fresh = [];
        if (!Traces::remained()) {
            self::tell(['void']);
            self::end();
        }
        Stage::$channel->send(['passed over']);
    }

    /**
     * Makes the tests of some methods anew, whose data providers pass the present
     * mutant, and of some others. It is as if the suite had been built with it: there
     * too they were made in the state that is there now, but for what nothing is run
     * of here, and left it as it was; what others' data are does not depend on the
     * mutant. False where that is not so, or they are not the same tests any more, or
     * making the others takes longer than a process of their own.
     *
     * @param list<string> $methods
     * @param list<string> $others
     */
    private static function makeAnew(array $methods, array $others, callable $anew): bool
    {
        foreach (\array_merge($methods, $others) as $k => $method) {
            $began = \hrtime(true);
            if ($k >= \count($methods) && isset(self::$slow[$method])) {
                return false;
            }
            try {
                $made = $anew($method);
            } catch (\Throwable $t) {
                return false;
            }
            if (\hrtime(true) - $began > self::LONG) {
                self::$slow[$method] = true;
            }
            if ($made === null || \array_intersect_key($made, self::$isolated) !== []) {
                return false;
            }
            self::$fresh += $made;
        }

        return self::$unsure !== null && \array_intersect_key(Active::$files->used, self::$unsure) === [] && Traces::remained();
    }

    /** Runs what was run on some mutant once more, unchanged. */
    private static function again(array $tests, int $most, callable $run): void
    {
        $ran = \array_values(\array_filter($tests, static fn (int $i): bool => isset(self::$ran[$i])));
        self::inParts([], $ran, $most, $run);
        Stage::$channel->send(['over', true]);
    }

    /**
     * Lets go of what tests have left that nobody holds any more, where destructors
     * could do something with it, so that they do it now; what holds itself follows
     * before the next mutant. One that throws ends the process, and the sequence here.
     */
    private static function tidyUp(): void
    {
        if (self::$destructs = Ending::lookForDestructors()) {
            (self::$drop)();
        }
    }

    /**
     * Tests have to be copied before they are run, and most mutants need but the first of many.
     *
     * @param list<int> $first those of the tests that come before the others
     * @param list<int> $tests
     */
    private static function inParts(array $first, array $tests, int $size, callable $run): void
    {
        $begun = false;
        if ($first !== []) {
            $tests = \array_values(\array_diff($tests, $first));
        }
        for ($some = $first; $some !== [] || $tests !== []; $begun = true) {
            if ($some === []) {
                $some = \array_splice($tests, 0, $size);
                $size = $size > self::MOST ? $size : \min(4 * $size, self::MOST);
            }
            self::$ran += \array_flip($some);
            if (!$run($some, !$begun)) {
                break;
            }
            $some = [];
        }
    }

    /**
     * Runs tests that share state. False where one is green and leaves it changed:
     * others, which do not run the mutant, could see that.
     */
    private static function oneByOne(array $tests, callable $run): bool
    {
        foreach ($tests as $k => $i) {
            self::$ran[$i] = true;
            if (!$run([$i], $k === 0)) {
                self::tidyUp();
                break;
            }
            self::tidyUp();
            if (!Traces::remained()) {
                return false;
            }
        }

        return true;
    }

    /**
     * Runs tests that share state, each once and in the suite's order, and tells
     * in which state each finds and leaves it: numbers of states, -1 for some other;
     * and which tests cannot be run like that.
     *
     * @param list<int> $tests
     */
    private static function learn(array $tests, Tree $tree, callable $run): void
    {
        self::$once = true;
        $found = $apart = $fixtures = $states = [];
        foreach ($tests as $i) {
            $class = \get_class($tree->cases[$i]);
            $fixtures[$class] = $fixtures[$class] ?? self::hasFixtures($class);
            if ($fixtures[$class] || isset(self::$isolated[$i])) {
                $apart[] = $i;
            }
        }
        $before = Traces::stateIn($states);
        foreach ($apart === [] ? $tests : [] as $i) {
            if (!$run([$i], true)) {
                self::end();
            }
            self::tidyUp();
            $after = Traces::stateIn($states);
            $found[] = [$before, $after];
            $before = $after;
        }
        self::tell(['learnt', $found, $apart]);
        self::end();
    }

    /** Whether something is run before the first or after the last test of a class. */
    private static function hasFixtures(string $class): bool
    {
        foreach ((new \ReflectionClass($class))->getMethods(\ReflectionMethod::IS_STATIC) as $method) {
            if ($method->class === TestCase::class || $method->class === Assert::class) {
                continue;
            }
            $marks = $method->getDocComment() ?: '';
            foreach (\PHP_VERSION_ID >= 80000 ? $method->getAttributes() : [] as $attribute) {
                $marks .= ' @' . \substr((string) \strrchr('\\' . $attribute->getName(), '\\'), 1);
            }
            if (\preg_match('/^(setUpBeforeClass|tearDownAfterClass)$/i', $method->name) || \preg_match('/@(beforeClass|afterClass)\b/i', $marks)) {
                return true;
            }
        }

        return false;
    }

    /** Says something and waits until the keeper has done what it does then. */
    private static function ask(array $message): void
    {
        self::tell($message);
        self::wait();
    }

    /**
     * Says what was used for a mutant, and that its tests have been run. The keeper
     * notes what was opened meanwhile; it is to be waited for.
     */
    private static function rest(): void
    {
        if (self::$used === Active::$files->used) {
            Stage::$channel->send(['used again']);
        } else {
            self::$used = Active::$files->used;
            Stage::tellUsed();
        }
        self::tell(['rests']);
    }

    private static function tell(array $message): void
    {
        Stage::$channel->send($message);
        Stage::$channel->release();
    }

    private static function wait(): void
    {
        if (Stage::$channel->receive() === null) {
            \posix_kill(\getmypid(), \SIGKILL);
        }
    }

    /** Ends the process, without what comes after the last test. */
    public static function end(): void
    {
        self::tell(['ended']);
        \posix_kill(\getmypid(), \SIGKILL);
    }
}
