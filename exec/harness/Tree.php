<?php

declare(strict_types=1);

namespace AssayHarness;

use PHPUnit\Framework\Test;
use PHPUnit\Framework\TestCase;
use PHPUnit\Framework\TestSuite;

/**
 * The tests of a suite as PHPUnit has built it, numbered in its order, and a
 * choice of some of them. Of TestSuite only tests() and setTests() are used,
 * which are the same in every version from 9.6 on.
 *
 * A child shares the memory of its stage until it writes to it, and PHP writes
 * to an object whenever somebody takes or drops a reference. So a child must
 * not touch the tests that it does not run: thousands of copied pages are most
 * of what a short child costs.
 */
final class Tree
{
    /** @var array<int, TestCase> number => test */
    public array $cases = [];
    /** @var list<string> tests that are not methods of test classes, by their files: phpt. They have no numbers and are not run. */
    private array $others = [];
    /** @var array<int, Test> number => the test, or the suite that PHPUnit keeps several runs of it in */
    private array $leaves = [];
    /** @var array<int, list<TestSuite>> number => suites from the top down */
    private array $paths = [];
    /** @var array<string, list<TestSuite>> "Class::method" => path of the suite that lacks its rows */
    private array $gaps = [];
    /** @var list<string> */
    private array $ids = [];
    /** @var array<string, list<int>> "Class::method" => numbers of its tests; see named() */
    private array $rows = [];
    private TestSuite $top;

    /** @var array<int, string|int> object id of a test or suite => its key in its suite */
    private array $keys = [];
    /** @var array<int, bool> object id of a suite => some of its tests depend on others */
    private array $dependent = [];
    /** @var array<string, int> name => number, of the whole suite */
    private array $numbers = [];
    /** @var list<array<Test>> what was not chosen: its destructors must not run before the end */
    private array $rest = [];
    /** @var callable(TestSuite): bool */
    private $isOneTest;

    /** @param callable(TestSuite): bool $isOneTest whether a suite stands for several runs of one test */
    public function __construct(TestSuite $top, callable $isOneTest)
    {
        $this->top = $top;
        $this->isOneTest = $isOneTest;
        $this->number($top, []);
    }

    private function number(TestSuite $suite, array $path): void
    {
        $path[] = $suite;
        $this->look($suite);
        foreach ($suite->tests() as $test) {
            $case = $test instanceof TestSuite && ($this->isOneTest)($test) ? $test->tests()[0] : $test;
            if ($case instanceof TestCase) {
                $this->cases[] = $case;
                $this->leaves[] = $test;
                $this->paths[] = $path;
            } elseif ($test instanceof TestSuite) {
                $this->number($test, $path);
            } else {
                $this->others[] = \method_exists($test, 'toString') ? $test->toString() : \get_class($test);
            }
        }
    }

    private function look(TestSuite $suite): void
    {
        $this->dependent[\spl_object_id($suite)] = $this->hasDependencies($suite);
        foreach ($suite->tests() as $key => $test) {
            $this->keys[\spl_object_id($test)] = $key;
        }
    }

    /**
     * Leaves only these tests in the suite, in this order as far as @depends
     * allows: where tests of a suite depend on others, it keeps its own order.
     *
     * @param list<int> $wanted
     */
    public function choose(array $wanted): void
    {
        $children = [];
        $suites = [];
        $seen = [];
        foreach ($wanted as $i) {
            $below = $this->leaves[$i];
            for ($d = \count($this->paths[$i]) - 1; $d >= 0; --$d) {
                $suite = $this->paths[$i][$d];
                $s = \spl_object_id($suite);
                $b = \spl_object_id($below);
                if (isset($seen[$s][$b])) {
                    break;
                }
                $seen[$s][$b] = true;
                $suites[$s] = $suite;
                $children[$s][] = $below;
                $below = $suite;
            }
        }
        foreach ($suites as $s => $suite) {
            if ($suite !== $this->top && $this->dependent[$s]) {
                \usort($children[$s], fn (Test $x, Test $y): int => $this->keys[\spl_object_id($x)] <=> $this->keys[\spl_object_id($y)]);
            }
            $old = $suite->tests();
            $suite->setTests($children[$s]);
            foreach ($children[$s] as $child) {
                unset($old[$this->keys[\spl_object_id($child)]]);
            }
            $this->rest[] = $old;
        }
        if ($suites === []) {
            $this->rest[] = $this->top->tests();
            $this->top->setTests([]);
        }
        // When one of the chosen has been run, PHPUnit may free it at once.
        foreach ($wanted as $i) {
            unset($this->cases[$i], $this->leaves[$i], $this->paths[$i]);
        }
    }

