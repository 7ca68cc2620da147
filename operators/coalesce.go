package operators

import (
	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	binary := []string{"binary_expression"}
	register(
		&mutate.Operator{
			ID: "coalesce/substitute-dropped",
			Doc: `The default is dropped: $a ?? $b becomes $a.

No test reaches this place without a value. Add one in which it is null or missing, and assert that the default is used.`,
			Input:   "Add a case in which the left side is null or missing.",
			Outcome: "Assert that the default is used.",
			Hint:    substituteHint,
			Before:  `return $berth ?? $default;`, After: `return $berth;`,
			Kinds: binary, Apply: substituteDropped, Version: 1,
		},
		&mutate.Operator{
			ID: "coalesce/substitute-forced",
			Doc: `The default is always used: $a ?? $b becomes $b.

No test tells the value from the default. Add one in which a value is there and differs from the default, and assert that it is used.`,
			Input:   "Add a case in which a value is there and differs from the default.",
			Outcome: "Assert that the value is used and not the default.",
			Before:  `return $berth ?? $default;`, After: `return $default;`,
			Kinds: binary,
			Apply: func(f *syntax.File, n *syntax.Node) []mutate.Edit {
				if operatorText(f, n) != "??" || n.Child("right").Unwrapped().Is("throw_expression") {
					return nil
				}
				return keepSide(f, n, n.Child("right"))
			},
		},
		&mutate.Operator{
			ID: "coalesce/empty-as-missing",
			Doc: `An empty value counts as missing: ?? becomes ?:.

No test has a value that is there but empty. Add one with 0, '', false or [], whichever is allowed here, and assert that it is kept.`,
			Input:   "Add a case in which the value is there but empty: 0, '', false or [], whichever is allowed here.",
			Outcome: "Assert that an empty value is kept.",
			Before:  `return $berth ?? $default;`, After: `return $berth ?: $default;`,
			Kinds: binary, Apply: emptyAsMissing, Version: 1,
		},
		&mutate.Operator{
			ID: "coalesce/nullsafe-dropped",
			Doc: `The object must be there: ?-> becomes ->.

No test has null to the left of ?->. Add one in which the object is missing, or write -> if it never can be.`,
			Input:   "Add a case in which the object is null, and let PHPUnit fail on warnings; or write -> if it never can be.",
			Outcome: "Assert the outcome for an object that is missing.",
			Before:  `return $ship?->master;`, After: `return $ship->master;`,
			Kinds: []string{"nullsafe_member_access_expression", "nullsafe_member_call_expression"},
			Apply: dropNullsafe,
		},
	)
}

// substituteDropped leaves "x ?? null" alone, from which x differs by a warning
// at most; "a ?? (b ?? c)", where dropping c alone asks more; "x ?? throw",
// whose throw the family exception drops; and an x that is never null.
func substituteDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	right := n.Child("right").Unwrapped()
	if operatorText(f, n) != "??" || right.Is("null", "throw_expression") || isBinary(f, right, map[string]bool{"??": true}) ||
		neverNull(f, n.Child("left")) {
		return nil
	}
	return keepSide(f, n, n.Child("left"))
}

// emptyAsMissing writes parentheses inside another "? :", which PHP refuses
// to nest without. It leaves a left side alone of which only null is empty.
func emptyAsMissing(f *syntax.File, n *syntax.Node) []mutate.Edit {
	op := operatorOf(n)
	if operatorText(f, n) != "??" || trueOrNull(f, n.Child("left")) {
		return nil
	}
	if n.Child("right").Unwrapped().Is("null") && isEmptyTested(f, n) {
		return nil
	}
	if !n.Parent.Is("conditional_expression") {
		return fit(f, op.Span, "?:")
	}
	return fit(f, n.Span, "("+string(f.Src[n.Start:op.Start])+"?:"+string(f.Src[op.End:n.End])+")")
}

// isEmptyTested reports whether only the truth of a value counts, so that null
// is as good as any other empty value.
func isEmptyTested(f *syntax.File, n *syntax.Node) bool {
	top := climb(f, n)
	return top != n && isNot(f, top) || top.Field == "condition" || isLogicalOperand(f, n)
}

// dropNullsafe leaves alone what isset, empty and ?? ask quietly about: there
// a property of null is null as well.
func dropNullsafe(f *syntax.File, n *syntax.Node) []mutate.Edit {
	op := n.First("?->")
	if op == nil || inText(n) {
		return nil
	}
	if n.Is("nullsafe_member_access_expression") && askedQuietly(f, n) {
		return nil
	}
	return fit(f, op.Span, "->")
}

func askedQuietly(f *syntax.File, n *syntax.Node) bool {
	for n.Parent.Is("member_access_expression", "nullsafe_member_access_expression", "subscript_expression") &&
		n.Index == 0 {
		n = n.Parent
	}
	if isBinary(f, n.Parent, map[string]bool{"??": true}) && n.Field == "left" {
		return true
	}
	name, _ := argumentIn(f, n)
	return name == "isset" || name == "empty"
}
