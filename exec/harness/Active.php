<?php

declare(strict_types=1);

namespace AssayHarness;

/** Which of the mutants in the sources is run; 0: none. */
final class Active
{
    public static int $place = 0;
    public static int $mutant = 0;
    /** Whether the points of loops are told of. */
    public static bool $counts = false;
    /**
     * Its $used has, as keys, the paths of the files whose functions were run. It
     * has a class without a name for the reason that Probe::$book has.
     */
    public static ?object $files = null;
}

Active::$files = new class {
    /** @var array<string, int> */
    public array $used = [];
};
