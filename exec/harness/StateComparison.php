<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/**
 * Compares the roots with what they were at the last call.
 *
 * A scalar, or an array that holds no object, is kept and compared with ===: an array
 * that nobody has written to is the same piece of memory. Only roots that differ, and
 * those that hold objects, are walked. They are walked in the order of their names,
 * so that an object that two roots share is always opened in the same one.
 */
final class StateComparison
{
    /** Elements of a kept array up to which its next free index is looked at each time. */
    private const SHORT = 256;
    /** The digests of what was there in the beginning, and is not any more. */
    private const GONE = ['gone', 'gone', 'gone'];
    /** What of a root counts: all, the shape, the kind, nothing. These are places in a list of digests, too. */
    private const VALUE = 0;
    private const SHAPE = 1;
    private const KIND = 2;
    private const NOTHING = 3;

    private StateRoots $roots;
    private StateSettings $settings;
    private StateDigest $digest;
    /** @var array<string, callable> */
    private array $added = [];
    /** @var array<string, mixed> root => its value, where === tells whether it is the same */
    private array $kept = [];
    /** @var array<string, array{int|string|null, int|null}> root => marks of its array, see mark() */
    private array $marks = [];
    /** @var array<string, array{string, string, string}> root => its digests, where it is not as declared: of its value, its shape, its kind */
    private array $digests = [];
    /** @var array<string, array{string, string, string}> root => the digests that it had in the beginning */
    private array $base = [];
    /** @var array<string, int> root => what of it counts, where that is not the value */
    private array $levels = [];
    /** @var array<string, string> */
    private array $unknown = [];
    /** @var array<string, mixed> globals that were there in the beginning, by their roots */
    private array $globals = [];
    private \Closure $silence;
    private \Closure $block;

    /** @param list<string> $own */
    public function __construct(string $root, array $own)
    {
        $files = new StateFiles($root, $own);
        $this->roots = new StateRoots($files);
        $this->settings = new StateSettings($files);
        $this->digest = new StateDigest($files);
        $this->silence = static function (): bool {
            return true;
        };
        $this->block = static function (string $class): void {
            throw new \RuntimeException("A look at the state must not load {$class}.");
        };
        $this->quietly(function (): void {
            $this->settings->begin();
            $this->roots->begin();
            $this->compare($this->settings->roots() + $this->roots->globals() + $this->roots->constants());
            $this->globals = \array_fill_keys(\array_keys($this->roots->globals()), true);
        });
        $this->base = $this->digests;
        $this->digests = [];
    }

    /** @return array<string, array{string, string, string}|null> */
    public function changes(): array
    {
        return $this->quietly(function (): array {
            return $this->compare($this->all());
        });
    }

    /** @return array<string, mixed> */
    private function all(): array
    {
        $this->roots->look();
        $now = $this->settings->roots() + $this->roots->globals() + $this->roots->constants() + $this->roots->statics();
        foreach ($this->added as $name => $get) {
            $now[$name] = $get();
        }

        return $now;
    }

    /** @param array<string, int> $levels root => what of it counts from now on: 1 its shape, 2 its kind, 3 nothing */
    public function ignoreValues(array $levels): void
    {
        foreach ($levels as $name => $level) {
            $this->levels[$name] = $level;
            if ($level < self::NOTHING && isset($this->digests[$name])) {
                $this->digests[$name][0] = $this->digests[$name][$level];
            }
            if ($level < self::NOTHING && isset($this->base[$name])) {
                $this->base[$name][0] = $this->base[$name][$level];
            }
        }
    }

    /** @param mixed $value */
    public function digestOf($value): string
    {
        return $this->digestsOf([$value])[0];
    }

    /**
     * @param array<mixed> $values
     * @return array<string>
     */
    public function digestsOf(array $values): array
    {
        return $this->quietly(function () use ($values): array {
            foreach ($values as $key => $value) {
                $values[$key] = $this->digest->apart($value, false);
            }

            return $values;
        });
    }

