<?php
// Reads paths, one a line; writes for each a line of JSON with what
// nikic/PHP-Parser sees there: [label, start, end] for expressions, statements
// and declarations, in bytes, end exclusive; or {"error": "..."}.
declare(strict_types=1);

use PhpParser\Node;
use PhpParser\Node\Expr;
use PhpParser\Node\Scalar;
use PhpParser\Node\Stmt;

$parser = require __DIR__ . '/parser.php';

const LABELS = [
    Expr\Assign::class => 'assign =', Expr\AssignRef::class => 'assign =&', Expr\BooleanNot::class => 'unary !',
    Expr\BitwiseNot::class => 'unary ~', Expr\UnaryMinus::class => 'unary -', Expr\UnaryPlus::class => 'unary +',
    Expr\ErrorSuppress::class => 'unary @', Expr\PreInc::class => 'update ++x', Expr\PostInc::class => 'update x++',
    Expr\PreDec::class => 'update --x', Expr\PostDec::class => 'update x--', Expr\Print_::class => 'print',
    Expr\Clone_::class => 'clone', Expr\Include_::class => 'include', Expr\Throw_::class => 'throw',
    Expr\Yield_::class => 'yield', Expr\YieldFrom::class => 'yield', Expr\New_::class => 'new',
    Expr\FuncCall::class => 'call', Expr\MethodCall::class => 'method call', Expr\NullsafeMethodCall::class => 'method call?',
    Expr\StaticCall::class => 'static call', Expr\ArrayDimFetch::class => 'subscript', Expr\PropertyFetch::class => 'property',
    Expr\NullsafePropertyFetch::class => 'property?', Expr\StaticPropertyFetch::class => 'static property',
    Expr\ClassConstFetch::class => 'class constant', Expr\Array_::class => 'array', Expr\List_::class => 'array',
    Expr\Closure::class => 'closure', Expr\ArrowFunction::class => 'fn', Expr\Match_::class => 'match',
    Expr\Isset_::class => 'isset', Expr\Empty_::class => 'empty', Expr\Exit_::class => 'exit', Expr\Eval_::class => 'eval',
    Expr\Instanceof_::class => 'binary instanceof', Scalar\LNumber::class => 'number', Scalar\DNumber::class => 'number',
    Scalar\Encapsed::class => 'string', Scalar\Int_::class => 'number', Scalar\Float_::class => 'number', // the names of 4 and of 5
    Scalar\InterpolatedString::class => 'string', Node\ArrayItem::class => 'item', Node\PropertyHook::class => 'hook',
    Node\MatchArm::class => 'arm', Node\Arg::class => 'argument',
    Node\Param::class => 'parameter', Expr\ArrayItem::class => 'item',
    Stmt\If_::class => 'if', Stmt\ElseIf_::class => 'elseif', Stmt\Else_::class => 'else', Stmt\While_::class => 'while',
    Stmt\Do_::class => 'do', Stmt\For_::class => 'for', Stmt\Foreach_::class => 'foreach', Stmt\Switch_::class => 'switch',
    Stmt\Case_::class => 'case', Stmt\Return_::class => 'return', Stmt\Echo_::class => 'echo', Stmt\Break_::class => 'break',
    Stmt\Continue_::class => 'continue', Stmt\TryCatch::class => 'try', Stmt\Catch_::class => 'catch',
    Stmt\Finally_::class => 'finally', Stmt\Unset_::class => 'unset', Stmt\Expression::class => 'statement',
    Stmt\Interface_::class => 'interface', Stmt\Trait_::class => 'trait',
    Stmt\Enum_::class => 'enum', Stmt\EnumCase::class => 'enum case', Stmt\ClassMethod::class => 'method',
    Stmt\Function_::class => 'function', Stmt\Property::class => 'properties', Stmt\ClassConst::class => 'constants',
    Stmt\Const_::class => 'constants',
];

/** With named arguments or several it is a function. */
function isExit(Node $node): bool
{
    return $node instanceof Expr\FuncCall && $node->name instanceof Node\Name && in_array(strtolower($node->name->toString()), ['exit', 'die'], true);
}

function label(Node $node): ?string
{
    return match (true) {
        isExit($node) => 'exit',
        isset(LABELS[$node::class]) => LABELS[$node::class],
        $node instanceof Expr\BinaryOp => 'binary ' . $node->getOperatorSigil(),
        $node instanceof Expr\AssignOp => 'assign op',
        $node instanceof Expr\Cast => 'cast',
        $node instanceof Stmt\Class_ => $node->name === null ? null : 'class',
        $node instanceof Expr\Ternary => $node->if === null ? 'elvis' : 'ternary',
        $node instanceof Scalar\String_ => $node->hasAttribute('kind') ? 'string' : null,
        $node instanceof Expr\ConstFetch && $node->name::class === Node\Name::class => match (strtolower($node->name->toString())) {
            'true', 'false' => 'boolean', 'null' => 'null', default => null,
        },
        default => null,
    };
}

/** @param list<array{string, int, int}> $out */
function walk(mixed $at, array &$out): void
{
    if (is_array($at)) {
        foreach ($at as $one) {
            walk($one, $out);
        }
        return;
    }
    if (!$at instanceof Node) {
        return;
    }
    $label = label($at);
    if ($label !== null) {
        $out[] = [$label, $at->getStartFilePos(), $at->getEndFilePos() + 1];
    } elseif ($at instanceof Stmt\Throw_) { // a statement in this version; since PHP 8 it is an expression in one
        $out[] = ['throw', $at->getStartFilePos(), $at->expr->getEndFilePos() + 1];
        $out[] = ['statement', $at->getStartFilePos(), $at->getEndFilePos() + 1];
    }
    if (isExit($at)) {
        foreach ($at->args as $arg) {
            walk($arg instanceof Node\Arg ? $arg->value : [], $out);
        }
        return;
    }
    foreach ($at->getSubNodeNames() as $name) {
        walk($at->$name, $out);
    }
}

while (($path = fgets(STDIN)) !== false) {
    $out = [];
    try {
        walk($parser->parse(file_get_contents(rtrim($path, "\n"))), $out);
        echo json_encode(['items' => $out]), "\n";
    } catch (PhpParser\Error $e) {
        echo json_encode(['error' => $e->getMessage()], JSON_INVALID_UTF8_SUBSTITUTE), "\n";
    }
}
