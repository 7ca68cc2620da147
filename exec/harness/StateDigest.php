<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/**
 * Walks values and makes digests of what they hold.
 *
 * An object is opened where it is met first; where it is met again, the digest says
 * which root and place that was. A walk is bounded: behind 50,000 values, or 5,000
 * levels, a root counts as one that cannot be told. A large array of scalars alone
 * costs what PHP takes to serialize it.
 */
final class StateDigest
{
    private const MOST = 50000;
    private const DEEPEST = 5000;
    /** Elements from which an array is handed to PHP as a whole, if it can be. */
    private const LARGE = 500;
    private const LARGEST = 2000000;
    private const PIECE = 20000;
    /** Elements up to which the next free index of an array is part of its digest. */
    private const INDEXED = 1000;
    private const LONG = 1024;
    /** Elements from which on what is written of an array is remembered. */
    private const REMEMBERED = 8;
    /** How often an array may be another than at the look before, until none is remembered in its place. */
    private const CHANGES = 3;

    /** What the last digest cannot tell: a class, or a kind of resource. */
    public ?string $hidden = null;

    private StateFiles $files;
    private StateObjects $objects;
    private StateResources $resources;
    private string $algorithm;
    /** @var array<string, array{string, string, array<string, true>|null}> class => its name, kind, and the properties that do not count */
    private array $plans = [];
    /** @var array<int|string, int> number of an object => place in the root where it was met first */
    private array $first = [];
    /** @var array<int|string, string> number of an object => that root */
    private array $home = [];
    /** @var list<mixed> what was made for the walk: its objects keep their numbers till the end of it */
    private array $held = [];
    /** @var array<int|string, true> objects opened in a second walk of a root */
    private array $opened = [];
    /** @var array<string, array<int, array{array<mixed>|null, string, string, int, int}>> root => place => an array of scalars, what was written before and behind its mark, how many values those are, and how often it was another */
    private array $memory = [];
    /** How many arrays were met that may be remembered. */
    private int $arrays = 0;
    private bool $second = false;
    private bool $shape = false;
    private string $root = '';
    private int $count = 0;
    private int $left = 0;
    private int $depth = 0;

    public function __construct(StateFiles $files)
    {
        $this->files = $files;
        $this->objects = new StateObjects($files);
        $this->resources = new StateResources($files);
        $this->algorithm = \in_array('xxh128', \hash_algos(), true) ? 'xxh128' : 'md5';
    }

    /** @param mixed $value */
    public function of(string $root, $value, bool $shape): string
    {
        $this->root = $root;
        $this->shape = $shape;
        $this->count = $this->depth = $this->arrays = 0;
        $this->left = self::MOST;
        $this->hidden = null;
        $out = '';
        $this->write($value, $out);

        return \hash($this->algorithm, $out);
    }

    /**
     * The digest of the shape of a root that of() was given.
     *
     * @param mixed $value
     */
    public function shapeOf(string $root, $value): string
    {
        $this->second = true;
        $this->opened = [];
        $hidden = $this->hidden;
        $shape = $this->of($root, $value, true);
        $this->second = false;
        $this->hidden = $hidden;

        return $shape;
    }

    /**
     * The digest of a value that is no root's.
     *
     * @param mixed $value
     */
    public function apart($value, bool $shape): string
    {
        $other = clone $this;
        $other->forget();

        return $other->of('', $value, $shape);
    }

    /**
     * The digest of values that are no roots', as a whole; null where it cannot tell all.
     *
     * @param array<mixed> $values
     */
    public function together(array $values): ?string
    {
        $other = clone $this;
        $other->forget();
        $digest = $other->of('', $values, false);

        return $other->hidden === null ? $digest : null;
    }

    /**
     * What kind of value that is: a type, whether an array is empty, the class of an
     * object, the classes in a callable.
     *
     * @param mixed $value
     */
    public function kindOf($value): string
    {
        if (\is_object($value)) {
            return ($this->plans[\get_class($value)] ?? $this->plan($value))[0];
        }
        if (\is_array($value) && \count($value) === 2 && \array_keys($value) === [0, 1] && \is_object($value[0]) && \is_string($value[1])) {
            return $this->kindOf($value[0]) . "::{$value[1]}";
        }

        return $value === [] ? 'empty array' : \gettype($value);
    }

    /** The end of a look: numbers of objects mean nothing any more. */
    public function forget(): void
    {
        $this->first = $this->home = $this->opened = $this->held = [];
    }

