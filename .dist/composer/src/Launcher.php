<?php

namespace Assay;

/**
 * Runs the program for this machine in place of PHP. Where PHP has pcntl, that is literally so:
 * the program takes over the process. Where it has not, PHP waits for it, and a second process
 * passes on that PHP was ended.
 */
final class Launcher
{
    /** Exit statuses of assay's own: the user must act; a fault of the package. */
    const USAGE = 2;
    const FAULT = 4;

    /** What uname(2) calls a processor: how binaries are called. */
    const MACHINES = ['x86_64' => 'amd64', 'amd64' => 'amd64', 'aarch64' => 'arm64', 'arm64' => 'arm64'];

    /** @var string the folder of the binaries */
    private $dir;

    public function __construct(string $dir)
    {
        $this->dir = $dir;
    }

    /**
     * Runs the program, and does not return where it takes over the process.
     *
     * @param string[] $arguments
     * @return int the exit status
     */
    public function run(array $arguments, string $system, string $machine): int
    {
        try {
            $binary = $this->executable($this->binary($system, $machine));
        } catch (\RuntimeException $e) {
            fwrite(STDERR, 'assay: ' . str_replace("\n", "\nassay: ", $e->getMessage()) . "\n");
            return $e->getCode();
        }
        if (self::callable('pcntl_exec')) {
            @pcntl_exec($binary, $arguments);
            fwrite(STDERR, "assay: $binary cannot be run: " . pcntl_strerror(pcntl_get_last_error()) . "\n");
            return self::FAULT;
        }
        if (self::callable('proc_open')) {
            return $this->attend($binary, $arguments);
        }
        fwrite(STDERR, "assay: this PHP can start no program: disable_functions names pcntl_exec and proc_open\n"
            . "assay: Run $binary itself, or another PHP.\n");
        return self::USAGE;
    }

    /** Gives the binary for a system and a processor, as uname(2) calls them. */
    public function binary(string $system, string $machine): string
    {
        $there = [];
        foreach (array_unique(self::MACHINES) as $name) {
            if (is_file("$this->dir/assay-linux-$name")) {
                $there[] = "linux-$name";
            }
        }
        $name = self::MACHINES[$machine] ?? null;
        if ($system === 'Linux' && $name !== null && in_array("linux-$name", $there, true)) {
            return "$this->dir/assay-linux-$name";
        }
        $do = $system === 'Linux' ? 'Build assay from its source on this machine, as its README says.'
            : 'assay runs on Linux: run it in the container that your PHP has, or in WSL on Windows.';
        throw new \RuntimeException("there is no binary for $system on $machine; there is "
            . ($there ? implode(', ', $there) : 'none at all: the package is not whole, install it anew') . "\n$do", self::USAGE);
    }

    /** What unpacks packages may take the right to execute away; this gives it back. */
    private function executable(string $binary): string
    {
        if (is_executable($binary) || (@chmod($binary, 0755) && is_executable($binary))) {
            return $binary;
        }
        throw new \RuntimeException("$binary may not be executed, and you may not change that\n"
            . "Have its owner run: chmod 755 $binary (or the file system is mounted noexec: move vendor elsewhere)", self::FAULT);
    }

    /**
     * Starts the program, waits for it, and gives its status, or 128 and the signal that ended it.
     *
     * @param string[] $arguments
     */
    private function attend(string $binary, array $arguments): int
    {
        $program = proc_open(array_merge([$binary], $arguments), [STDIN, STDOUT, STDERR], $pipes);
        if (!is_resource($program)) {
            fwrite(STDERR, "assay: $binary cannot be run\n");
            return self::FAULT;
        }
        $status = proc_get_status($program);
        // It hears when this process ends, however that was, and asks the program to end. What a
        // terminal sends comes to all three: the watcher dies of it, and the program has it once.
        $watcher = proc_open(['/bin/sh', '-c', 'read -r over || kill -TERM "$0"', (string) $status['pid']],
            [['pipe', 'r'], ['file', '/dev/null', 'w'], ['file', '/dev/null', 'w']], $lifeline);
        while ($status['running']) {
            usleep(10000);
            $status = proc_get_status($program);
        }
        if (is_resource($watcher)) {
            @fwrite($lifeline[0], "over\n");
            fclose($lifeline[0]);
            proc_close($watcher);
        }
        return $status['signaled'] ? 128 + $status['termsig'] : $status['exitcode'];
    }

    /** is_callable() is not asked: before PHP 8 it knows functions that are disabled. */
    private static function callable(string $function): bool
    {
        return function_exists($function)
            && !in_array($function, array_map('trim', explode(',', (string) ini_get('disable_functions'))), true);
    }
}
