<?php

declare(strict_types=1);

// Compiles the text that lies in a file, each time that it is asked to, and has PHP write what
// came of that as a file: opcache's file cache, from which PHP itself runs a script without its
// text. Nothing of the text is run.
//
// The first answer is a letter: R ready, O there is no opcache, F this PHP cannot fork. Then a
// request is the letter C, and the answer a full stop when it is done.
//
// Each text is compiled in a process that is forked from this one, which does the same before
// each fork. So what is in memory is the same each time, and where the cache has bytes that PHP
// never sets (behind the end of a text, say), these are the same as well. What is compiled may
// depend on what is declared: nothing is here, not even a function.

\error_reporting(0);
$out = \fopen('php://stdout', 'w');
if (!\function_exists('opcache_compile_file')) {
    \fwrite($out, 'O');
    exit;
}
if (!\function_exists('pcntl_fork') || !\function_exists('posix_kill')) {
    \fwrite($out, 'F');
    exit;
}
$in = \fopen('php://stdin', 'r');
\stream_set_read_buffer($in, 0);
\fwrite($out, 'R');
while (\fread($in, 1) === 'C') {
    $child = \pcntl_fork();
    if ($child === 0) {
        \opcache_compile_file($argv[1]);
        \posix_kill(\posix_getpid(), 9); // nothing is to be done at its end
        exit;
    }
    \pcntl_waitpid($child, $status);
    \fwrite($out, '.');
}
