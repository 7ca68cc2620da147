<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/**
 * Notes the calls that come into the sources from outside, as the suite makes them.
 *
 * The sources tell of each public function that is entered and of what it gives; see
 * mutate.Points.Calling. Noted is what a test could write down again: who is called, how that
 * was made, and with which arguments. An object has a number when a constructor of it was
 * seen to run, or a call to give it.
 */
final class CallRecorder
{
    /** How many calls are noted of a function in one test, and in all. */
    private const MOST = 25;
    private const MOST_OF_ALL = 20_000;
    /** How many calls from within the sources are noted of a function. */
    private const MOST_INSIDE = 40;

    /** @var array<string, true> paths */
    private array $sources = [];
    /** @var array<int, mixed> points of functions that are wanted */
    private array $wanted;
    /** @var \SplObjectStorage|\WeakMap object => its number */
    private object $known;
    private int $objects = 0;
    private int $serial = 0;
    /** Number of the call from outside that was seen last; 0 for none that counts. */
    private int $current = 0;
    private int $test = -1;
    /** @var array<int, int> point => calls in this test, and from inside in all */
    private array $counts = [];
    private array $inside = [];
    /** @var array<string, bool> class => whether a source declares it */
    private array $ours = [];
    /** @var array<string, true> */
    private array $described = [];
    /** @var list<array> what has not been sent */
    private array $news = [];

    /** @param list<string> $sources */
    public function __construct(array $sources, array $wanted)
    {
        foreach ($sources as $path) {
            $this->sources[Process::$root . '/' . $path] = true;
        }
        $this->wanted = \array_flip($wanted);
        $this->known = \class_exists(\WeakMap::class, false) ? new \WeakMap() : new \SplObjectStorage();
    }

    /** A segment of the suite begins. */
    public function begin(int $test): void
    {
        $this->noteReached();
        $this->current = 0;
        $this->test = $test;
        $this->counts = [];
    }

    public function flush(): void
    {
        $this->noteReached();
        if ($this->news !== []) {
            Process::$channel->send(['calls', \json_encode($this->news, \JSON_THROW_ON_ERROR | \JSON_INVALID_UTF8_SUBSTITUTE | \JSON_UNESCAPED_SLASHES)]);
            $this->news = [];
        }
    }

    /** What was entered since the last call belongs to that. */
    private function noteReached(): void
    {
        $used = MutantSwitch::used();
        if ($this->current > 0 && $used !== []) {
            $used = \array_values(\array_filter($used, function ($point): bool {
                return isset($this->wanted[$point]);
            }));
            if ($used !== []) {
                $this->news[] = ['reached', $this->current, $used];
            }
        }
    }

    /**
     * A function of the sources is entered.
     *
     * @param object|string|null $on the object, or the class of a static call
     *
     * @return int the number of the call, for left(); 0 where it is not noted
     */
    public function enter(int $point, $on, array $arguments): int
    {
        if (\getmypid() !== Probe::$owner) {
            return 0;
        }
        $frame = \debug_backtrace(\DEBUG_BACKTRACE_IGNORE_ARGS, 2)[1];
        if (!$this->isFromOutside($frame)) {
            if (isset($this->wanted[$point]) && ($this->inside[$point] = ($this->inside[$point] ?? 0) + 1) <= self::MOST_INSIDE && $frame['function'] !== '__construct') {
                $this->note($point, $on, $frame['function'], $arguments, true);
            }

            return 0;
        }
        $this->noteReached();
        $this->current = 0;
        $count = $this->counts[$point] = ($this->counts[$point] ?? 0) + 1;
        if ($count > self::MOST || $this->serial > self::MOST_OF_ALL) {
            if (\is_object($on) && isset($this->known[$on])) {
                $this->news[] = ['lost', $this->known[$on]];
            }

            return 0;
        }

        return $this->current = $this->note($point, $on, $frame['function'], $arguments, false);
    }

    /** What a call gives: if that is an object, it is known from now on as what the call gave. */
    public function left(int $call, $value)
    {
        if (\is_object($value) && !isset($this->known[$value]) && $this->isOurs(\get_class($value)) && !$value instanceof \UnitEnum) {
            $this->known[$value] = ++$this->objects;
            $this->describeClass(\get_class($value));
            $this->news[] = ['made', $call, $this->objects, \get_class($value)];
        }

        return $value;
    }

    /** Whether no source has made a call that is in progress. */
    private function isFromOutside(array $frame): bool
    {
        if (isset($frame['file'], $this->sources[$frame['file']])) {
            return false;
        }
        foreach (\array_slice(\debug_backtrace(\DEBUG_BACKTRACE_IGNORE_ARGS), 3) as $above) {
            if (isset($above['file'], $this->sources[$above['file']])) {
                return false;
            }
        }

        return true;
    }

