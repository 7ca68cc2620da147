<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/**
 * What of an outcome a test can look at, as a tree.
 *
 * A plain value is as ProverValues has it. An array that is none has "A", pairs of key and
 * node; an object "O", its class, with "p", "m" and "i": pairs of name and node for public
 * properties and for methods without arguments, and the nodes that it gives when it is iterated.
 * "T" is an exception: class, message, code; of a method only the class is told. "R" says that an object has been told of already.
 */
final class ProverOutcome
{
    private const DEEP = 3;
    private const ELEMENTS = 1000;
    private const NODES = 3000;
    /** Names of methods that are likelier to do something than to tell something. */
    private const DOES = '~^(set|add|remove|delete|clear|reset|push|pop|shift|unshift|next|prev|rewind|save|store|write|send|close|open|start|stop|run|execute|flush|register|unregister|append|insert|update|process|dispatch|load|fetch|commit|rollback|begin|end|lock|unlock|connect|disconnect|destroy|detach|attach|invoke|print|dump|exit|quit|kill|sleep|wait|getIterator)~';

    private int $nodes = 0;
    /** @var array<int, object> */
    private array $seen = [];

    /** All of it. */
    public static function whole(array $outcome, string $output): array
    {
        $it = new self();
        $tree = [];
        if ($outcome['thrown'] !== null) {
            $tree['thrown'] = self::thrown($outcome['thrown']);
        } elseif ($outcome['on'] !== null && $outcome['result'] === $outcome['on']) {
            $tree['same'] = true;
        } else {
            $tree['result'] = $it->node($outcome['result'], 0);
        }
        if ($output !== '') {
            $tree['output'] = ProverValues::text($output);
        }
        if ($outcome['on'] !== null) {
            $tree['receiver'] = $it->node($outcome['on'], 0);
        }
        foreach ($outcome['arguments'] as $i => $argument) {
            if (\is_object($argument) && !$argument instanceof \UnitEnum) {
                $tree['arguments'][] = [$i, $it->node($argument, 1)];
            }
        }

        return $tree;
    }

    /** What one look sees, and nothing else is looked at. */
    public static function one(array $outcome, string $output, array $look): array
    {
        switch ($look['kind']) {
            case 'output':
                return ['seen' => ProverValues::text($output)];
            case 'argument':
                $at = $outcome['arguments'][$look['argument']] ?? null;
                break;
            default:
                $at = $look['kind'] === 'receiver' ? $outcome['on'] : $outcome['result'];
        }
        if ($outcome['thrown'] !== null && $look['kind'] !== 'receiver') {
            return ['thrown' => self::thrown($outcome['thrown'])];
        }
        try {
            foreach ($look['path'] as [$kind, $name]) {
                $at = self::step($at, $kind, $name);
            }
        } catch (\Throwable $t) {
            return ['lost' => \get_class($t)];
        }

        return ['seen' => \is_array($at) || !\is_object($at) ? ProverValues::encoded($at, static function (): array {
            return ['x' => 'an object'];
        }) : (ProverValues::own($at) ?? ['O' => ProverValues::nameOf($at)])];
    }

    private static function step($at, string $kind, $name)
    {
        $name = ProverValues::decoded($name, []);
        switch ($kind) {
            case 'property':
                return $at->{$name};
            case 'method':
                return $at->{$name}();
            case 'key':
                return $at[$name];
            case 'class':
                return \get_class($at);
        }

        return \iterator_to_array($at, false);
    }

    public static function thrown(\Throwable $t): array
    {
        return ['T' => [\get_class($t), ProverValues::text($t->getMessage()), \is_int($t->getCode()) ? $t->getCode() : 0]];
    }

    private function node($value, int $depth)
    {
        if (++$this->nodes > self::NODES) {
            return ['x' => 'too much'];
        }
        if (\is_array($value)) {
            $plain = ProverValues::encoded($value, static function (): array {
                return ['x' => 'an object'];
            });
            if (\strpos((string) \json_encode($plain), '{"x":') === false || $depth >= self::DEEP) {
                return $plain;
            }
            $pairs = [];
            foreach (\array_slice($value, 0, self::ELEMENTS, true) as $key => $element) {
                $pairs[] = [\is_int($key) ? $key : ProverValues::text($key), $this->node($element, $depth + 1)];
            }

            return ['A' => $pairs, 'n' => \count($value)];
        }
        if (!\is_object($value)) {
            return ProverValues::encoded($value);
        }

        return ProverValues::own($value) ?? $this->object($value, $depth);
    }

    private function object(object $value, int $depth): array
    {
        $id = \spl_object_id($value);
        $class = \get_class($value);
        if (isset($this->seen[$id])) {
            return ['R' => $class];
        }
        if ($depth >= self::DEEP || $value instanceof \Closure) {
            return ['O' => ProverValues::nameOf($value)];
        }
        $this->seen[$id] = $value; // kept, so that its number stays its own
        $node = ['O' => ProverValues::nameOf($value)];
        foreach (\get_object_vars($value) as $name => $property) {
            $node['p'][] = [ProverValues::text((string) $name), $this->node($property, $depth + 1)];
        }
        foreach ($value instanceof \Generator || $value instanceof \Throwable ? [] : self::tellingMethods($class) as $name) {
            try {
                $node['m'][] = [$name, $this->node($value->{$name}(), $depth + 1)];
            } catch (\Throwable $t) {
                $node['m'][] = [$name, ['T' => [\get_class($t), '', 0]]];
            }
        }
        if ($value instanceof \Throwable) {
            $node['m'][] = ['getMessage', ProverValues::text($value->getMessage())];
        }
        if ($value instanceof \Traversable) {
            $node += $this->iterated($value, $depth);
        }

        return $node;
    }

    private function iterated(\Traversable $value, int $depth): array
    {
        $all = [];
        try {
            foreach ($value as $element) {
                if (\count($all) === self::ELEMENTS) {
                    return []; // perhaps without end
                }
                $all[] = $element;
            }
        } catch (\Throwable $t) {
            return ['e' => \get_class($t)];
        }

        return ['i' => $this->node($all, $depth)];
    }

    /** @return list<string> public methods without arguments that may tell something */
    private static function tellingMethods(string $class): array
    {
        static $known = [];
        if (isset($known[$class])) {
            return $known[$class];
        }
        $names = [];
        foreach ((new \ReflectionClass($class))->getMethods(\ReflectionMethod::IS_PUBLIC) as $method) {
            $name = $method->getName();
            if ($method->isStatic() || $method->getNumberOfRequiredParameters() > 0 || $method->isInternal() && $name !== 'count' && $name !== 'getArrayCopy') {
                continue;
            }
            $type = $method->getReturnType();
            $gives = $type instanceof \ReflectionNamedType && !\in_array($type->getName(), ['void', 'never', 'static', 'self', 'Generator'], true)
                && \preg_match(self::DOES, $name) === 0;
            if ($gives && \strncmp($name, '__', 2) !== 0 || \preg_match('~^(get(?!Iterator)|is|has|to|count$|__toString$|jsonSerialize$|all$)~', $name) === 1) {
                $names[] = $name;
            }
        }
        \sort($names);

        return $known[$class] = $names;
    }
}