    /**
     * A suite with copies of some tests, which can be run while these stay as
     * they are, in the order that choose() would give them. None of the tests
     * may depend on another.
     *
     * @param list<int> $wanted
     * @param array<int, int> $numbers object id of a copy => its number
     * @param callable(TestSuite): void $prepare is called for each copy of a suite
     */
    public function copyOf(array $wanted, array &$numbers, callable $prepare): TestSuite
    {
        $copies = $children = [];
        foreach ($wanted as $i) {
            $below = Sequence::copyOf($this->leaves[$i], $i);
            $numbers[\spl_object_id($below)] = $i;
            for ($d = \count($this->paths[$i]) - 1; $d >= 0; --$d) {
                $s = \spl_object_id($this->paths[$i][$d]);
                $children[$s][] = $below;
                if (isset($copies[$s])) {
                    break;
                }
                $below = $copies[$s] = clone $this->paths[$i][$d];
            }
        }
        foreach ($copies as $s => $copy) {
            $copy->setTests($children[$s]);
            $prepare($copy);
        }

        return $copies[\spl_object_id($this->top)];
    }

    /**
     * The order in which choose() and copyOf() have some tests run.
     *
     * @param list<int> $wanted
     * @return list<int>
     */
    public function inOrder(array $wanted): array
    {
        $children = [];
        foreach ($wanted as $i) {
            $below = $i;
            for ($d = \count($this->paths[$i]) - 1; $d >= 0; --$d) {
                $s = \spl_object_id($this->paths[$i][$d]);
                $known = isset($children[$s]);
                $children[$s][] = $below;
                if ($known) {
                    break;
                }
                $below = [$s];
            }
        }
        $order = [];
        $walk = static function (int $suite) use (&$walk, &$order, $children): void {
            foreach ($children[$suite] ?? [] as $below) {
                if (\is_array($below)) {
                    $walk($below[0]);
                } else {
                    $order[] = $below;
                }
            }
        };
        $walk(\spl_object_id($this->top));

        return $order;
    }

    /**
     * Keeps the names of the tests, for freshOnes().
     *
     * @param callable(TestCase): string $name
     * @return list<string>
     */
    public function named(callable $name): array
    {
        $this->ids = \array_map($name, $this->cases);
        foreach ($this->ids as $i => $id) {
            $this->rows[self::method($id)][] = $i;
        }

        return $this->ids;
    }

    /**
     * The tests of a method as they were made once more, by their numbers; null
     * where they are not one by one those of the suite, or could see each other.
     *
     * @param list<Test> $made
     * @param callable(TestCase): string $name
     * @param callable(TestCase): array $dataOf
     * @return array<int, Test>|null
     */
    public function freshOnes(string $method, array $made, callable $name, callable $dataOf): ?array
    {
        $numbers = $this->rows[$method] ?? [];
        foreach ($made as $k => $test) {
            if (!$test instanceof TestCase || !isset($numbers[$k]) || $name($test) !== $this->ids[$numbers[$k]]) {
                return null;
            }
        }

        return \count($made) === \count($numbers) && $numbers !== [] && self::sharedIn($made, $dataOf) === []
            ? \array_combine($numbers, $made) : null;
    }

