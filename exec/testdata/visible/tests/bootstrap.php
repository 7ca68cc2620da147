<?php
spl_autoload_register(static function (string $class): void {
    if ($class === 'Mirror') {
        require __DIR__ . '/../src/Mirror.php';
    }
});
