package operators

import (
	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	binary := []string{"binary_expression"}
	register(
		&mutate.Operator{
			ID: "spaceship/order-turned",
			Doc: `The order is reversed: $a <=> $b becomes $b <=> $a.

No test depends on which comes first. Sort at least two different values in a test, and compare the whole sorted list.`,
			Input:   "Add a case in which the two values differ.",
			Outcome: "Assert the whole sorted list.",
			Before:  `return $a->eta <=> $b->eta;`, After: `return $b->eta <=> $a->eta;`,
			Kinds: binary, Apply: swapCompared,
		},
		&mutate.Operator{
			ID: "spaceship/all-equal",
			Doc: `All values count as equal: $a <=> $b becomes 0.

No test has values that come in the wrong order, so a sort that does nothing passes. Begin one with a list that is not sorted, and compare the whole sorted list.`,
			Input:   "Add a case in which the two values differ and come in the wrong order.",
			Outcome: "Assert the whole sorted list, for one that is out of order at first.",
			Before:  `return $a->eta <=> $b->eta;`, After: `return 0;`,
			Kinds: binary,
			Apply: func(f *syntax.File, n *syntax.Node) []mutate.Edit {
				if operatorText(f, n) != "<=>" {
					return nil
				}
				return fit(f, n.Span, "0")
			},
		},
	)
}

func swapCompared(f *syntax.File, n *syntax.Node) []mutate.Edit {
	left, right, op := n.Child("left"), n.Child("right"), operatorOf(n)
	if operatorText(f, n) != "<=>" || f.Text(left) == f.Text(right) {
		return nil
	}
	return swapSides(f, n, left, right, op)
}

// swapSides exchanges left and right round op and leaves what stands between
// them, comments too, where it is.
func swapSides(f *syntax.File, whole, left, right, op *syntax.Node) []mutate.Edit {
	a, b := f.Text(left), f.Text(right)
	if binding(f, right) <= binding(f, whole) {
		b = "(" + b + ")"
	}
	between := string(f.Src[left.End:right.Start])
	if grows(f.Src[op.End-1], a[0]) && op.End == right.Start {
		between += " "
	}
	if op.Start == left.End && grows(b[len(b)-1], f.Src[op.Start]) {
		between = " " + between
	}
	return fit(f, syntax.Span{Start: left.Start, End: right.End}, b+between+a)
}