    /** Whether PHPUnit runs a test several times. */
    public function isRepeated(int $number): bool
    {
        return $this->leaves[$number] instanceof TestSuite;
    }

    /** Tells the keeper what is not run, before it is told of the tests. */
    public function tellOfOthers(): void
    {
        if ($this->others !== [] && (Stage::$order['op'] ?? 'describe') === 'describe' && !Late::wanted()) {
            Stage::$channel->send(['others', $this->others]);
        }
    }

    /** Leaves every test in the suite that has a number. */
    public function chooseAll(): void
    {
        if ($this->others !== []) {
            $this->choose(\array_keys($this->cases));
        }
        $this->cases = $this->leaves = $this->paths = [];
    }

    private function hasDependencies(TestSuite $suite): bool
    {
        foreach ($suite->tests() as $test) {
            if ($test->requires() !== []) {
                return true;
            }
        }

        return false;
    }

    /**
     * Numbers the tests as a whole suite has them, of which this one lacks the
     * rows of some data providers.
     *
     * @param list<string> $ids the names of the whole suite's tests, in order
     * @param callable(TestCase): string $name
     * @param callable(TestCase): bool $isGap whether a test stands for rows that could not be built
     * @return ?string why this is not that suite; null when it is
     */
    public function renumber(array $ids, callable $name, callable $isGap): ?string
    {
        $numbers = \array_flip($ids);
        if (\count($numbers) !== \count($ids)) {
            return 'two tests have one name';
        }
        [$cases, $leaves, $paths] = [$this->cases, $this->leaves, $this->paths];
        $this->cases = $this->leaves = $this->paths = $this->gaps = [];
        foreach ($cases as $i => $case) {
            if ($isGap($case)) {
                $suite = \end($paths[$i]);
                $method = \method_exists($suite, 'getName') ? $suite->getName() : $suite->name();
                if (!isset(Late::$gaps[$method])) {
                    return "{$method} could not be built";
                }
                $this->gaps[$method] = $paths[$i];
                continue;
            }
            $number = $numbers[$name($case)] ?? null;
            if ($number === null) {
                return $name($case) . ' is not in the whole suite';
            }
            [$this->cases[$number], $this->leaves[$number], $this->paths[$number]] = [$case, $leaves[$i], $paths[$i]];
        }
        if (\count($this->gaps) !== \count(Late::$gaps)) {
            return 'a data provider hides that it failed';
        }
        foreach ($ids as $number => $id) {
            if (!isset($this->cases[$number]) && !isset($this->gaps[self::method($id)])) {
                return "{$id} is missing";
            }
        }
        [$this->ids, $this->numbers] = [$ids, $numbers];

        return null;
    }

    /**
     * Builds the gaps that some of the tests lie in and gives all tests to be
     * run: of a gap every row, for the rows may be others now.
     *
     * @param list<int> $wanted
     * @param callable(string, string, TestSuite): void $build fills the suite of a class and a method
     * @param callable(TestCase): string $name
     * @return list<int>
     */
    public function fill(array $wanted, callable $build, callable $name): array
    {
        $next = \count($this->ids);
        $all = [];
        foreach ($wanted as $i) {
            if (isset($this->cases[$i])) {
                $all[] = $i;
                continue;
            }
            $method = self::method($this->ids[$i]);
            $path = $this->gaps[$method] ?? null;
            if ($path === null) {
                continue; // built already, and this row is no more
            }
            unset($this->gaps[$method]);
            $suite = \end($path);
            [$class, $function] = \explode('::', $method);
            $build($class, $function, $suite);
            $this->look($suite);
            foreach ($suite->tests() as $leaf) {
                $case = $leaf instanceof TestSuite ? $leaf->tests()[0] : $leaf;
                $number = $this->numbers[$name($case)] ?? $next++;
                [$this->cases[$number], $this->leaves[$number], $this->paths[$number]] = [$case, $leaf, $path];
                $all[] = $number;
            }
        }

        return \array_values(\array_unique($all));
    }

