<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/** What PHP is set to. Settings and environment count where they differ from what they were in the beginning. */
final class StateSettings
{
    /** Functions of extensions that say what they are set to. PHP's settings have what intl is set to. */
    private const ASKED = ['mb_internal_encoding', 'mb_substitute_character', 'mb_language', 'mb_http_output', 'mb_detect_order', 'mb_regex_encoding',
        'mb_regex_set_options', 'bcscale', 'session_status', 'session_id', 'pcntl_async_signals', 'libxml_get_external_entity_loader', 'spl_autoload_extensions'];
    private const SIGNALS = ['SIGHUP', 'SIGINT', 'SIGQUIT', 'SIGUSR1', 'SIGUSR2', 'SIGPIPE', 'SIGALRM', 'SIGTERM', 'SIGCHLD'];
    private const ASSERT_CALLBACK = 2;

    /** @var array<string, callable> root => function */
    private array $asked = [];
    /** @var array<string, int> root => number of a signal */
    private array $signals = [];
    /** @var array<string, array<string, mixed>> */
    private array $before = ['setting' => [], 'environment' => []];
    /** @var array<string, array<string, mixed>> */
    private array $now = ['setting' => [], 'environment' => []];
    /** @var array<string, array<string, mixed>> the differences between the two */
    private array $differences = ['setting' => [], 'environment' => []];
    /** @var array<string, mixed> */
    private array $others = [];
    private StateFiles $files;
    /** @var array<int, \Closure> closures that load classes and keep what they like, by their numbers */
    private array $loaders = [];

    public function __construct(StateFiles $files)
    {
        $this->files = $files;
        foreach (self::ASKED as $function) {
            if (\function_exists($function)) {
                $this->asked[\str_replace('_', ' ', $function)] = $function;
            }
        }
        foreach (\function_exists('pcntl_signal_get_handler') ? self::SIGNALS : [] as $signal) {
            $this->signals["handler of {$signal}"] = \constant($signal);
        }
    }

    /** From now on settings and environment are compared with what they are at the last look. */
    public function begin(): void
    {
        $this->before = $this->now;
        $this->differences = ['setting' => [], 'environment' => []];
    }

    /**
     * @param callable|null  $error    the handler of errors
     * @param list<callable> $autoload
     */
    public function look($error, array $autoload, bool $collects): void
    {
        foreach (['setting' => \ini_get_all(null, false), 'environment' => \getenv()] as $kind => $now) {
            if ($now !== $this->now[$kind]) {
                $this->now[$kind] = $now;
                $this->differences[$kind] = self::difference($kind, $now, $this->before[$kind]);
            }
        }
        $exception = \set_exception_handler(null);
        \restore_exception_handler();
        $this->others = ['error handler' => $error, 'exception handler' => $exception, 'autoload functions' => \array_map([$this, 'loader'], $autoload),
            'garbage collection' => $collects, 'output buffers' => \ob_list_handlers(), 'current directory' => \getcwd(), 'umask' => \umask(),
            'locale' => \setlocale(\LC_ALL, '0'), 'default timezone' => \date_default_timezone_get(), 'stream wrappers' => \stream_get_wrappers(),
            'stream filters' => \stream_get_filters(), 'headers' => [\headers_list(), \http_response_code()],
            'default stream context' => \stream_context_get_options(\stream_context_get_default())];
        if (\function_exists('libxml_use_internal_errors')) {
            $this->others['libxml errors'] = self::libxml();
        }
        if (\function_exists('assert_options')) {
            $this->others['assert callback'] = \assert_options(self::ASSERT_CALLBACK);
        }
        foreach ($this->asked as $root => $function) {
            $this->others[$root] = $function();
        }
        foreach ($this->signals as $root => $signal) {
            $this->others[$root] = \pcntl_signal_get_handler($signal);
        }
    }

    /**
     * What counts of a function that loads classes. That is asked at every look, and of
     * those of PHPUnit's own there may be many.
     *
     * @param callable $loader
     * @return callable|string
     */
    private function loader($loader)
    {
        if (!$loader instanceof \Closure) {
            return $loader;
        }
        $id = \spl_object_id($loader);
        if (!isset($this->loaders[$id]) && $this->files->isOwn((string) (new \ReflectionFunction($loader))->getFileName())) {
            $this->loaders[$id] = $loader;
        }

        return isset($this->loaders[$id]) ? 'own' : $loader;
    }

    /** @return array<string, mixed> as of the last look */
    public function roots(): array
    {
        return $this->others + $this->differences['setting'] + $this->differences['environment'];
    }

    /** @return array{bool, list<\LibXMLError>} */
    private static function libxml(): array
    {
        if (\PHP_VERSION_ID >= 80000) {
            $collects = \libxml_use_internal_errors();
        } else { // there a call without an argument turns it off
            $collects = \libxml_use_internal_errors(true);
            if (!$collects) {
                \libxml_use_internal_errors(false);
            }
        }

        return [$collects, $collects ? \libxml_get_errors() : []];
    }

    /** @return array<string, mixed> */
    private static function difference(string $kind, array $now, array $before): array
    {
        $difference = [];
        foreach ($now as $name => $value) {
            if (!\array_key_exists($name, $before) || $before[$name] !== $value) {
                $difference["{$kind} {$name}"] = $value;
            }
        }
        foreach (\array_diff_key($before, $now) as $name => $value) {
            $difference["{$kind} {$name}"] = [];
        }

        return $difference;
    }
}
