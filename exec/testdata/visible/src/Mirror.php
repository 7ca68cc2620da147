<?php
/** All that code can see of the process that runs it. */
final class Mirror
{
    public function ripples(int $stones): int
    {
        return $stones >= 1 ? $stones * 2 : 0;
    }

    /** @return array<string, list<string>> */
    public function image(): array
    {
        $image = [
            'stack' => $this->stack(),
            'classes' => $this->ours(array_merge(get_declared_classes(), get_declared_interfaces(), get_declared_traits())),
            'functions' => get_defined_functions()['user'],
            'constants' => $this->pairs(get_defined_constants(true)['user'] ?? []),
            'files' => get_included_files(),
            'settings' => $this->pairs(ini_get_all(null, false)),
            'server' => $this->pairs($_SERVER),
            'environment' => $this->pairs(getenv()),
            'globals' => array_keys($GLOBALS),
            'descriptors' => $this->descriptors(),
            'resources' => array_map('get_resource_type', array_values(get_resources())),
            'autoloaders' => array_map([$this, 'callee'], spl_autoload_functions()),
            'wrappers' => array_merge(stream_get_wrappers(), stream_get_filters(), stream_get_transports()),
            'extensions' => get_loaded_extensions(),
            'process' => ['directory ' . getcwd(), 'mask ' . umask(), 'sapi ' . PHP_SAPI, 'zone ' . date_default_timezone_get(),
                'locale ' . setlocale(LC_ALL, '0'), 'buffers ' . ob_get_level(), 'garbage ' . json_encode(gc_enabled()), 'user ' . posix_getuid(),
                'handler ' . $this->callee(set_error_handler(null)), 'error ' . json_encode(error_get_last()), 'json ' . json_last_error(), 'title ' . cli_get_process_title(),
                'group leader ' . json_encode(posix_getpgid(0) === getmypid()), 'time limit ' . ini_get('max_execution_time'), 'preg ' . preg_last_error(),
                'signals ' . (preg_match('/^SigIgn:\s*(\w+)/m', file_get_contents('/proc/self/status'), $m) ? $m[1] : ''),
                'children ' . trim((string) @file_get_contents('/proc/self/task/' . getmypid() . '/children'))],
        ];
        restore_error_handler();

        return array_map(static function (array $list): array {
            $list = array_values(array_map('strval', $list));

            return $list;
        }, $image);
    }

    private function stack(): array
    {
        return array_map(static function (array $f): string {
            return ($f['class'] ?? '') . ($f['type'] ?? '') . $f['function'] . ' ' . basename($f['file'] ?? '-');
        }, debug_backtrace(DEBUG_BACKTRACE_IGNORE_ARGS));
    }

    private function ours(array $names): array
    {
        return array_values(array_filter($names, static function (string $name): bool {
            return !(new ReflectionClass($name))->isInternal();
        }));
    }

    private function pairs(array $values): array
    {
        $pairs = [];
        foreach ($values as $name => $value) {
            $pairs[] = $name . '=' . json_encode($value);
        }

        return $pairs;
    }

    private function descriptors(): array
    {
        $open = [];
        foreach (scandir('/proc/self/fd') as $n) {
            $to = @readlink('/proc/self/fd/' . $n);
            if (is_numeric($n) && $to !== false && strpos($to, '/proc/') !== 0) {
                $open[] = $n . ' ' . preg_replace('/\[\d+\]/', '', $to);
            }
        }

        return $open;
    }

    /** @param mixed $callable */
    private function callee($callable): string
    {
        if (is_array($callable)) {
            return (is_object($callable[0]) ? get_class($callable[0]) : $callable[0]) . '::' . $callable[1];
        }

        return is_object($callable) ? get_class($callable) : json_encode($callable);
    }
}
