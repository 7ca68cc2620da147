package operators

import (
	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	kinds := []string{"binary_expression"}
	dot := map[string]bool{".": true}
	register(
		&mutate.Operator{
			ID: "concat/end-dropped",
			Doc: `The end of a string is dropped: $a . $b becomes $a.

No test looks at what follows. Compare the whole string with assertSame.`,
			Input:   "Add a case in which the last part is not empty.",
			Outcome: "Assert the whole string with assertSame.",
			Hint:    textHint,
			Before:  `return $name . $suffix;`, After: `return $name;`,
			Kinds: kinds, Apply: dropFromChain(dot, true, partMatters),
		},
		&mutate.Operator{
			ID: "concat/beginning-dropped",
			Doc: `The beginning of a string is dropped: $a . $b becomes $b.

No test looks at what comes first. Compare the whole string with assertSame.`,
			Input:   "Add a case in which the first part is not empty.",
			Outcome: "Assert the whole string with assertSame.",
			Hint:    textHint,
			Before:  `return $prefix . $name;`, After: `return $name;`,
			Kinds: kinds, Apply: dropFromChain(dot, false, partMatters),
		},
		&mutate.Operator{
			ID: "concat/parts-swapped",
			Doc: `The first two parts of a string are swapped: $a . $b becomes $b . $a.

No test depends on the order of the parts. Compare the whole string with assertSame.`,
			Input:   "Add a case in which neither part is empty and the two differ.",
			Outcome: "Assert the whole string with assertSame.",
			Before:  `return $prefix . $name;`, After: `return $name . $prefix;`,
			Kinds: kinds, Apply: swapConcat,
		},
	)
}

// partMatters leaves alone empty texts, which are there to make a string of
// the rest, and the paths of include and require.
func partMatters(f *syntax.File, dropped, kept *syntax.Node) bool {
	return !isLiteral(f, dropped, nothing...) && !isIncluded(f, dropped)
}

// isIncluded reports whether an expression is part of the path of an include.
func isIncluded(f *syntax.File, n *syntax.Node) bool {
	p := n.Parent
	for isBinary(f, p, map[string]bool{".": true}) || p.Is("parenthesized_expression") {
		p = p.Parent
	}
	return p.Is("include_expression", "include_once_expression", "require_expression", "require_once_expression")
}

// swapConcat works on the first two parts of a chain: one pair in the wrong
// order is enough to show whether order is looked at.
func swapConcat(f *syntax.File, n *syntax.Node) []mutate.Edit {
	if n.Child("left").Is("reference_assignment_expression") {
		return nil // it has no parentheses, and would take in what follows it
	}
	left, right, op := n.Child("left"), n.Child("right"), operatorOf(n)
	dot := map[string]bool{".": true}
	if operatorText(f, n) != "." || isBinary(f, left.Unwrapped(), dot) || isIncluded(f, left) {
		return nil
	}
	if isLiteral(f, left, nothing...) || isLiteral(f, right, nothing...) || f.Text(left) == f.Text(right) {
		return nil
	}
	return swapSides(f, n, left, right, op)
}
