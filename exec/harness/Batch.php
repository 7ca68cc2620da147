<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/**
 * Replays of many mutants in one process, one after the other. All tests are ones
 * that begin in the state that there is now and that leave it as it is; each is run
 * as a copy. After each test the state must be what it was, else the process ends:
 * what the mutant did could be seen by the next.
 */
final class Batch
{
    public static bool $running = false;

    public static function run(array $job): void
    {
        self::$running = true;
        Process::$channel->hold();
        foreach ($job['parts'] as $k => [$place, $mutant, $list]) {
            if (!empty($job['swap'])) {
                self::ask(['swap', $k]);
            }
            MutantSwitch::$place = $place;
            MutantSwitch::$mutant = $mutant;
            $first = true;
            $red = $changed = false;
            $held = [];
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
                self::collect();
                $changes = StateSnapshot::changes();
                $changed = $changes !== [];
                if ($red && empty($job['all']) || $changed) {
                    break;
                }
            }
            \error_clear_last();
            self::ask(['part', $k, $changed ? $changes : (object) [], (object) $held,
                empty($job['tells']) ? [] : \array_values(\array_filter(MutantSwitch::used(), 'is_int'))]);
            if ($changed) {
                break;
            }
        }
        self::tell(['ended']);
        Process::kill();
    }

    /** Has what nobody holds any more be destroyed now, where that can run code: not in the replay of the next mutant. */
    private static function collect(): void
    {
        if (HeldObjects::canBe()) {
            \gc_collect_cycles();
        }
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
