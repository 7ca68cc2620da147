<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/** Which of the mutants in the sources is run; 0: none. */
final class MutantSwitch
{
    public static int $place = 0;
    public static int $mutant = 0;
    /** Whether the points of loops are told of. */
    public static bool $counts = false;
    /**
     * Its $used has, as keys, the points of functions that were entered, or the paths of
     * files whose functions were. It has a class without a name for the reason that Probe::$book has.
     */
    public static ?object $files = null;
    /** Is told of the calls of public functions, where these are recorded; see CallRecorder. */
    public static ?object $calls = null;

    /** Hands on what a function gives. */
    public static function left(int $call, $value)
    {
        return $call === 0 ? $value : self::$calls->left($call, $value);
    }

    /** @return list<int|string> what was entered since the last call */
    public static function used(): array
    {
        $used = \get_object_vars(self::$files)['used'] ?? [];
        if ($used !== []) {
            self::$files->used = [];
        }

        return \array_keys($used);
    }
}

MutantSwitch::$files = new class {
    /** @var array<int|string, int> */
    public array $used = [];
};