    public function addRoot(string $name, callable $get): void
    {
        $this->added[$name] = $get;
    }

    /** @param list<\WeakReference> $objects */
    public function addObjects(string $name, array $objects): void
    {
        $last = [];
        $together = null;
        $this->added[$name] = function () use ($objects, &$last, &$together): array {
            $there = [];
            foreach ($objects as $i => $reference) {
                $there[$i] = $reference->get();
            }
            $there = \array_filter($there);
            // They share much, and so one walk through all of them is quicker than one through each.
            $digest = $this->digest->together($there);
            if ($digest === null || $digest !== $together) {
                $together = $digest;
                foreach ($there as $i => $object) {
                    $last[$i] = $this->digest->apart($object, false);
                }
            }

            return $last;
        };
    }

    /** @return array<string, string> */
    public function unknowns(): array
    {
        return $this->unknown + $this->roots->made();
    }

    /** Whether code has been made since the call of changes() before the last. */
    public function hasMade(): bool
    {
        return $this->roots->made() !== [];
    }

    /** @return list<string> */
    public function names(): array
    {
        return $this->quietly(function (): array {
            return \array_keys($this->all());
        });
    }

    /**
     * Does something while PHP's warnings go nowhere, classes are not loaded and
     * cycles of garbage stay where they are, and has all as it was before.
     *
     * @return mixed
     */
    private function quietly(callable $do)
    {
        $autoload = \spl_autoload_functions();
        $error = \set_error_handler($this->silence);
        \spl_autoload_register($this->block, true, true);
        $collects = \gc_enabled();
        $this->settings->look($error, $autoload, $collects);
        if ($collects) {
            \gc_disable();
        }
        try {
            return $do();
        } finally {
            $this->digest->forget();
            if ($collects) {
                \gc_enable();
            }
            \spl_autoload_unregister($this->block);
            \restore_error_handler();
        }
    }

    /**
     * @param array<string, mixed> $now all roots that there are
     * @return array<string, array{string, string, string}|null>
     */
    private function compare(array $now): array
    {
        $todo = [];
        $kept = $this->kept;
        foreach ($now as $name => $value) {
            if (!\array_key_exists($name, $kept) || $value !== $kept[$name]) {
                $todo[$name] = $value;
            }
        }
        $todo += $this->marked($now);
        $changes = [];
        foreach ([$this->globals, $this->digests] as $were) {
            foreach (\array_diff_key($were, $now) as $name => $digests) {
                $this->lose($name, $changes);
            }
        }
        \ksort($todo, \SORT_STRING);
        foreach ([\array_diff_key($todo, $this->levels), \array_intersect_key($todo, $this->levels)] as $part) {
            foreach ($part as $name => $value) {
                $this->renew($name, $value, $changes);
            }
        }
        \ksort($changes, \SORT_STRING);

        return $changes;
    }

    /**
     * Looks at one root.
     *
     * @param mixed $value
     * @param array<string, array{string, string, string}|null> $changes
     */
    private function renew(string $name, $value, array &$changes): void
    {
        $level = $this->levels[$name] ?? self::VALUE;
        if ($level === self::NOTHING) {
            return;
        }
        $before = $this->digests[$name][0] ?? null;
        $digest = null;
        unset($this->kept[$name], $this->marks[$name], $this->unknown[$name]);
        if (!$this->isUntouched($name, $value)) {
            $digest = $level === self::KIND ? $this->digest->kindOf($value) : $this->digest->of($name, $value, $level === self::SHAPE);
            if ($level !== self::KIND && $this->digest->hidden !== null) {
                $this->unknown[$name] = $this->digest->hidden;
            }
            if ($digest !== $before && $digest === $this->declared($name, $level)) {
                $digest = null;
            }
        }
        $this->keep($name, $value);
        if ($digest === $before) {
            return;
        }
        if ($digest === null) {
            unset($this->digests[$name]);
            $changes[$name] = null;

            return;
        }
        $shape = $level === self::VALUE ? $this->digest->shapeOf($name, $value) : $digest;
        $this->digests[$name] = [$digest, $shape, $this->digest->kindOf($value)];
        $changes[$name] = $this->unlikeDeclared($name);
    }

