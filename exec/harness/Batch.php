<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/**
 * Replays of many mutants in one process, one after the other. All tests are ones
 * that begin in the state that there is now and that leave it as it is; each is run
 * as a copy. After each test the state must be what it was, else the process ends:
 * what the mutant did could be seen by the next.
 *
 * Some tests leave static variables and properties of code that has another name in
 * every run. The next test of the same mutant may be run behind such a one, as it is in
 * the suite; the next mutant may not, since it is a mutant that has made the name. Nor may it
 * where classes or functions were made by eval(): the code is what the mutant has made of it.
 */
final class Batch
{
    public static bool $running = false;

    public static function run(array $job): void
    {
        self::$running = true;
        Process::$channel->hold();
        $own = \array_fill_keys($job['own'] ?? [], true);
        $known = \array_fill_keys($job['known'] ?? [], true);
        foreach ($job['parts'] as $k => [$place, $mutant, $list]) {
            if (!empty($job['swap'])) {
                self::ask(['swap', $k]);
            }
            MutantSwitch::$place = $place;
            MutantSwitch::$mutant = $mutant;
            $first = true;
            $red = $changed = $made = false;
            $held = $changes = $left = [];
            MutantSwitch::used();
            foreach ($job['lists'][$list] as $number) {
                $copy = Player::copyOf($number);
                if ($copy === null) {
                    Process::kill(); // the supervisor knows which tests have none
                }
                $red = !Suite::runCopy($copy, $number, $first);
                $first = false;
                if (!$red && ($digest = Suite::heldBy($copy)) !== '') {
                    $held[$number] = $digest;
                }
                unset($copy);
                $changes = StateSnapshot::changes();
                $made = $made || StateSnapshot::hasMade();
                if (isset($own[$number])) {
                    $left += self::named($changes, $known);
                    $changes = \array_diff_key($changes, $left);
                }
                $changed = $changes !== [];
                if ($red && empty($job['all']) || $changed) {
                    break;
                }
            }
            $left = self::collect() + $left;
            \error_clear_last();
            self::ask(['part', $k, (object) $changes, (object) $held,
                empty($job['tells']) ? [] : \array_values(\array_filter(MutantSwitch::used(), 'is_int')), (object) $left]);
            if ($changed || ($left !== [] || $made) && ($mutant !== 0 || !empty($job['swap']))) {
                break;
            }
        }
        self::tell(['ended']);
        Process::kill();
    }

    /**
     * Those of some changes that are to what is declared under a name that the recordings do not have.
     *
     * @param array<string, mixed> $changes
     * @param array<string, true> $known
     * @return array<string, mixed>
     */
    private static function named(array $changes, array $known): array
    {
        $named = [];
        foreach ($changes as $root => $digests) {
            if (!isset($known[$root]) && (\strpos($root, '::$') !== false || \strncmp($root, 'static $', 8) === 0)) {
                $named[$root] = $digests;
            }
        }

        return $named;
    }

    /**
     * Has what nobody holds any more be destroyed now, where that can run code: not in the
     * replay of the next mutant. It gives what that has changed.
     *
     * @return array<string, mixed>
     */
    private static function collect(): array
    {
        return HeldObjects::canBe() && \gc_collect_cycles() > 0 ? StateSnapshot::changes() : [];
    }

    /** Says something and waits until the supervisor has done what it does then. */
    private static function ask(array $message): void
    {
        self::tell($message);
        if (Process::$channel->receive() === null) {
            Process::kill();
        }
    }

    private static function tell(array $message): void
    {
        Process::$channel->send($message);
        Process::$channel->release();
    }
}
