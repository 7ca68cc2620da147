<?php

// A depot that keeps state in every place in which PHP has room for it. Read by
// harness_state_test.go.

namespace Depot;

const SHELVES = 12;

enum Zone: string
{
    case Cold = 'c';
    case Dry = 'd';
}

trait Counts
{
    public static int $counted = 0;

    public function next(): int
    {
        static $number = 0;

        return ++$number;
    }
}

class Store
{
    use Counts;

    public static array $goods = ['nails' => 3];
    public static array $list = [1, 2];
    public static $any = null;
    public static $other = null;
    public static ?Store $one = null;
    public static \stdClass $typed;
    public static float $weight = 0.5;
    public static string $label = 'a' . SHELVES;
    public static Zone $zone = Zone::Dry;
    private static string $secret = '';

    public static function tell(string $secret): void
    {
        self::$secret = $secret;
    }
}

class Branch extends Store
{
    public static array $goods = [];
}

final class Parcel
{
    public readonly string $to;
    public int $grams;
    public ?Parcel $next = null;
    protected array $stamps = [];
    private $note = 'none';
    public $extra;

    public function stamp(string $stamp): static
    {
        $this->stamps[] = $stamp;

        return $this;
    }
}

function price(string $what)
{
    static $cache = [
        'nails' => -3, // each
        "screws" => [1.5, TRUE, null],
    ], $calls = 0, $last;
    ++$calls;

    return $cache[$what] ??= $last = \strlen($what);
}

function zones()
{
    static $zones = [Zone::Cold->name => 1];

    return $zones;
}

/** Everything that PHP could call says so. */
class Loud implements \ArrayAccess, \IteratorAggregate, \Countable, \JsonSerializable, \Serializable
{
    public $kept = 1;

    public function __get($name) { echo "__get {$name}\n"; }
    public function __isset($name) { echo "__isset\n"; return true; }
    public function __call($name, $arguments) { echo "__call {$name}\n"; }
    public function __toString(): string { echo "__toString\n"; return ''; }
    public function __debugInfo() { echo "__debugInfo\n"; return []; }
    public function __serialize(): array { echo "__serialize\n"; return []; }
    public function __unserialize(array $data): void { echo "__unserialize\n"; }
    public function __sleep() { echo "__sleep\n"; return []; }
    public function __clone() { echo "__clone\n"; }
    public function __invoke() { echo "__invoke\n"; }
    public function offsetGet($at): mixed { echo "offsetGet\n"; return 1; }
    public function offsetSet($at, $value): void { echo "offsetSet\n"; }
    public function offsetExists($at): bool { echo "offsetExists\n"; return true; }
    public function offsetUnset($at): void { echo "offsetUnset\n"; }
    public function getIterator(): \Iterator { echo "getIterator\n"; return new \ArrayIterator([]); }
    public function count(): int { echo "count\n"; return 0; }
    public function jsonSerialize(): mixed { echo "jsonSerialize\n"; return 1; }
    public function serialize() { echo "serialize\n"; return ''; }
    public function unserialize($data) { echo "unserialize\n"; }
}

#[\AllowDynamicProperties]
class LoudList extends \ArrayObject
{
    public function __serialize(): array { echo "__serialize\n"; return []; }
    public function __debugInfo(): array { echo "__debugInfo\n"; return []; }
    public function getIterator(): \Iterator { echo "getIterator\n"; return parent::getIterator(); }
    public function offsetGet($at): mixed { echo "offsetGet\n"; return 1; }
    public function getArrayCopy(): array { echo "getArrayCopy\n"; return []; }
    public function count(): int { echo "count\n"; return 0; }
}

class LoudHeap extends \SplMinHeap
{
    public static bool $loud = false;

    protected function compare($a, $b): int { echo self::$loud ? "compare\n" : ''; return $b <=> $a; }
    public function __debugInfo(): array { echo "__debugInfo\n"; return []; }
}

class LoudStorage extends \SplObjectStorage
{
    public static bool $loud = false;

    public function getHash(object $object): string { echo self::$loud ? "getHash\n" : ''; return (string) \spl_object_id($object); }
    public function __serialize(): array { echo "__serialize\n"; return []; }
    public function current(): object { echo "current\n"; return $this; }
    public function key(): int { echo "key\n"; return 0; }
}

class LoudDate extends \DateTime
{
    public function format($format): string { echo "format\n"; return ''; }
    public function getTimestamp(): int { echo "getTimestamp\n"; return 0; }
}

class LoudStream
{
    public $context;

    public function stream_open($path, $mode, $options, &$opened) { return true; }
    public function stream_eof() { echo "stream_eof\n"; return true; }
    public function stream_stat() { echo "stream_stat\n"; return []; }
    public function stream_tell() { echo "stream_tell\n"; return 0; }
    public function stream_seek($to, $whence) { echo "stream_seek\n"; return true; }
    public function stream_read($count) { echo "stream_read\n"; return ''; }
    public function stream_set_option($option, $a, $b) { echo "stream_set_option\n"; return false; }
}

class LoudDatabase extends \PDO
{
    public function query(...$arguments): \PDOStatement|false { echo "query\n"; return false; }
    public function getAttribute(int $attribute): mixed { echo "getAttribute\n"; return null; }
    public function inTransaction(): bool { echo "inTransaction\n"; return false; }
}

class LoudStatement extends \PDOStatement
{
    protected function __construct() { echo "statement made\n"; }
}
