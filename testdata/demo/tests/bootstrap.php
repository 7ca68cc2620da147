<?php

declare(strict_types=1);

$autoload = dirname(__DIR__) . '/vendor/autoload.php';

if (!is_file($autoload)) {
    fwrite(STDERR, "No $autoload yet: run `composer dump-autoload` in " . dirname(__DIR__) . " first.\n");
    exit(1);
}

require $autoload;
