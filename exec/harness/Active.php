<?php

declare(strict_types=1);

namespace AssayHarness;

/** Which of the mutants in the sources is run; 0: none. */
final class Active
{
    public static int $place = 0;
    public static int $mutant = 0;
    /** @var array<string, int> paths of the files whose functions were run */
    public static array $used = [];
}