    /**
     * The tests of an order in a suite that changed code has built: those with
     * its numbers, and every row of its methods that the unchanged suite does not
     * have; where names do not tell the tests apart, those that it names by
     * themselves or by their methods. What PHPUnit could not build comes along,
     * for that is how such a change shows.
     *
     * @param array{tests: list<string>, numbers?: list<int>} $order
     * @param callable(TestCase): string $name
     * @param callable(TestCase): bool $failed whether a test stands for others that could not be built
     * @return list<int>
     */
    public function find(array $order, callable $name, callable $failed): array
    {
        $wanted = \array_flip($order['tests']);
        $ranks = \array_flip($order['numbers'] ?? []);
        $found = [];
        foreach ($this->cases as $i => $case) {
            if ($failed($case)) {
                $found[-1][] = $i;
                continue;
            }
            $id = $name($case);
            if ($ranks === [] || Stage::$numbers === []) {
                $rank = $wanted[$id] ?? $wanted[self::method($id)] ?? null;
            } elseif (isset(Stage::$numbers[$id])) {
                $rank = $ranks[Stage::$numbers[$id]] ?? null;
            } else {
                $rank = isset($wanted[self::method($id)]) ? \PHP_INT_MAX : null;
            }
            if ($rank !== null) {
                $found[$rank][] = $i;
            }
        }
        \ksort($found);

        return \array_merge([], ...\array_values($found));
    }

    /**
     * Objects that several tests get in their data: what one test does to such
     * an object the others see.
     *
     * @param callable(TestCase): array $dataOf
     * @return array<int, list<int>> number => ids of objects
     */
    public function sharedData(callable $dataOf): array
    {
        return self::sharedIn($this->cases, $dataOf);
    }

    /**
     * The same of some tests.
     *
     * @param array<int, TestCase> $cases
     */
    public static function sharedIn(array $cases, callable $dataOf): array
    {
        $first = $shared = [];
        foreach ($cases as $i => $case) {
            $seen = [];
            self::objectsIn($dataOf($case), 5, $seen);
            foreach (\array_keys($seen) as $id) {
                if (!isset($first[$id])) {
                    $first[$id] = $i;
                } else {
                    $shared[$first[$id]][$id] = $shared[$i][$id] = true;
                }
            }
        }

        return \array_map('array_keys', $shared);
    }

    /**
     * @param mixed $value
     * @param array<int, true> $seen
     */
    public static function objectsIn($value, int $depth, array &$seen): void
    {
        if (\is_object($value)) {
            if (isset($seen[\spl_object_id($value)]) || $value instanceof \UnitEnum || $value instanceof \DateTimeImmutable
                || $value instanceof \DateTimeZone || $value instanceof \Reflector) {
                return;
            }
            $seen[\spl_object_id($value)] = true;
            $value = $value instanceof \Closure ? [] : (array) $value;
        }
        if (\is_array($value) && $depth > 0 && \count($seen) < 200) {
            foreach ($value as $inner) {
                if (\is_object($inner) || \is_array($inner)) {
                    self::objectsIn($inner, $depth - 1, $seen);
                }
            }
        }
    }

    /**
     * What stands in the data of a test, as far as it is text or a number: the
     * beginning of each, and of all together.
     */
    public static function textOf(array $data): string
    {
        $text = '';
        \array_walk_recursive($data, static function ($value) use (&$text): void {
            if ((\is_string($value) || \is_int($value) || \is_float($value)) && \strlen($text) < 300) {
                $text .= \substr((string) $value, 0, 100) . "\n";
            }
        });

        return Channel::text($text);
    }

    private static function method(string $id): string
    {
        return \explode('#', $id, 2)[0];
    }
}