    /**
     * Whether a value is a scalar or an array of scalars that === can compare.
     *
     * @param mixed $value
     */
    public static function isFlat($value): bool
    {
        if (\is_array($value)) {
            foreach ($value as $key => $inner) {
                if (\ReflectionReference::fromArrayElement($value, $key) !== null
                    || !\is_string($inner) && !\is_int($inner) && $inner !== null && !\is_bool($inner) && !self::isFlat($inner)) {
                    return false;
                }
            }

            return true;
        }

        return $value === null || \is_float($value) && $value !== 0.0 && $value === $value || \is_scalar($value) && !\is_float($value);
    }

    /** The index that the next element without one would get, null if there is none: [1, 2] after unset($a[1]) still goes on at 2. */
    public static function nextIndex(array $value): ?int
    {
        try {
            $value[] = null;
        } catch (\Error $full) {
            return null;
        }

        return \array_key_last($value);
    }

    /** @param mixed $value */
    private function write($value, string &$out): void
    {
        if (\is_object($value)) {
            $this->object($value, $out);
        } elseif (\is_array($value)) {
            $this->array($value, $out);
        } elseif (\is_string($value)) {
            $out .= $this->shape ? 's' : $this->string($value);
        } elseif ($value === null) {
            $out .= 'n';
        } elseif (\is_int($value)) {
            $out .= $this->shape ? 'i' : "i{$value};";
        } elseif (\is_bool($value)) {
            $out .= $this->shape ? 'b' : ($value ? 't' : 'f');
        } elseif (\is_float($value)) {
            $out .= $this->shape ? 'd' : 'd' . ($value === $value ? \pack('E', $value) : 'nan');
        } else {
            $this->resource($value, $out);
        }
    }

    private function string(string $value): string
    {
        $value = $this->files->placeless($value);
        $n = \strlen($value);

        return $n > self::LONG ? "S{$n}:" . \hash($this->algorithm, $value) : "s{$n}:{$value}";
    }

    private function array(array $value, string &$out): void
    {
        $n = \count($value);
        $out .= "a{$n}";
        if ($this->shape) {
            if ($n <= self::LARGE || !$this->large($value, $out)) {
                $this->elements($value, $out);
            }

            return;
        }
        $at = -1;
        $changes = 0;
        if ($n >= self::REMEMBERED) {
            $at = $this->arrays++;
            $known = $this->memory[$this->root][$at] ?? null;
            if ($known !== null) {
                if ($known[0] === $value && $known[3] <= $this->left && $this->depth < self::DEEPEST - 100) {
                    $this->left -= $known[3];
                    $out .= $known[1] . self::mark($value) . $known[2];

                    return;
                }
                $changes = $known[4] + 1;
            }
        }
        $left = $this->left;
        $before = $after = '';
        if ($n > self::LARGE && $this->large($value, $after)) {
            $before = 'p';
        } else {
            $this->elements($value, $after);
        }
        $out .= $before . self::mark($value) . $after;
        if ($at >= 0 && $changes <= self::CHANGES) {
            $this->memory[$this->root][$at] = self::isFlat($value) && ($before !== '' || !self::holdsArrays($value)) ? [$value, $before, $after, $left - $this->left, $changes] : [null, '', '', 0, self::CHANGES];
        }
    }

    /** Whether arrays are among the elements: === does not see their marks. */
    private static function holdsArrays(array $value): bool
    {
        foreach ($value as $inner) {
            if (\is_array($inner)) {
                return true;
            }
        }

        return false;
    }

    /** Writes the elements of an array, the properties of an object, or a view of it. */
    private function elements(array $values, string &$out): void
    {
        $this->left -= \count($values);
        if ($this->left < 0) {
            $this->hide('more than ' . \number_format(self::MOST) . ' values');

            return;
        }
        if (++$this->depth > self::DEEPEST) {
            $this->hide('more than ' . \number_format(self::DEEPEST) . ' levels');
            --$this->depth;

            return;
        }
        foreach ($values as $key => $inner) {
            if ($this->shape) {
                $this->write($inner, $out);
                continue;
            }
            $out .= \is_int($key) ? "{$key}=" : \strlen($key) . ":{$key}=";
            if (\is_int($inner)) {
                $out .= "i{$inner};";
            } elseif (\is_string($inner) && ($length = \strlen($inner)) <= self::LONG && !$this->files->isInside($inner)) {
                $out .= "s{$length}:{$inner}";
            } elseif ($inner === null) {
                $out .= 'n';
            } else {
                $this->write($inner, $out);
            }
        }
        --$this->depth;
        $out .= ']';
    }

