package operators

import (
	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	branches := []string{"if_statement", "else_if_clause"}
	all := []string{"if_statement", "else_if_clause", "while_statement", "do_statement", "for_statement"}
	register(
		&mutate.Operator{
			ID: "condition/always-met",
			Doc: `The condition is always met: that of an "if" becomes true.

No test depends on what happens when this condition is false. Add a case in which it does not hold, and assert what is different then.`,
			Input:   "Add a case in which the condition does not hold.",
			Outcome: "Assert what is different when the condition does not hold.",
			Hint:    forcedHint,
			Before:  `if ($member) { $price--; }`, After: `if (true) { $price--; }`,
			Kinds: branches, Apply: alwaysMet,
		},
		&mutate.Operator{
			ID: "condition/never-met",
			Doc: `The condition is never met: that of an "if" or of a "do ... while" becomes false.

No test depends on what happens when this condition is true. Add a case in which it holds, and assert what the branch does, or the second turn of the loop.`,
			Input:   "Add a case in which the condition holds.",
			Outcome: "Assert what the branch does, or the second turn of the loop.",
			Hint:    forcedHint,
			Before:  `if ($member) { return $low; }`, After: `if (false) { return $low; }`,
			Kinds: []string{"if_statement", "else_if_clause", "do_statement"},
			Apply: func(f *syntax.File, n *syntax.Node) []mutate.Edit {
				if cond := plainCondition(f, n); cond != nil && !guardsDropped(f, cond) {
					return fit(f, cond.Span, "false")
				}
				return nil
			},
		},
		&mutate.Operator{
			ID: "condition/inverted",
			Doc: `The condition is met in the opposite case: that of an "if" or of a loop is negated.

No test depends on this condition at all. Add one case in which it holds and one in which it does not, and assert what differs.`,
			Input:   "Add one case in which the condition holds and one in which it does not.",
			Outcome: "Assert what differs between a case in which the condition holds and one in which it does not.",
			Before:  `if ($member) { $price--; }`, After: `if (!$member) { $price--; }`,
			// Wide: true and false each ask more.
			Kinds: all, Wide: true, Apply: conditionInverted,
		},
	)
}

// plainCondition gives the condition of an "if" or of a loop that has no
// mutants of its own by which each outcome is tested: a variable, a call, or
// one of these under "!". It is nil for comparisons, && and ||, whose families
// make the constants that are needed, and for literals. Conditions of "? :" are
// left to the family ternary, and that a "while" or "for" does not run at all
// to the family loop.
func plainCondition(f *syntax.File, n *syntax.Node) *syntax.Node {
	conds := n.Fields("condition")
	if len(conds) == 0 {
		return nil
	}
	// Of "for (; $a, $b; )" only the last counts.
	cond := conds[len(conds)-1]
	if cond.Is("sequence_expression") {
		return nil
	}
	if cond = cond.Unwrapped(); cond.Bad || !isPlain(f, core(f, cond)) {
		return nil
	}
	return cond
}

// isPlain reports whether an expression is none of those whose own families
// replace them by true and false.
func isPlain(f *syntax.File, n *syntax.Node) bool {
	return !isBinary(f, n, relationalOps) && !isBinary(f, n, equalityOps) && !isBinary(f, n, logicalOps) &&
		!n.Is("boolean", "integer", "parenthesized_expression")
}

// alwaysMet leaves "if ($x = f())" alone: without the assignment the branch
// would only fail on an unknown variable.
func alwaysMet(f *syntax.File, n *syntax.Node) []mutate.Edit {
	cond := plainCondition(f, n)
	if cond == nil || core(f, cond).Is("assignment_expression") {
		return nil
	}
	return fit(f, cond.Span, "true")
}

// conditionInverted leaves "!" alone, which the family connective drops.
func conditionInverted(f *syntax.File, n *syntax.Node) []mutate.Edit {
	cond := plainCondition(f, n)
	if cond == nil || isNot(f, cond) {
		return nil
	}
	return fit(f, cond.Span, negation(f, cond))
}
