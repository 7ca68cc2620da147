<?php
// Reads paths, one a line; writes for each a line of JSON with PHP's own
// tokens: a table of names, and pairs of an index into it and a length in
// bytes. "error" is PHP's complaint about the text as code, or null.
declare(strict_types=1);

error_reporting(0);
while (($path = fgets(STDIN)) !== false) {
    $src = file_get_contents(rtrim($path, "\n"));
    $index = [];
    $flat = [];
    foreach (PhpToken::tokenize($src) as $token) {
        $flat[] = $index[$token->getTokenName()] ??= count($index);
        $flat[] = strlen($token->text);
    }
    $error = null;
    try {
        PhpToken::tokenize($src, TOKEN_PARSE);
    } catch (CompileError $e) { // ParseError is one
        $error = "line {$e->getLine()}: {$e->getMessage()}";
    }
    echo json_encode(['kinds' => array_keys($index), 'flat' => $flat, 'error' => $error], JSON_INVALID_UTF8_SUBSTITUTE), "\n";
}
