<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/**
 * The connection to the supervisor: one JSON value a line, each line from
 * PHP to Go headed by the token of its process. Lines without it are somebody
 * else's bytes and are dropped over there. Nothing of ours goes to stdout or
 * stderr: those belong to the code under test.
 */
final class Channel
{
    /** With exceptions, for else json_last_error() would no longer be what the code under test left there. */
    private const AS_JSON = \JSON_UNESCAPED_SLASHES | \JSON_INVALID_UTF8_SUBSTITUTE | \JSON_THROW_ON_ERROR;

    private string $socket;
    /**
     * Heads what is sent with the token, and keeps that: in no property, for code that looks at
     * all objects, to show, copy or compare them, would come upon it.
     */
    private \Generator $head;
    /** The token once all tests of a recording are over; see outlive(). */
    private ?string $late = null;
    /** @var resource|null */
    private $stream;
    private int $owner;
    private int $inode = 0;
    /**
     * Streams whose descriptors somebody closed. PHP would close the numbers
     * again when it lets go of them, and they may be our new connection's.
     *
     * @var list<resource>
     */
    private array $dead = [];
    /**
     * What tests have begun and ended and is not told of yet, in order: for a
     * beginning -2 less the test's number, which may be -1; for an end its time in
     * microseconds.
     *
     * @var list<int>
     */
    private array $ran = [];
    /** Whether an event was sent that makes the suite red. */
    public bool $red = false;
    /** The name of the test that was begun last. */
    private string $name = '';
    private int $toldAt = 0;
    /** Lines that wait for release(); null: they do not. */
    private ?string $held = null;

    public function __construct(string $socket, string $token)
    {
        $this->socket = $socket;
        $this->rename($token);
        $this->open() || exit(70);
    }

    /** A forked child makes a connection of its own: the parent's stays the parent's. */
    public function reopen(string $token): void
    {
        if (\is_resource($this->stream)) {
            \fclose($this->stream);
        }
        $this->rename($token);
        $this->ran = [];
        $this->open() || exit(70);
    }

    /** Has another token head what is sent from now on. */
    public function rename(string $token): void
    {
        $this->head = self::head();
        $this->head->current();
        $this->head->send($token);
    }

    /**
     * Has messages be sent also while PHP destroys what there is at its end, generators before
     * all. It is for recordings: what runs then is unchanged code.
     */
    public function outlive(): void
    {
        $this->late = \trim($this->head->send(null));
    }

    private static function head(): \Generator
    {
        $token = yield;
        for ($line = yield; true;) {
            $line = yield $line === null ? "{$token}\n" : "\n{$token} {$line}\n";
        }
    }

    /**
     * Notes that a test begins. Most tests take less time than it takes to tell
     * of them, so that is put off, by a millisecond at most; a test that is
     * known to take longer is told of at once.
     *
     * @param array<int, mixed> $long numbers of tests => anything
     */
    public function begun(int $number, string $name, array $long): void
    {
        $this->ran[] = -2 - $number;
        $this->name = $name;
        $now = \hrtime(true);
        if ($number < 0 || isset($long[$number]) || $now - $this->toldAt > 1_000_000) {
            $this->toldAt = $now;
            $this->tell();
            $this->release();
        }
    }

    public function ended(int $microseconds): void
    {
        $this->ran[] = \max(0, $microseconds);
    }

    /** Sends what was put off. */
    public function tell(): void
    {
        if ($this->ran !== [] && \getmypid() === $this->owner) {
            $ran = $this->ran;
            $this->ran = [];
            $this->send(['ran', $ran, $this->name]);
        }
    }

    private function open(): bool
    {
        $this->owner = \getmypid();
        $stream = @\stream_socket_client("unix://\0{$this->socket}", $code, $message, 5.0);
        if ($stream === false) {
            @\fwrite(\STDERR, "assay: no connection to the supervisor: {$message}\n");

            return false;
        }
        $this->stream = $stream;
        $this->inode = \fstat($stream)['ino'] ?? -1;

        return \fwrite($stream, $this->head->send(null)) !== false;
    }

