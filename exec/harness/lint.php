<?php

declare(strict_types=1);

// Reads requests on standard input and answers on standard output, in order.
// A request is a letter, the length of a text as 8 hexadecimal digits, and the
// text; an answer is one line.
//
//   L  is it PHP? "ok", or the parser's message
//   F  what this PHP is: version|can fork|has a tokenizer|its binary
//   I  the files and directories that this PHP needs, with NUL bytes between them
//   T  its tokens, as JSON: a list of [name, offset, length], offsets in bytes
//
// Nothing of the text is run: PHP's tokenizer parses it.

// The tokenizer warns of odd texts, and a warning must not pass for an answer.
\error_reporting(0);

/**
 * What was read to make this PHP what it is, and is read again by each: settings,
 * extensions and libraries, and what settings name. Places where PHP writes are none of it.
 */
function needed(): array
{
    $paths = [(string) \php_ini_loaded_file(), \PHP_BINARY];
    foreach (\explode(',', (string) \php_ini_scanned_files()) as $file) {
        $paths[] = \trim($file);
    }
    foreach (['auto_prepend_file', 'auto_append_file', 'browscap', 'curl.cainfo', 'extension_dir', 'openssl.cafile', 'openssl.capath',
        'opcache.blacklist_filename', 'opcache.preload'] as $setting) {
        $paths[] = (string) \ini_get($setting);
    }
    \array_push($paths, ...\explode(\PATH_SEPARATOR, (string) \get_include_path()));
    foreach (\explode("\n", (string) @\file_get_contents('/proc/self/maps')) as $line) { // shared libraries: proc(5)
        $paths[] = \preg_match('~ (/.*\.so[^/]*)$~', $line, $m) === 1 ? $m[1] : '';
    }

    return \array_values(\array_unique(\array_filter($paths, static function (string $path): bool {
        return $path !== '' && $path[0] === '/' && \file_exists($path) && \strpos($path, "\n") === false;
    })));
}

$in = \fopen('php://stdin', 'r');
while (($head = \fread($in, 9)) !== false && \strlen($head) === 9) {
    $length = (int) \hexdec(\substr($head, 1));
    $text = '';
    while (\strlen($text) < $length) {
        $more = \fread($in, $length - \strlen($text));
        if ($more === false || $more === '') {
            exit(1);
        }
        $text .= $more;
    }
    if ($head[0] === 'F') {
        echo \PHP_VERSION, '|', (int) (\function_exists('pcntl_fork') && \function_exists('posix_kill')), '|',
            (int) \extension_loaded('tokenizer'), '|', \PHP_BINARY, "\n";
        continue;
    }
    if ($head[0] === 'I') {
        echo \implode("\0", needed()), "\n";
        continue;
    }
    if ($head[0] === 'T') {
        $rows = [];
        foreach (\PhpToken::tokenize($text) as $token) {
            $rows[] = [$token->getTokenName(), $token->pos, \strlen($token->text)];
        }
        echo \json_encode($rows, \JSON_INVALID_UTF8_SUBSTITUTE), "\n";
        continue;
    }
    try {
        \PhpToken::tokenize($text, \TOKEN_PARSE);
        echo "ok\n";
    } catch (\CompileError $e) { // ParseError is one; the parser throws others as well
        echo \str_replace("\n", ' ', $e->getMessage()), ' on line ', $e->getLine(), "\n";
    }
}
