<?php

declare(strict_types=1);

namespace AssayHarness;

use PHPUnit\Framework\Test;
use PHPUnit\Framework\TestCase;
use PHPUnit\Framework\TestSuite;

/**
 * The tests of a suite as PHPUnit has built it, numbered in its order, and a
 * choice of some of them. Of TestSuite only getIterator(), tests() and
 * setTests() are used, which are the same in every version from 9.6 on.
 */
final class Tree
{
    /** @var array<int, TestCase> number => test */
    public array $cases = [];
    /** Tests that are not made of PHP methods: phpt files. They have no numbers. */
    public int $others = 0;
    /** @var array<int, Test> number => the test, or the suite that PHPUnit keeps several runs of it in */
    private array $leaves = [];
    /** @var array<int, list<TestSuite>> number => suites from the top down */
    private array $paths = [];
    private TestSuite $top;

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
        foreach ($suite->getIterator() as $test) {
            $case = $test instanceof TestSuite && ($this->isOneTest)($test) ? $test->tests()[0] : $test;
            if ($case instanceof TestCase) {
                $this->cases[] = $case;
                $this->leaves[] = $test;
                $this->paths[] = $path;
            } elseif ($test instanceof TestSuite) {
                $this->number($test, $path);
            } else {
                ++$this->others;
            }
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
            if ($suite !== $this->top && $this->hasDependencies($suite)) {
                $keep = $seen[$s];
                $children[$s] = \array_values(\array_filter($suite->tests(), static fn ($t) => isset($keep[\spl_object_id($t)])));
            }
            $suite->setTests($children[$s]);
        }
        if ($suites === []) {
            $this->top->setTests([]);
        }
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
}
