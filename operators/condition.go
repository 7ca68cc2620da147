package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	kinds := []string{"parenthesized_expression"}
	register(
		&mutate.Operator{
			ID: "condition/true",
			Doc: `The branch is always taken: the condition of an "if" becomes true.

No test notices when this condition is false. Add a case in which it does not hold, and assert what is different then.`,
			Before: `if ($member) { $price--; }`, After: `if (true) { $price--; }`,
			Kinds: kinds, Apply: conditionTrue,
		},
		&mutate.Operator{
			ID: "condition/false",
			Doc: `The branch is never taken: the condition of an "if" becomes false.

No test notices when this condition is true. Add a case in which it holds, and assert what the branch does.`,
			Before: `if ($member) { $price--; }`, After: `if (false) { $price--; }`,
			Kinds: kinds,
			Apply: func(f *syntax.File, n *syntax.Node) []mutate.Edit {
				if cond := plainCondition(f, n); cond != nil {
					return fit(f, cond.Span, "false")
				}
				return nil
			},
		},
		&mutate.Operator{
			ID: "condition/negated",
			Doc: `The branch is taken in the opposite case: the condition of an "if" is negated.

No test depends on this condition at all. Add one case in which it holds and one in which it does not, and assert what differs.`,
			Before: `if ($member) { $price--; }`, After: `if (!$member) { $price--; }`,
			Kinds: kinds, Wide: true, Apply: conditionNegated,
		},
	)
}

// plainCondition gives the condition of an "if" or "elseif" that has no
// mutants of its own by which each outcome is tested: a variable, a call, or
// one of these under "!". It is nil for comparisons, && and ||, whose families
// make the constants that are needed, and for literals. Loops are left to the
// family loop, "?:" to the family ternary.
func plainCondition(f *syntax.File, n *syntax.Node) *syntax.Node {
	if n.Field != "condition" || !n.Parent.Is("if_statement", "else_if_clause") {
		return nil
	}
	cond := n.Unwrapped()
	if !isPlain(f, core(f, cond)) {
		return nil
	}
	return cond
}

// isPlain reports whether an expression is none of those whose own families
// replace them by true and false.
func isPlain(f *syntax.File, n *syntax.Node) bool {
	return !isBinary(f, n, relationalOps) && !isBinary(f, n, equalityOps) && !isBinary(f, n, logicalOps) &&
		!n.Is("boolean", "parenthesized_expression")
}

// conditionTrue leaves "if ($x = f())" alone: without the assignment the branch
// would only fail on an unknown variable.
func conditionTrue(f *syntax.File, n *syntax.Node) []mutate.Edit {
	cond := plainCondition(f, n)
	if cond == nil || core(f, cond).Is("assignment_expression") {
		return nil
	}
	return fit(f, cond.Span, "true")
}

// conditionNegated leaves to others what they do: "!" is dropped by the family
// logical, instanceof, isset, empty and is_... are negated by the family of
// type checks.
func conditionNegated(f *syntax.File, n *syntax.Node) []mutate.Edit {
	cond := plainCondition(f, n)
	if cond == nil || isNot(f, cond) || isBinary(f, cond, map[string]bool{"instanceof": true}) {
		return nil
	}
	if name := builtin(f, cond); name == "isset" || name == "empty" || strings.HasPrefix(name, "is_") {
		return nil
	}
	return fit(f, cond.Span, negation(f, cond))
}
