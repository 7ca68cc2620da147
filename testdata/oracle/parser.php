<?php
// Gives nikic/PHP-Parser, 4.15 or 5, whichever include_path has first; its nodes know
// their bytes and lines. 5 reads the newest PHP that it knows.
declare(strict_types=1);

require 'PhpParser/autoload.php';
ini_set('memory_limit', '1G');
error_reporting(E_ALL & ~E_DEPRECATED);

$factory = new PhpParser\ParserFactory();
if (method_exists($factory, 'createForNewestSupportedVersion')) {
    return $factory->createForNewestSupportedVersion();
}
$lexer = new PhpParser\Lexer\Emulative(['usedAttributes' => ['startLine', 'startFilePos', 'endFilePos']]);

return $factory->create(PhpParser\ParserFactory::PREFER_PHP7, $lexer);
