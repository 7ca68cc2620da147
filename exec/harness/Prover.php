<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/**
 * Looks for inputs that tell mutants from the original, in two kinds of process: one runs the
 * suite and has calls recorded, the other makes calls where the suite has been built, and says
 * what came of them.
 */
final class Prover
{
    /** How many seconds the calls of one input may take, of processor time and of real time. */
    private const SECONDS = 0.5;
    private const WAITING = 30.0;
    /** How many inputs of a mutant may end their process. */
    private const ENDINGS = 2;

    private static ?CallRecorder $recorder = null;
    private static string $file = '';

    /** The suite is about to be built. */
    public static function begin(array $prove): void
    {
        require_once __DIR__ . '/ProverValues.php';
        if ($prove['what'] === 'record') {
            require_once __DIR__ . '/CallRecorder.php';
            MutantSwitch::$calls = self::$recorder = new CallRecorder($prove['sources'], $prove['wanted']);
        }
    }

    /** This is boundary n of the suite, behind which is a test or, -1, something else. */
    public static function at(int $n, int $test): void
    {
        if (self::$recorder === null) {
            require_once __DIR__ . '/ProverOutcome.php';
            require_once __DIR__ . '/ProverCalls.php';
            self::serve(Process::$setup['prove']['jobs']);
        }
        self::$recorder->begin($test);
        if ($n === Player::end()) {
            self::$recorder->flush();
            MutantSwitch::$calls = null;
            Process::$channel->send(['recorded']);
        }
    }

    /** Makes the calls of all jobs and ends the process. */
    private static function serve(array $jobs): void
    {
        self::$file = (string) \tempnam(\sys_get_temp_dir(), 'assay');
        foreach ($jobs as $job) {
            $answer = ['id' => $job['id'], 'original' => [], 'mutant' => [], 'again' => []];
            foreach ($job['sides'] as $side) {
                $job['tomorrow'] = $side === 'again';
                $job['chosen'] = $side === 'mutant' ? [$job['place'], $job['mutant']] : [0, 0];
                $answer[$side] = self::inChildren($job);
            }
            if (isset($answer['original'], $answer['mutant']) && empty($job['whole'])) {
                self::leaveOutSame($answer['original'], $answer['mutant']);
            }
            Process::$channel->send(['proof', \json_encode($answer, \JSON_THROW_ON_ERROR | \JSON_INVALID_UTF8_SUBSTITUTE | \JSON_UNESCAPED_SLASHES)]);
        }
        \unlink(self::$file);
        Process::$channel->send(['ended']);
        Process::kill();
    }

    /** Where both sides are alike, the outcome itself is not told. */
    private static function leaveOutSame(array &$original, array &$mutant): void
    {
        foreach ($mutant as $i => $line) {
            if (isset($original[$i][2], $line[2]) && $original[$i][2] === $line[2]) {
                $original[$i][3] = $mutant[$i][3] = null;
            }
        }
    }

    /** Makes the calls of one side, in a child, or in one child for each input where it is to be fresh. */
    private static function inChildren(array $job): array
    {
        $lines = [];
        $all = \count($job['inputs']);
        for ($from = $endings = 0; $from < $all;) {
            $to = empty($job['fresh']) ? $all : $from + 1;
            \file_put_contents(self::$file, '');
            self::child($job, $from, $to);
            foreach (\explode("\n", \trim((string) \file_get_contents(self::$file))) as $line) {
                if ($line !== '' && \is_array($read = \json_decode($line, true, 512))) {
                    $lines[] = $read;
                }
            }
            if (\count($lines) < $to) { // the next one has ended its process
                $lines[] = null;
                if (++$endings >= self::ENDINGS) {
                    break;
                }
            }
            $from = \count($lines);
        }

        return $lines;
    }

    private static function child(array $job, int $from, int $to): void
    {
        $pid = \pcntl_fork();
        if ($pid < 0) {
            throw new \RuntimeException('PHP cannot fork');
        }
        if ($pid > 0) {
            self::watch($pid);

            return;
        }
        \ini_set('memory_limit', '512M');
        [MutantSwitch::$place, MutantSwitch::$mutant] = $job['chosen'];
        $out = \fopen(self::$file, 'a');
        \stream_set_write_buffer($out, 0);
        $calls = new ProverCalls($job['points'], $job['dated'] ?? 0, $job['tomorrow'], $job['observed'] ?? 0, $job['tells'] ?? false);
        for ($i = $from; $i < $to; ++$i) {
            $line = $calls->outcomeOf($job['inputs'][$i], $job['look'] ?? null);
            \fwrite($out, \json_encode($line, \JSON_THROW_ON_ERROR | \JSON_INVALID_UTF8_SUBSTITUTE | \JSON_UNESCAPED_SLASHES) . "\n");
        }
        Process::kill();
    }

    /** Waits until a child has ended, and ends it where an input takes too long. */
    private static function watch(int $pid): void
    {
        $told = 0;
        $used = 0.0;
        $since = \microtime(true);
        for ($pause = 100; \pcntl_waitpid($pid, $status, \WNOHANG) === 0; $pause = \min(2 * $pause, 10_000)) {
            \usleep($pause);
            \clearstatcache();
            $size = (int) \filesize(self::$file);
            $now = self::timeOf($pid);
            if ($size !== $told) {
                [$told, $used, $since] = [$size, $now, \microtime(true)];
            } elseif ($now - $used > self::SECONDS || \microtime(true) - $since > self::WAITING) {
                \posix_kill($pid, \SIGKILL);
            }
        }
    }

    /** The processor time, in seconds, that a child has used; see proc_pid_stat(5). */
    private static function timeOf(int $pid): float
    {
        $fields = \explode(' ', (string) \strrchr((string) @\file_get_contents("/proc/{$pid}/stat"), ')'));

        return ((int) ($fields[12] ?? 0) + (int) ($fields[13] ?? 0)) / 100;
    }
}
