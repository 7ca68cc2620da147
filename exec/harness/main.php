<?php

declare(strict_types=1);

// The entry of every PHP process that a supervisor starts:
//
//     php main.php SOCKET TOKEN
//
// SOCKET is the name of an abstract Unix socket without its leading NUL, TOKEN
// what the process says first, so that nobody else is mistaken for it. All
// else comes as messages; package wire describes every one.

// The namespace is one of PHPUnit's. Code under test tells the runner's frames and classes
// from others by that, and so does PHPUnit itself, which can be told to compare and to put
// back the static properties of all classes but its own.

namespace PHPUnit\AssayHarness;

require __DIR__ . '/Channel.php';
require_once __DIR__ . '/Probe.php';
require __DIR__ . '/StateSnapshot.php';
require __DIR__ . '/TestCloner.php';
require __DIR__ . '/Loader.php';
require __DIR__ . '/Process.php';
require __DIR__ . '/HeldObjects.php';
require __DIR__ . '/Player.php';
require __DIR__ . '/Batch.php';
require __DIR__ . '/Prover.php';

// No variables here, for they would be globals, and no class around the call: code under
// test can look at both.
(Process::begin($_SERVER['argv'][1], $_SERVER['argv'][2]))();