    /**
     * Sends one message and tells whether it went out. Code under test may have
     * closed every stream or descriptor it could find: then the connection is
     * made again, once. A process that the code under test has forked says
     * nothing in our name.
     */
    public function send(array $message): bool
    {
        if (\getmypid() !== $this->owner) {
            return false;
        }
        $this->red = $this->red || $message[0] === 'event' && $message[3];
        if ($this->ran !== []) {
            $this->tell();
        }
        $json = \json_encode(self::packed($message), self::AS_JSON);
        $line = $this->late !== null ? "\n{$this->late} {$json}\n" : $this->head->send($json);
        if ($this->held !== null) {
            $this->held .= $line;

            return true;
        }

        return $this->out($line);
    }

    /** From now on what is sent waits for release(), or for a test that is told of at once. */
    public function hold(): void
    {
        $this->held = '';
    }

    public function release(): void
    {
        if ($this->held !== null && $this->held !== '') {
            $line = $this->held;
            $this->held = '';
            $this->out($line);
        }
    }

    private function out(string $line): bool
    {
        if (\is_resource($this->stream) && $this->isOurs() && $this->write($line)) {
            return true;
        }
        for ($times = 5; $times > 0; --$times) {
            $this->dead[] = $this->stream;
            if ($this->open() && $this->write($line)) {
                return true;
            }
            \usleep(10_000); // a busy supervisor
        }

        return false;
    }

    /** Closed descriptors are given out again: what we hold may be somebody else's file by now. */
    private function isOurs(): bool
    {
        return (@\fstat($this->stream)['ino'] ?? -1) === $this->inode;
    }

    private function write(string $line): bool
    {
        while ($line !== '') {
            $written = @\fwrite($this->stream, $line);
            if ($written === false || $written === 0) {
                return false;
            }
            $line = \substr($line, $written);
        }

        return true;
    }

    /**
     * The text that stands for a name in messages, where only UTF-8 can: itself,
     * if it is that. Any other name is written as a PHP literal of bytes,
     * b"\xFF", and so is one that looks like one: no two names have one text.
     */
    public static function text(string $name): string
    {
        try { // neither this nor what follows changes what preg_last_error() or json_last_error() say
            \json_encode($name, \JSON_THROW_ON_ERROR);
            if (\strncmp($name, 'b"', 2) !== 0) {
                return $name;
            }
        } catch (\JsonException $e) {
        }
        $text = '';
        foreach (\str_split($name) as $byte) {
            $plain = $byte >= ' ' && $byte <= '~';
            $text .= $plain ? (\strpos('"\\$', $byte) !== false ? '\\' : '') . $byte : \sprintf('\x%02X', \ord($byte));
        }

        return "b\"{$text}\"";
    }

    /** "Class::method" as text; PHP takes Latin-1 and anything else in names. */
    public static function method(string $name): string
    {
        return \implode('::', \array_map([self::class, 'text'], \explode('::', $name, 2)));
    }

    /** A message with lists of paths, of which those that are not UTF-8 are packed: see path(). */
    private static function packed(array $message): array
    {
        foreach ($message as $i => $list) {
            foreach (\is_array($list) ? $list : [] as $j => $path) {
                if (\is_string($path)) {
                    $message[$i][$j] = self::path($path);
                }
            }
        }

        return $message;
    }

    /** What stands for a path in a message: itself, or a zero byte and base64 where it is not UTF-8. */
    public static function path(string $path): string
    {
        return \strncmp(self::text($path), 'b"', 2) === 0 ? "\0" . \base64_encode($path) : $path;
    }

    /** A message with the paths for which something else stands in it. */
    public static function unpacked(array $message): array
    {
        \array_walk_recursive($message, static function (&$value): void {
            if (\is_string($value) && $value !== '' && $value[0] === "\0") {
                $value = (string) \base64_decode(\substr($value, 1), true);
            }
        });

        return $message;
    }

    /** Waits for the next message, however long; null when the supervisor is gone. */
    public function receive(): ?array
    {
        $line = '';
        while (\substr($line, -1) !== "\n") {
            $more = \fgets($this->stream);
            if ($more !== false) {
                $line .= $more;
            } elseif (\feof($this->stream) || !\stream_get_meta_data($this->stream)['timed_out']) {
                return null;
            }
        }

        return \json_decode($line, true, 512, \JSON_THROW_ON_ERROR);
    }
}
