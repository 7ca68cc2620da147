<?php
// Reads lines of JSON {"path", "edits": [[start, end, new in base64], ...]};
// writes for each a line of JSON: a list with, for each edit, null, or what is
// wrong with the mutant according to nikic/PHP-Parser:
//
//   "parse: ..."  it is not PHP
//   "place: ..."  the tree has changed elsewhere than where the edit is
//
// The edit's place is the smallest node of the original around the edit; for
// an edit that only puts text in, the largest that begins there. What
// does not touch the edit must be there as before, shifted; what encloses the
// place must be there as before, longer or shorter; and nothing new may have
// appeared that does not touch the new text. {"error"} when the original
// itself cannot be read.
declare(strict_types=1);

use PhpParser\Node;

$parser = require __DIR__ . '/parser.php';

/**
 * Lists every node as [kind with its own values, start, end].
 *
 * @param list<array{string, int, int}> $out
 */
function nodes(mixed $at, string $src, array &$out): void
{
    if (is_array($at)) {
        foreach ($at as $one) {
            nodes($one, $src, $out);
        }
        return;
    }
    if (!$at instanceof Node || $at instanceof Node\Stmt\Nop) { // a Nop only holds comments
        return;
    }
    if ($at instanceof Node\Stmt\Case_) { // without its label, its statements belong to the one before
        nodes($at->cond, $src, $out);
        nodes($at->stmts, $src, $out);
        return;
    }
    $own = [];
    foreach ($at->getSubNodeNames() as $name) {
        $value = $at->$name;
        if (is_scalar($value) || is_array($value) && isset($value[0]) && is_string($value[0])) {
            $own[$name] = $value;
        }
    }
    $start = $at->getStartFilePos();
    $end = $at->getEndFilePos() + 1;
    if (preg_match('/\s*\?>\n?\z/', substr($src, $start, $end - $start), $m)) {
        $end -= strlen($m[0]); // a closing tag that ends a statement is none of it
    }
    $out[] = [$at::class . ($own ? ' ' . serialize($own) : ''), $start, $end];
    foreach ($at->getSubNodeNames() as $name) {
        nodes($at->$name, $src, $out);
    }
}

function key_of(string $kind, int $start, int $end): string
{
    return "$start-$end $kind";
}

/** Operators for which ($a . $b) . $c and $a . ($b . $c) are the same. */
const ASSOCIATIVE = [
    '||' => Node\Expr\BinaryOp\BooleanOr::class, '&&' => Node\Expr\BinaryOp\BooleanAnd::class,
    'or' => Node\Expr\BinaryOp\LogicalOr::class, 'and' => Node\Expr\BinaryOp\LogicalAnd::class,
    '|' => Node\Expr\BinaryOp\BitwiseOr::class, '&' => Node\Expr\BinaryOp\BitwiseAnd::class,
];

/** What is wrong with the mutant's nodes, or null. */
function compare(array $before, array $after, int $start, int $end, string $new): ?string
{
    $length = strlen($new);
    $delta = $length - ($end - $start);
    $from = 0;
    $to = PHP_INT_MAX; // the place
    foreach ($before as [, $s, $e]) {
        $around = $start === $end ? $s < $start && $start < $e : $s <= $start && $end <= $e;
        if ($around && $e - $s < $to - $from) {
            [$from, $to] = [$s, $e];
        }
    }
    if ($start === $end) { // text put in belongs to the largest node that begins there
        $to_be = 0;
        foreach ($before as [, $s, $e]) {
            if ($s === $start && $e <= $to && $e > $to_be) {
                $to_be = $e;
            }
        }
        if ($to_be > 0) {
            [$from, $to] = [$start, $to_be];
        }
    }
    $have = [];
    foreach ($after as [$kind, $s, $e]) {
        $have[key_of($kind, $s, $e)] = true;
    }
    $known = [];
    foreach ($before as [$kind, $s, $e]) {
        if ($e <= $start) {
            $key = key_of($kind, $s, $e);
        } elseif ($s >= $end && ($s > $start || $e < $to)) {
            $key = key_of($kind, $s + $delta, $e + $delta);
        } elseif ($s <= $from && $to <= $e && $e - $s > $to - $from) {
            $key = key_of($kind, $s, $e + $delta);
        } else {
            continue;
        }
        $known[$key] = true;
        if (!isset($have[$key])) {
            return 'gone: ' . substr($key, 0, 100);
        }
    }
    foreach ($after as [$kind, $s, $e]) {
        $key = key_of($kind, $s, $e);
        $place = $s === $from && $e === $to + $delta || $kind === (ASSOCIATIVE[$new] ?? '');
        if (!$place && ($e <= $start || $s >= $start + $length) && !isset($known[$key])) {
            return 'new: ' . substr($key, 0, 100);
        }
    }
    return null;
}

while (($line = fgets(STDIN)) !== false) {
    ['path' => $path, 'edits' => $edits] = json_decode($line, true, 512, JSON_THROW_ON_ERROR);
    $src = file_get_contents($path);
    $answer = [];
    try {
        $before = [];
        nodes($parser->parse($src), $src, $before);
        foreach ($edits as [$start, $end, $new]) {
            $new = base64_decode($new, true);
            try {
                $after = [];
                $mutant = substr_replace($src, $new, $start, $end - $start);
                nodes($parser->parse($mutant), $mutant, $after);
                $fault = compare($before, $after, $start, $end, $new);
                $answer[] = $fault === null ? null : "place: $fault";
            } catch (PhpParser\Error $e) {
                $answer[] = "parse: {$e->getMessage()}";
            }
        }
    } catch (PhpParser\Error $e) {
        $answer = ['error' => $e->getMessage()];
    }
    echo json_encode($answer, JSON_INVALID_UTF8_SUBSTITUTE), "\n";
}
