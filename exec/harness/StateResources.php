<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/** What streams and other resources hold, as far as it can be told without a trace. */
final class StateResources
{
    private const LARGEST = 1048576;

    public ?string $hidden = null;

    private StateFiles $files;

    public function __construct(StateFiles $files)
    {
        $this->files = $files;
    }

    /**
     * @param resource $value
     * @return array<mixed>|null null where nothing can be told
     */
    public function view($value): ?array
    {
        $this->hidden = null;
        $kind = \get_resource_type($value);
        if ($kind === 'stream-context') {
            return \stream_context_get_params($value);
        }

        return $kind === 'stream' ? $this->stream($value) : null;
    }

    /** @param resource $stream */
    private function stream($stream): ?array
    {
        foreach (['STDIN', 'STDOUT', 'STDERR'] as $name) {
            if (\defined($name) && \constant($name) === $stream) {
                return [$name];
            }
        }
        // All that PHP has to tell of a stream asks its wrapper whether the end is
        // reached: that may be one of the program, if there are such.
        if (\get_resources('stream factory') !== []) {
            return null;
        }
        $meta = \stream_get_meta_data($stream);
        $uri = (string) ($meta['uri'] ?? '');
        $view = [$meta['mode'], $this->files->relative($uri), $meta['stream_type'], $meta['wrapper_type'] ?? null];
        if ($meta['stream_type'] === 'MEMORY' || $meta['stream_type'] === 'TEMP') {
            return \array_merge($view, $this->memory($stream, $meta));
        }
        if ($meta['stream_type'] === 'Output' || \in_array($uri, ['php://stdin', 'php://stdout', 'php://stderr', 'php://output'], true)) {
            return $view;
        }
        if ($meta['stream_type'] !== 'STDIO' || !$meta['seekable']) {
            $this->hidden = "a stream of the kind {$meta['stream_type']}";

            return $view;
        }

        return \array_merge($view, [\ftell($stream), $meta['eof'], $meta['blocked']]);
    }

    /** @param resource $stream */
    private function memory($stream, array $meta): array
    {
        $at = \ftell($stream);
        $size = \fstat($stream)['size'] ?? self::LARGEST + 1;
        if ($at === false || $size > self::LARGEST || !\in_array($meta['uri'] ?? '', ['php://memory', 'php://temp'], true)
            && \strncmp($meta['uri'] ?? '', 'php://temp/maxmemory', 20) !== 0 || \get_resources('stream filter') !== []) {
            $this->hidden = "a stream of the kind {$meta['stream_type']}";

            return [$at, $size];
        }
        $content = \stream_get_contents($stream, -1, 0);
        \fseek($stream, $at);
        if ($meta['eof'] && !\feof($stream)) {
            \fread($stream, 1); // only a read at the end tells of the end
        }

        return [$at, $meta['eof'], $content];
    }
}
