<?php
// Reads lines of JSON {"path", "schemata": text in base64,
// "mutants": [[start, end, new in base64, number, number of its place], ...]};
// writes for each a line of JSON: a list with, for each mutant, null, or what is
// wrong: with the choices made for it, the schemata must be the mutant, node by
// node and line by line, according to nikic/PHP-Parser; what stands behind an edit
// that takes lines away is where it was before. The last element is about the original, with nothing chosen. {"error"} when the schemata or the original
// cannot be read; "parse: ..." when a mutant cannot.
declare(strict_types=1);

use PhpParser\Node;

$parser = require __DIR__ . '/parser.php';

/** The number that a choice is about, or null: the node is none. */
function asked(?Node $cond, string $property): ?int
{
    if ($cond instanceof Node\Expr\BinaryOp\Identical && $cond->left instanceof Node\Expr\StaticPropertyFetch
        && $cond->left->class instanceof Node\Name && $cond->left->class->toString() === 'PHPUnit\\AssayHarness\\MutantSwitch'
        && $cond->left->name->toString() === $property && $cond->right instanceof Node\Scalar\LNumber) {
        return $cond->right->value;
    }

    return null;
}

function isNote(mixed $at): bool
{
    if ($at instanceof Node\Stmt\Expression && $at->expr instanceof Node\Expr\BinaryOp\BooleanAnd) {
        [$left, $right] = [$at->expr->left, $at->expr->right];

        return $left instanceof Node\Expr\StaticPropertyFetch && $left->class instanceof Node\Name
            && $left->class->toString() === 'PHPUnit\\AssayHarness\\MutantSwitch' && $left->name->toString() === 'counts'
            && $right instanceof Node\Expr\FuncCall && $right->name->toString() === 'assay_hit';
    }

    return $at instanceof Node\Stmt\Expression && $at->expr instanceof Node\Expr\Assign
        && $at->expr->var instanceof Node\Expr\ArrayDimFetch && $at->expr->var->var instanceof Node\Expr\PropertyFetch
        && $at->expr->var->var->var instanceof Node\Expr\StaticPropertyFetch
        && $at->expr->var->var->var->class instanceof Node\Name
        && $at->expr->var->var->var->class->toString() === 'PHPUnit\\AssayHarness\\MutantSwitch';
}

/** Whether the condition of an arm is one that can be taken away, and now is. */
function isDropped(Node $condition, int $place): bool
{
    return $condition instanceof Node\Expr\Ternary && asked($condition->cond, 'place') === $place
        && $condition->if instanceof Node\Expr\StaticPropertyFetch && $condition->if->class->toString() === 'PHPUnit\\AssayHarness\\MutantSwitch'
        && $condition->if->name->toString() === 'files';
}

/**
 * Lists every node as its kind, its own values and its line.
 *
 * @param list<string> $out
 */
function nodes(mixed $at, int $place, int $mutant, array &$out, int $behind = PHP_INT_MAX, int $lost = 0): void
{
    if (is_array($at)) {
        foreach ($at as $one) {
            nodes($one, $place, $mutant, $out, $behind, $lost);
        }
        return;
    }
    if (!$at instanceof Node || $at instanceof Node\Stmt\Nop || isNote($at)) {
        return;
    }
    if ($at instanceof Node\Expr\ArrayItem && $at->unpack && $at->value instanceof Node\Expr\Ternary && asked($at->value->cond, 'place') !== null) {
        nodes((asked($at->value->cond, 'place') === $place ? $at->value->if : $at->value->else)->items, $place, $mutant, $out);
        return;
    }
    if ($at instanceof Node\MatchArm && $at->conds !== null && isDropped($at->conds[0], $place)) {
        return;
    }
    foreach (['place' => $place, 'mutant' => $mutant] as $property => $chosen) {
        if (!$at instanceof Node\Stmt\If_ && !$at instanceof Node\Expr\Ternary) {
            break;
        }
        $number = asked($at->cond, $property);
        if ($number === null) {
            continue;
        }
        if ($at instanceof Node\Expr\Ternary) {
            nodes($number === $chosen ? $at->if : $at->else, $place, $mutant, $out);
            return;
        }
        if ($number === $chosen) {
            nodes($at->stmts, $place, $mutant, $out);
            return;
        }
        foreach ($at->elseifs as $other) {
            if (asked($other->cond, $property) === $chosen) {
                nodes($other->stmts, $place, $mutant, $out);
                return;
            }
        }
        nodes($at->else?->stmts, $place, $mutant, $out);
        return;
    }
    $own = [];
    foreach ($at->getSubNodeNames() as $name) {
        $value = $at->$name;
        if (is_scalar($value) || is_array($value) && isset($value[0]) && is_string($value[0])) {
            $own[$name] = $value;
        }
    }
    $out[] = $at::class . ($own ? ' ' . serialize($own) : '') . ' line ' . ($at->getStartLine() + ($at->getStartFilePos() >= $behind ? $lost : 0));
    foreach ($at->getSubNodeNames() as $name) {
        nodes($at->$name, $place, $mutant, $out, $behind, $lost);
    }
}

while (($line = fgets(STDIN)) !== false) {
    $question = json_decode($line, true);
    $src = file_get_contents($question['path']);
    try {
        $schemata = $parser->parse(base64_decode($question['schemata']));
        $parser->parse($src);
    } catch (PhpParser\Error $e) {
        echo json_encode(['error' => $e->getMessage()], JSON_INVALID_UTF8_SUBSTITUTE), "\n";
        continue;
    }
    $answers = [];
    foreach ([...$question['mutants'], [0, 0, '', 0, 0]] as [$start, $end, $new, $number, $place]) {
        try {
            $mutant = $parser->parse(substr($src, 0, $start) . base64_decode($new) . substr($src, $end));
        } catch (PhpParser\Error $e) {
            $answers[] = 'parse: ' . $e->getMessage();
            continue;
        }
        $want = $got = [];
        $new = base64_decode($new);
        $lost = substr_count(substr($src, $start, $end - $start), "\n") - substr_count($new, "\n");
        nodes($mutant, -1, -1, $want, $start + strlen($new), $lost);
        nodes($schemata, $place, $number, $got);
        $answers[] = null;
        foreach ($want as $i => $node) {
            if ($node !== ($got[$i] ?? 'nothing')) {
                $answers[count($answers) - 1] = substr("is {$node} and not " . ($got[$i] ?? 'nothing'), 0, 500);
                break;
            }
        }
        if (end($answers) === null && count($got) !== count($want)) {
            $answers[count($answers) - 1] = 'has ' . $got[count($want)] . ' besides';
        }
    }
    echo json_encode($answers, JSON_INVALID_UTF8_SUBSTITUTE), "\n";
}