    /** What an array has beside its elements, where that is not what a new one has. */
    private static function mark(array $value): string
    {
        $at = \key($value);
        $mark = $at === \array_key_first($value) ? '[' : "at {$at}[";

        return \is_string($at) || \count($value) > self::INDEXED ? $mark : self::nextIndex($value) . $mark;
    }

    /** Writes a large array without its mark, if it holds scalars only; see isFlat(). */
    private function large(array $value, string &$out): bool
    {
        if (\count($value, \COUNT_RECURSIVE) > self::LARGEST || !self::isPlain($value)) {
            return false;
        }
        if ($this->shape) {
            $out .= 'plain';

            return true;
        }
        $hash = \hash_init($this->algorithm);
        for ($i = 0, $n = \count($value); $i < $n; $i += self::PIECE) {
            \hash_update($hash, \serialize(\array_slice($value, $i, self::PIECE, true)));
        }
        $out .= \hash_final($hash);

        return true;
    }

    /** Whether serialize() tells an array as it is: how it writes floats can be set. */
    private static function isPlain(array $value): bool
    {
        foreach ($value as $key => $inner) {
            if (\is_string($inner) || \is_int($inner) || $inner === null || \is_bool($inner)) {
                continue;
            }
            if (!\is_array($inner) || \ReflectionReference::fromArrayElement($value, $key) !== null || !self::isPlain($inner)) {
                return false;
            }
        }

        return true;
    }

    /** @param resource $value an open or a closed one */
    private function resource($value, string &$out): void
    {
        if (!\is_resource($value)) {
            $out .= 'closed';

            return;
        }
        $out .= 'r' . \get_resource_type($value);
        if (!$this->meet('r' . (int) $value, $out)) {
            return;
        }
        $view = $this->resources->view($value);
        if ($view === null) {
            $this->hide('a resource of the kind ' . \get_resource_type($value));
        } else {
            $this->held[] = $view;
            $this->elements($view, $out);
        }
        if ($this->resources->hidden !== null) {
            $this->hide($this->resources->hidden);
        }
    }

    private function object(object $value, string &$out): void
    {
        $plan = $this->plans[\get_class($value)] ?? $this->plan($value);
        $out .= "o{$plan[0]}";
        if ($plan[1] === 'own') {
            return;
        }
        if ($plan[1] === 'enum') {
            $out .= $this->shape ? '' : "::{$value->name};";

            return;
        }
        if (!$this->meet(\spl_object_id($value), $out)) {
            return;
        }
        if ($plan[1] === 'plain') {
            $vars = \PHP_VERSION_ID >= 80400 && $this->objects->isLazy($value) ? $this->objects->lazy($value) : (array) $value;
        } else {
            $vars = $this->objects->view($plan[1], $value);
            if ($this->objects->hidden !== null) {
                $this->hide($this->objects->hidden);
            }
            $this->held[] = $vars;
        }
        if ($plan[2] !== null) {
            $vars = \array_diff_key($vars, $plan[2]);
        }
        if ($plan[0] !== \get_class($value)) {
            $vars = self::renamed($vars, \get_class($value), $plan[0]);
        }
        $out .= '{' . \count($vars);
        $this->elements($vars, $out);
    }

    /** The names of private properties have that of the class in them. */
    private static function renamed(array $vars, string $class, string $name): array
    {
        $renamed = [];
        foreach ($vars as $key => $value) {
            $renamed[\is_string($key) ? \str_replace($class, $name, $key) : $key] = $value;
        }

        return $renamed;
    }

    /**
     * Whether an object or a resource is to be opened here; if not, it is written where it is.
     *
     * @param int|string $id
     */
    private function meet($id, string &$out): bool
    {
        if (!isset($this->first[$id])) {
            $this->first[$id] = $this->count++;
            $this->home[$id] = $this->root;
            if ($this->second) {
                $this->opened[$id] = true;
            }

            return true;
        }
        if ($this->second && $this->home[$id] === $this->root && !isset($this->opened[$id])) {
            return $this->opened[$id] = true;
        }
        $out .= "@{$this->home[$id]}#{$this->first[$id]};";

        return false;
    }

    private function hide(string $what): void
    {
        $this->hidden ??= $what;
    }

    /** @return array{string, string, array<string, true>|null} */
    private function plan(object $value): array
    {
        $class = new \ReflectionClass($value);
        [$kind, $skipped] = $this->objects->planFor($class);

        return $this->plans[\get_class($value)] = [$this->objects->nameOf($class), $kind, $skipped];
    }
}
