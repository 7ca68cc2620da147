<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

use PHPUnit\Framework\Test;
use PHPUnit\Framework\TestSuite;

/** Stands around a test or a suite in the suite that runs it, and has the player told of it. */
final class Slot implements Test
{
    private ?Test $test;
    private int $count;
    private ?TestSuite $lastOf = null;

    private function __construct(Test $test)
    {
        $this->test = $test;
        $this->count = \count($test);
    }

    public function count(): int
    {
        return $this->count;
    }

    public function run(): void
    {
        $last = Player::enter($this->test) ? Player::lastOf($this->test) : null;
        if ($last !== null) {
            $this->test->run();
            $this->test = null; // whoever holds it no longer may be destroyed, in its own segment
            Player::leaveSegment($last);
        }
        if ($this->lastOf !== null) {
            Player::exhausted($this->lastOf);
        }
    }

    /** To be called when a suite is about to run its tests. */
    public static function putAround(TestSuite $suite): void
    {
        $slots = [];
        foreach ($suite as $test) {
            if ($test instanceof self) {
                return;
            }
            $slots[] = new self($test);
        }
        if ($slots !== []) {
            $slots[\count($slots) - 1]->lastOf = $suite;
        }
        PHPUnit10Internals::unfilter($suite);
        $suite->setTests($slots);
    }
}
