<?php
// Reads lines of JSON {"path", "edits": [[start, end, new in base64], ...]};
// writes for each a line of JSON: a list with, for each edit, null, or "parse:"
// when PHP's compiler refuses the mutant, as `php -l` does. Nothing is run:
// each text is compiled in a child process of its own, since what it declares
// stays. {"error"} when the unchanged file is refused already. Needs pcntl, and
// opcache, told to run (opcache.enable_cli=1) and to keep nothing
// (opcache.max_file_size=1).
declare(strict_types=1);

if (!function_exists('pcntl_fork') || opcache_get_status(false) === false) {
    fwrite(STDERR, "compile.php needs pcntl and a running opcache\n");
    exit(1);
}
ini_set('display_errors', '0');
ini_set('log_errors', '0');
$file = tempnam(sys_get_temp_dir(), 'compile') . '.php';
register_shutdown_function(static function () use ($file): void {
    @unlink($file);
    @unlink(substr($file, 0, -4));
});

function compiles(string $text): bool
{
    global $file;
    file_put_contents($file, $text);
    $child = pcntl_fork();
    if ($child === 0) {
        if (opcache_compile_file($file)) {
            posix_kill(getmypid(), SIGKILL); // no shutdown function here
        }
        posix_kill(getmypid(), SIGTERM);
    }
    pcntl_waitpid($child, $status);

    return pcntl_wtermsig($status) === SIGKILL;
}

while (($line = fgets(STDIN)) !== false) {
    ['path' => $path, 'edits' => $edits] = json_decode($line, true, 512, JSON_THROW_ON_ERROR);
    $src = file_get_contents($path);
    if (!compiles($src)) {
        echo json_encode(['error' => 'refused as it is']), "\n";
        continue;
    }
    $answer = [];
    foreach ($edits as [$start, $end, $new]) {
        $mutant = substr_replace($src, base64_decode($new, true), $start, $end - $start);
        $answer[] = compiles($mutant) ? null : 'parse: refused by the compiler';
    }
    echo json_encode($answer), "\n";
}
