package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// These operators of the array family put two arrays together in another way. The first
// of array_merge() and its like are swapped by call/operands-swapped.
func init() {
	binary := []string{"binary_expression"}
	register(
		&mutate.Operator{
			ID: "array/union-merged",
			Doc: `Two arrays are merged instead of united: $a + $b becomes array_merge($a, $b), in which the second one wins and numbers are given anew.

No test has a key that is in both arrays, or a number for a key. Add one, and assert the whole array with assertSame.`,
			Input:   "Add a case with a key that is in both arrays and has two values, or with numbers as keys.",
			Outcome: "Assert the whole array with assertSame.",
			Before:  `return $given + ['size' => 3];`, After: `return array_merge($given, ['size' => 3]);`,
			Kinds: binary, Wide: true, Apply: unionMerged,
		},
		&mutate.Operator{
			ID: "array/union-swapped",
			Doc: `The other array wins: $a + $b becomes $b + $a.

No test has a key that is in both arrays with two values, and looks at the order. Add one, and assert the whole array with assertSame.`,
			Input:   "Add a case with a key that is in both arrays and has two values.",
			Outcome: "Assert the whole array with assertSame.",
			Before:  `return $given + ['size' => 3];`, After: `return ['size' => 3] + $given;`,
			Kinds: binary, Wide: true, Apply: unionSwapped,
		},
		&mutate.Operator{
			ID: "array/merge-united",
			Doc: `Two arrays are united instead of merged: array_merge($a, $b) becomes $a + $b, in which the first one wins and numbers keep their places.

No test has a key, or a place in a list, that is in both arrays. Add one, and assert the whole array with assertSame.`,
			Input:   "Add a case in which both arrays have a key in common, or both are lists that are not empty.",
			Outcome: "Assert the whole array with assertSame.",
			Before:  `return array_merge($given, ['size' => 3]);`, After: `return $given + ['size' => 3];`,
			Kinds: []string{"function_call_expression"}, Wide: true, Apply: mergeUnited,
		},
	)
}

// unitedSides gives the sides of a union of arrays; nil where it is none, or one is empty.
func unitedSides(f *syntax.File, n *syntax.Node) (left, right *syntax.Node) {
	left, right = n.Child("left"), n.Child("right")
	if operatorText(f, n) != "+" || !isArray(f, left) && !isArray(f, right) || isEmptyArray(left) || isEmptyArray(right) {
		return nil, nil
	}
	return left, right
}

func isEmptyArray(n *syntax.Node) bool {
	n = n.Unwrapped()
	return n.Is("array_creation_expression") && len(elements(n)) == 0
}

func unionMerged(f *syntax.File, n *syntax.Node) []mutate.Edit {
	left, right := unitedSides(f, n)
	if left == nil || isImportedFunction(f, "array_merge") {
		return nil
	}
	return fit(f, n.Span, "array_merge("+f.Text(left.Unwrapped())+", "+f.Text(right.Unwrapped())+")")
}

// unionSwapped works on the first two of a chain, as concat/parts-swapped does.
func unionSwapped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	left, right := unitedSides(f, n)
	if left == nil || isBinary(f, left.Unwrapped(), sums) || f.Text(left) == f.Text(right) {
		return nil
	}
	return swapSides(f, n, left, right, operatorOf(n))
}

func mergeUnited(f *syntax.File, n *syntax.Node) []mutate.Edit {
	name, args, ok := callTo(f, n, 2)
	if name != "array_merge" || !ok || len(args) != 2 || n.Parent.Is("expression_statement") {
		return nil
	}
	var sides []string
	for _, a := range args {
		v := argValue(a)
		if isEmptyArray(v) {
			return nil
		}
		text := f.Text(v)
		if !v.Is(closed...) {
			text = "(" + text + ")"
		}
		sides = append(sides, text)
	}
	text := strings.Join(sides, " + ")
	if !n.Parent.Is("argument", "parenthesized_expression") && !(n.Parent.Is(delimited...) && n.Field != "left") {
		text = "(" + text + ")"
	}
	return fit(f, n.Span, text)
}
