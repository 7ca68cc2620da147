<?php

declare(strict_types=1);

// The entry of every PHP process that a worker starts:
//
//     php main.php SOCKET TOKEN
//
// SOCKET is the name of an abstract Unix socket without its leading NUL, TOKEN
// what the process says first, so that nobody else is mistaken for it. All
// else comes as messages; see protocol.go, which describes every one.

namespace AssayHarness;

require __DIR__ . '/Channel.php';
require_once __DIR__ . '/Probe.php';
require __DIR__ . '/Active.php';
require __DIR__ . '/Ending.php';
require __DIR__ . '/Traces.php';
require __DIR__ . '/Copies.php';
require __DIR__ . '/Late.php';
require __DIR__ . '/Stage.php';
require __DIR__ . '/Loader.php';

(static function (string $socket, string $token): void {
    $channel = new Channel($socket, $token);
    $channel->send(['hello', \getmypid(), \PHP_VERSION, \function_exists('pcntl_fork')]);
    $setup = $channel->receive();
    if ($setup === null || ($setup['op'] ?? '') !== 'setup') {
        \fwrite(\STDERR, "assay: the worker did not say what to do\n");
        exit(70);
    }
    Stage::start($channel, $setup);
})($_SERVER['argv'][1], $_SERVER['argv'][2]);
