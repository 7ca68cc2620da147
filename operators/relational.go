package operators

import (
	"assay/mutate"
	"assay/mutate/syntax"
)

// relationalOps compare by order.
var relationalOps = map[string]bool{"<": true, "<=": true, ">": true, ">=": true}

// The mutants of a comparison are those that the fault hierarchy of relational
// operators leaves: whatever kills these three kills the others as well.
// Source: G. Kaminski, P. Ammann, J. Offutt, "Better predicate testing",
// AST 2011.
//
//	<    <=  !=  false         >    >=  !=  false
//	<=   <   ==  true          >=   >   ==  true
func init() {
	binary := []string{"binary_expression"}
	register(
		&mutate.Operator{
			ID: "relational/boundary-included",
			Doc: `The boundary is included: < becomes <=, and > becomes >=.

No test reaches the point where both sides are equal, or it does not look at the outcome. Add a test with exactly the value on the other side of the comparison.`,
			Input:   "Add a case in which both sides are equal.",
			Outcome: "Assert what happens when both sides are equal.",
			Hint:    relationalHint,
			Before:  `return $age < 18;`, After: `return $age <= 18;`,
			Kinds: binary, Apply: swap(map[string]string{"<": "<=", ">": ">="}, nil),
		},
		&mutate.Operator{
			ID: "relational/boundary-excluded",
			Doc: `The boundary is excluded: <= becomes <, and >= becomes >.

No test reaches the point where both sides are equal, or it does not look at the outcome. Add a test with exactly the value on the other side of the comparison.`,
			Input:   "Add a case in which both sides are equal.",
			Outcome: "Assert what happens when both sides are equal.",
			Hint:    relationalHint,
			Before:  `return $age >= 18;`, After: `return $age > 18;`,
			Kinds: binary, Apply: swap(map[string]string{"<=": "<", ">=": ">"}, nil),
		},
		&mutate.Operator{
			ID: "relational/any-difference",
			Doc: `Any difference will do: < and > become !=.

No test lies on the far side of the boundary, where the comparison is false. Add one there: for $a < $b a case in which $a is the larger.`,
			Input:   "Add a case on the far side of the boundary: for $a < $b one in which $a is the larger.",
			Outcome: "Assert what happens on the far side of the boundary, where the comparison is false.",
			Hint:    relationalHint,
			Before:  `return $age < 18;`, After: `return $age != 18;`,
			Kinds: binary, Apply: compareAs(map[string]string{"<": "!=", ">": "!="}), Version: 1,
		},
		&mutate.Operator{
			ID: "relational/boundary-only",
			Doc: `Only the boundary will do: <= and >= become ==.

No test lies well inside the boundary, where the comparison is true. Add one there: for $a >= $b a case in which $a is the larger.`,
			Input:   "Add a case well inside the boundary: for $a >= $b one in which $a is the larger.",
			Outcome: "Assert what happens well inside the boundary, where the comparison is true.",
			Hint:    relationalHint,
			Before:  `return $age >= 18;`, After: `return $age == 18;`,
			Kinds: binary, Apply: compareAs(map[string]string{"<=": "==", ">=": "=="}), Version: 1,
		},
		&mutate.Operator{
			ID: "relational/never-holds",
			Doc: `The comparison never holds: $a < $b and $a > $b become false.

No test depends on what happens when this comparison is true. Add a case in which it holds, and assert what happens then.`,
			Input:   "Add a case in which the comparison is true.",
			Outcome: "Assert what happens when the comparison is true.",
			Hint:    forcedHint,
			Before:  `return $age < 18;`, After: `return false;`,
			Kinds: binary, Apply: constantFor(map[string]string{"<": "false", ">": "false"}),
		},
		&mutate.Operator{
			ID: "relational/always-holds",
			Doc: `The comparison always holds: $a <= $b and $a >= $b become true.

No test depends on what happens when this comparison is false. Add a case in which it does not hold, and assert what happens then.`,
			Input:   "Add a case in which the comparison is false.",
			Outcome: "Assert what happens when the comparison is false.",
			Hint:    forcedHint,
			Before:  `return $age >= 18;`, After: `return true;`,
			Kinds: binary, Apply: constantFor(map[string]string{"<=": "true", ">=": "true"}),
		},
	)
}

// compareAs replaces a comparison by order with one for equality. The latter
// binds less tightly and does not chain, hence the parentheses in
// "$a < $b == $c" => "($a != $b) == $c". Where the two are the same, as for
// count($a) > 0 and in a "for" that counts up to an end, nothing is done.
func compareAs(table map[string]string) applyFunc {
	plain := swap(table, nil)
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		to, ok := table[operatorText(f, n)]
		if ok && (sameAtZero(f, n) || countsUp(f, n)) {
			return nil
		}
		if !ok || !n.Parent.Is("binary_expression") || binding(f, n.Parent) < bindings[to] {
			return plain(f, n)
		}
		op := operatorOf(n)
		return fit(f, n.Span, "("+string(f.Src[n.Start:op.Start])+to+string(f.Src[op.End:n.End])+")")
	}
}

// constantFor replaces a whole comparison by a constant. A side of && or ||
// stays as it is, and so do a loop's condition where the constant is true and
// an arm of "match (true)" where it is false, or the condition of a statement
// that an operator of its own drops.
func constantFor(table map[string]string) applyFunc {
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		to, ok := table[operatorText(f, n)]
		if !ok || isLogicalOperand(f, n) {
			return nil
		}
		truth := (to == "true") != negated(f, n)
		if truth && steers(f, n) || !truth && (isArm(f, n) || guardsDropped(f, n)) {
			return nil
		}
		return fit(f, n.Span, to)
	}
}

// negated reports whether an odd number of "!" stands around an expression.
func negated(f *syntax.File, n *syntax.Node) bool {
	odd := false
	for p := n.Parent; p.Is("parenthesized_expression") || isNot(f, p); p = p.Parent {
		odd = odd != isNot(f, p)
	}
	return odd
}