    /**
     * The digests of a root; '' for a shape or a kind that is as declared.
     *
     * @return array{string, string, string}
     */
    private function unlikeDeclared(string $name): array
    {
        $digests = $this->digests[$name];
        foreach ([self::SHAPE, self::KIND] as $level) {
            if ($digests[$level] === $this->declared($name, $level)) {
                $digests[$level] = '';
            }
        }

        return $digests;
    }

    /**
     * A root is no longer there.
     *
     * @param array<string, array{string, string, string}|null> $changes
     */
    private function lose(string $name, array &$changes): void
    {
        unset($this->kept[$name], $this->marks[$name], $this->unknown[$name]);
        if (!isset($this->base[$name])) {
            unset($this->digests[$name]);
            $changes[$name] = null;
        } elseif (($this->digests[$name] ?? null) !== self::GONE) {
            $changes[$name] = $this->digests[$name] = self::GONE;
        }
    }

    /**
     * Whether a value is what was declared, where === can tell.
     *
     * @param mixed $value
     */
    private function isUntouched(string $name, $value): bool
    {
        if (isset($this->added[$name])) {
            return $value === null;
        }

        return \array_key_exists($name, $this->roots->declared) && $value === $this->roots->declared[$name]
            && StateDigest::isFlat($value) && StateDigest::isFlat($this->roots->declared[$name])
            && (!\is_array($value) || self::mark($value) === self::mark($this->roots->declared[$name]));
    }

    /** The digest that a root has as declared; null where nothing is declared. */
    private function declared(string $name, int $level): ?string
    {
        if (isset($this->base[$name])) {
            return $this->base[$name][$level];
        }
        if (isset($this->added[$name])) {
            return $level === self::KIND ? $this->digest->kindOf(null) : $this->digest->apart(null, $level === self::SHAPE);
        }
        if (!\array_key_exists($name, $this->roots->declared)) {
            return null;
        }
        $value = $this->roots->declared[$name];

        return $level === self::KIND ? $this->digest->kindOf($value) : $this->digest->apart($value, $level === self::SHAPE);
    }

    /**
     * Keeps a value to compare with, if === can tell all about it: not where it
     * holds an object, a resource, a float whose sign or kind === does not see, or a
     * reference, through which it could change together with what is kept.
     *
     * @param mixed $value
     */
    private function keep(string $name, $value): void
    {
        if (!StateDigest::isFlat($value)) {
            return;
        }
        $this->kept[$name] = $value;
        if (\is_array($value)) {
            $this->marks[$name] = self::mark($value);
        }
    }

    /**
     * What === does not see of an array: where its internal pointer stands, and which
     * index comes next, where its keys are numbers.
     *
     * @return array{int|string|null, int|null}
     */
    private static function mark(array $value): array
    {
        $at = \key($value);
        $next = \is_string($at) || \count($value) > self::SHORT ? null : StateDigest::nextIndex($value);

        return [$at, $next];
    }

    /**
     * The kept arrays whose marks are not as they were; this is a loop without calls
     * since most of a look's time would go into them.
     *
     * @param array<string, mixed> $now
     * @return array<string, array<mixed>>
     */
    private function marked(array $now): array
    {
        $marked = [];
        foreach ($this->marks as $name => [$at, $next]) {
            $value = $now[$name] ?? null;
            if (!\is_array($value)) {
                continue;
            }
            if (\key($value) !== $at) {
                $marked[$name] = $value;
            } elseif ($next !== null) {
                try {
                    $value[] = null;
                } catch (\Error $full) {
                    $marked[$name] = $now[$name];
                }
                if (\array_key_last($value) !== $next) {
                    $marked[$name] = $now[$name];
                }
            }
        }

        return $marked;
    }
}
