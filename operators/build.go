package operators

import (
	"assay/mutate"
	"assay/mutate/syntax"
)

// swap replaces operator tokens by a table, where allow (if there is one) says
// so. Only the token changes, but where that would regroup the operands.
func swap(table map[string]string, allow func(*syntax.File, *syntax.Node) bool) applyFunc {
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		to, ok := table[operatorText(f, n)]
		if !ok || allow != nil && !allow(f, n) {
			return nil
		}
		if text, ok := regroup(f, n, to); ok {
			return one(n, text)
		}
		return fit(f, operatorOf(n).Span, to)
	}
}

// regroup gives the whole expression with the new operator and parentheses, and
// true, where the operator alone would let PHP group the operands in another
// way:
//
//	$a && $b && $c => ($a || $b) && $c    not $a || $b && $c
//	$a ^ $b | $c   => ($a ^ $b) & $c      not $a ^ $b & $c
//	-$a ** 2       => -($a * 2)           not -$a * 2
func regroup(f *syntax.File, n *syntax.Node, to string) (string, bool) {
	tight, parent := bindings[to], n.Parent
	if n.Kind != "binary_expression" || tight == bindings[operatorText(f, n)] {
		return "", false
	}
	around := parent.Is("unary_op_expression", "cast_expression", "error_suppression_expression") && binding(f, parent) > tight
	if parent.Kind == "binary_expression" {
		outer := bindings[operatorText(f, parent)]
		around = outer > tight || outer == tight && n.Field == "right" && operatorText(f, parent) != to
	}
	operand := func(field string) string {
		c := n.Child(field)
		loose := bindings[operatorText(f, c)]
		if c.Kind == "binary_expression" && (loose < tight || loose == tight && field == "right") {
			return "(" + f.Text(c) + ")"
		}
		return f.Text(c)
	}
	left, right, op := n.Child("left"), n.Child("right"), operatorOf(n)
	text := operand("left") + string(f.Src[left.End:op.Start]) + to + string(f.Src[op.End:right.Start]) + operand("right")
	if around {
		return "(" + text + ")", true
	}
	return text, len(text) != n.Len()-op.Len()+len(to)
}

// keepSide replaces an expression by one of its operands. An operand that
// binds as tightly as the whole needs no parentheses in its place.
func keepSide(f *syntax.File, whole, side *syntax.Node) []mutate.Edit {
	if binding(f, side) >= binding(f, whole) ||
		whole.Parent.Is("expression_statement", "parenthesized_expression", "argument") {
		return fit(f, whole.Span, f.Text(side))
	}
	return keep(f, whole, side)
}

// dropFromChain is the rule that drops one operand of a chain such as
// a && b && c, each exactly once: the right one of a link, and the left one
// where the chain begins. Dropping more than one at a time is left out, for
// a test that kills one dropped kills two.
func dropFromChain(ops map[string]bool, right bool, allow func(f *syntax.File, dropped, kept *syntax.Node) bool) applyFunc {
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		if !ops[operatorText(f, n)] {
			return nil
		}
		dropped, kept := n.Child("left"), n.Child("right")
		if right {
			dropped, kept = kept, dropped
		}
		if dropped == nil || kept == nil || isBinary(f, dropped.Unwrapped(), ops) {
			return nil
		}
		if allow != nil && !allow(f, dropped, kept) || !right && f.Text(dropped) == f.Text(kept) {
			return nil
		}
		return keepSide(f, n, kept)
	}
}

// isLiteral reports whether a node, parentheses aside, is one of the texts.
func isLiteral(f *syntax.File, n *syntax.Node, texts ...string) bool {
	if n == nil {
		return false
	}
	text := f.Text(n.Unwrapped())
	for _, t := range texts {
		if text == t {
			return true
		}
	}
	return false
}

// literals of no effect in a sum, a product and a concatenation.
var (
	zeros   = []string{"0", "-0", "0.0", "-0.0"}
	ones    = []string{"1", "-1", "1.0", "-1.0"}
	nothing = []string{"''", `""`}
)
