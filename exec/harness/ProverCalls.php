<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/**
 * Makes the calls of an input, as a test would write them, and says what came of the last.
 */
final class ProverCalls
{
    /** @var list<int> points that the change lies behind */
    private array $points;
    /** Number of the mutant whose value is compared with the original's; 0: of none is. */
    private int $observed;
    private bool $tells;
    /** What is done about texts that mean another day tomorrow: 0 nothing, 2 they are refused, 1 the outcome is looked at where it is today, and where it is tomorrow. */
    private int $dated;
    private bool $tomorrow;
    private int $warnings = 0;

    public function __construct(array $points, int $dated, bool $tomorrow, int $observed, bool $tells)
    {
        $this->tells = $tells;
        $this->observed = $observed;
        $this->points = $points;
        $this->dated = $dated;
        $this->tomorrow = $tomorrow;
    }

    /**
     * @return array{int, int, string, mixed, list<int>} 1 where the change was reached, 2 where the
     *     mutant's value was observed to be another one; 0 where the
     *     input counts, else why not: 1 it cannot be made, 2 with a warning, 3 + n call n
     *     fails, which is not the last; a digest of the outcome; the outcome; points that were
     *     passed, if they are asked for
     */
    public function outcomeOf(array $calls, ?array $look): array
    {
        $this->warnings = 0;
        MutantSwitch::used();
        Observer::take();
        Probe::$book->hits = [];
        $level = \ob_get_level();
        \ob_start();
        \set_error_handler([$this, 'warn']);
        $state = 0;
        $outcome = null;
        try {
            $outcome = $this->make($calls, $state);
        } catch (\Throwable $t) {
            $state = $state ?: 1;
        }
        \restore_error_handler();
        $output = '';
        while (\ob_get_level() > $level) {
            $output = \ob_get_clean() . $output;
        }
        $warned = $this->warnings > 0;
        $tree = null;
        if ($outcome !== null) {
            \ob_start();
            \set_error_handler([$this, 'warn']);
            $tree = $look === null ? ProverOutcome::whole($outcome, $output) : ProverOutcome::one($outcome, $output, $look);
            \restore_error_handler();
            while (\ob_get_level() > $level) {
                \ob_end_clean();
            }
        }
        $reached = $this->points === [] ? 1 : 0;
        foreach ($this->points as $point) {
            $reached |= isset(Probe::$book->hits[$point]) ? 1 : 0;
        }
        $told = $this->observed > 0 ? Observer::take() : [];
        $reached |= isset($told[4 * $this->observed]) ? 2 : 0;
        $passed = $this->tells ? \array_keys(Probe::$book->hits) : [];
        $text = (string) \json_encode($tree);

        return [$reached, $state === 0 && $warned ? 2 : $state, \md5($text), $tree, $passed];
    }

    public function warn(int $kind): bool
    {
        if ((\error_reporting() & $kind) !== 0) {
            ++$this->warnings;
        }

        return true;
    }

    private function make(array $calls, int &$state): ?array
    {
        $variables = [];
        $last = \count($calls) - 1;
        foreach ($calls as $n => $call) {
            $arguments = [];
            foreach ($call['args'] as $argument) {
                if ($this->dated > 0 && self::isOfToday($argument)) {
                    if ($this->dated > 1) {
                        return null;
                    }
                    \date_default_timezone_set($this->tomorrow ? 'Pacific/Kiritimati' : 'Pacific/Pago_Pago'); // they are 25 hours apart
                }
                if (isset($argument['v'])) { // it may be taken by reference
                    $arguments[] = &$variables[$argument['v']];
                } else {
                    $arguments[] = ProverValues::decoded($argument, $variables);
                }
            }
            $result = $thrown = null;
            try {
                $result = self::call($call, $variables, $arguments);
            } catch (\Throwable $t) {
                if (self::isOurFault($t)) {
                    $state = 1;

                    return null;
                }
                $thrown = $t;
            }
            if ($n === $last) {
                return ['result' => $result, 'thrown' => $thrown, 'on' => $variables[$call['on'] ?? ''] ?? null, 'arguments' => $arguments];
            }
            if ($thrown !== null) {
                $state = 3 + $n;

                return null;
            }
            if (($call['into'] ?? '') !== '') {
                $variables[$call['into']] = $result;
            }
        }

        return null;
    }

    private static function call(array $call, array $variables, array $arguments)
    {
        $class = $call['class'] ?? '';
        $name = $call['name'] ?? '';
        switch ($call['kind']) {
            case 'new':
                return new $class(...$arguments);
            case 'method':
                return $variables[$call['on']]->{$name}(...$arguments);
            case 'static':
                return $class::$name(...$arguments);
        }

        return $name(...$arguments);
    }

    /** Whether it was refused to make a call, or with such arguments. */
    private static function isOurFault(\Throwable $t): bool
    {
        if (!$t instanceof \TypeError && !$t instanceof \Error) {
            return false;
        }
        $at = $t->getTrace()[0] ?? [];

        return $t->getFile() === __FILE__ || $t instanceof \TypeError && ($at['file'] ?? '') === __FILE__;
    }

    /** Whether a text means another date each day. */
    private static function isOfToday($value): bool
    {
        if (\is_string($value)) {
            $parsed = \date_parse($value);

            return $parsed['error_count'] === 0 && ($parsed['year'] === false || isset($parsed['relative']));
        }
        foreach (\is_array($value) ? $value['a'] ?? [] : [] as [, $element]) {
            if (self::isOfToday($element)) {
                return true;
            }
        }

        return false;
    }
}