    private function note(int $point, $on, string $function, array $arguments, bool $inside): int
    {
        $class = $this->ourClassOf(\is_object($on) ? \get_class($on) : (string) $on);
        if ($on !== null && $class === null) {
            return 0;
        }
        $class = (string) $class;
        $kind = $on === null ? 'function' : (\is_string($on) ? 'static' : 'method');
        $object = null;
        if ($kind === 'method' && $function === '__construct') {
            $kind = 'new';
            $this->known[$on] = $object = ++$this->objects;
            $this->describeClass($class);
        } elseif ($kind === 'method') {
            $object = $this->standsFor($on);
        }
        $call = ++$this->serial;
        $list = \array_map(function ($argument) {
            return ProverValues::encoded($argument, [$this, 'standsForObject']);
        }, $arguments);
        $this->describe($kind, $class, $function);
        $this->news[] = ['call', $call, $this->test, $point, $kind, $class, $kind === 'new' ? '' : $function, $object, $list, $inside];
        if (\count($this->news) > 500) {
            $this->flush();
        }

        return $call;
    }

    /** What stands for a receiver. */
    private function standsFor(object $on)
    {
        return ProverValues::own($on) ?? $this->standsForObject($on);
    }

    public function standsForObject(object $object): array
    {
        if (isset($this->known[$object])) {
            return ['o' => $this->known[$object]];
        }
        $this->describeClass(\get_class($object));
        $class = $this->ourClassOf(\get_class($object));
        if ($class === null) {
            return ['y' => ProverValues::nameOf($object)];
        }
        $of = new \ReflectionClass($class);
        if ($of->getConstructor() !== null || !$of->isInstantiable()) {
            return ['y' => ProverValues::nameOf($object)];
        }
        $this->known[$object] = ++$this->objects;
        $this->news[] = ['call', ++$this->serial, $this->test, 0, 'new', $class, '', $this->objects, [], false];

        return ['o' => $this->objects];
    }

    private function isOurs(string $class): bool
    {
        return $this->ours[$class] ?? ($this->ours[$class] = \strpos($class, '@anonymous') === false
            && isset($this->sources[(string) (new \ReflectionClass($class))->getFileName()]));
    }

    /**
     * The class that stands for one: itself, if a source declares it, or the nearest above it
     * that a source declares and that has instances, as for one that tests have made of it.
     */
    private function ourClassOf(string $class): ?string
    {
        for ($of = $class; $of !== ''; $of = (string) \get_parent_class($of)) {
            if ($this->isOurs($of) && ($of === $class || (new \ReflectionClass($of))->isInstantiable())) {
                return $of;
            }
        }

        return null;
    }

    /** Tells what a class is, besides itself. */
    private function describeClass(string $class): void
    {
        if (!isset($this->described["{$class} "])) {
            $this->described["{$class} "] = true;
            $this->news[] = ['class', \substr($class, 0, \strcspn($class, "\0")), \array_values(\class_parents($class) + \class_implements($class))];
        }
    }

    /** Tells of the parameters of a function. */
    private function describe(string $kind, string $class, string $function): void
    {
        $name = $kind === 'function' ? $function : "{$class}::{$function}";
        if (isset($this->described[$name])) {
            return;
        }
        $this->described[$name] = true;
        $it = $kind === 'function' ? new \ReflectionFunction($function) : new \ReflectionMethod($class, $function);
        $parameters = [];
        foreach ($it->getParameters() as $p) {
            [$types, $cases] = self::typesOf($p->getType());
            $parameters[] = ['name' => $p->getName(), 'types' => $types, 'cases' => $cases,
                'optional' => $p->isOptional(), 'variadic' => $p->isVariadic(), 'reference' => $p->isPassedByReference()];
        }
        $this->news[] = ['function', $kind === 'new' ? "{$class}::" : $name, $parameters];
    }

    /** @return array{list<string>, list<array{string, string}>} names of types; cases of the enums among them */
    private static function typesOf(?\ReflectionType $type): array
    {
        if ($type === null) {
            return [[], []];
        }
        $names = $cases = [];
        foreach ($type instanceof \ReflectionNamedType ? [$type] : (\method_exists($type, 'getTypes') ? $type->getTypes() : []) as $one) {
            if (!$one instanceof \ReflectionNamedType) {
                continue;
            }
            $names[] = $name = $one->getName();
            if (\function_exists('enum_exists') && \enum_exists($name)) {
                foreach (\array_slice($name::cases(), 0, 40) as $case) {
                    $cases[] = [$name, $case->name];
                }
            }
        }
        if ($type->allowsNull() && !\in_array('null', $names, true)) {
            $names[] = 'null';
        }

        return [$names, $cases];
    }
}
