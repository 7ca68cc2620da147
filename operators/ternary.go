package operators

import (
	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	kinds := []string{"conditional_expression"}
	register(
		&mutate.Operator{
			ID: "ternary/first-forced",
			Doc: `The first value is always used: $c ? $a : $b becomes $a.

No test depends on what happens when the condition is false. Add a case in which it does not hold, and assert the second value.`,
			Input:   "Add a case in which the condition is false and the two values differ.",
			Outcome: "Assert that the second value comes out when the condition is false.",
			Hint:    ternaryHint,
			Before:  `return $member ? $low : $high;`, After: `return $low;`,
			Kinds: kinds, Apply: keepBranch("body"),
		},
		&mutate.Operator{
			ID: "ternary/second-forced",
			Doc: `The second value is always used: $c ? $a : $b becomes $b.

No test depends on what happens when the condition is true. Add a case in which it holds, and assert the first value.`,
			Input:   "Add a case in which the condition is true and the two values differ.",
			Outcome: "Assert that the first value comes out when the condition is true.",
			Hint:    ternaryHint,
			Before:  `return $member ? $low : $high;`, After: `return $high;`,
			Kinds: kinds, Apply: keepBranch("alternative"),
		},
		&mutate.Operator{
			ID: "ternary/values-swapped",
			Doc: `The two values are swapped: $c ? $a : $b becomes $c ? $b : $a.

No test depends on this choice at all. Add one case for each value of the condition, and assert the value chosen.`,
			Input:   "Add a case in which the two values differ.",
			Outcome: "Assert the value that is chosen, once for each value of the condition.",
			Before:  `return $member ? $low : $high;`, After: `return $member ? $high : $low;`,
			Kinds: kinds, Wide: true, Apply: swapBranches,
		},
		&mutate.Operator{
			ID: "ternary/fallback-dropped",
			Doc: `The fallback is dropped: $a ?: $b becomes $a.

No test has an empty left side. Add one in which it is '', 0, null or [], and assert that the fallback is used.`,
			Input:   "Add a case in which the left side is '', 0, null or [], whichever can occur.",
			Outcome: "Assert that the fallback is used.",
			Before:  `return $nick ?: $name;`, After: `return $nick;`,
			Kinds: kinds, Apply: keepElvis("condition"), Version: 1,
		},
		&mutate.Operator{
			ID: "ternary/fallback-forced",
			Doc: `The fallback is always used: $a ?: $b becomes $b.

No test tells the left side from the fallback. Add one in which the left side is filled and different, and assert that it is used.`,
			Input:   "Add a case in which the left side is filled and differs from the fallback.",
			Outcome: "Assert that the left side is used and not the fallback.",
			Before:  `return $nick ?: $name;`, After: `return $name;`,
			Kinds: kinds, Apply: keepElvis("alternative"),
		},
		&mutate.Operator{
			ID: "ternary/elvis-null-only",
			Doc: `The fallback is used for null only: ?: becomes ??.

No test has a left side that is empty without being null. Add one with '', 0, false or [], whichever can occur, and assert that the fallback is used.`,
			Input:   "Add a case in which the left side is empty without being null: '', 0, false or [], whichever can occur.",
			Outcome: "Assert that the fallback is used for an empty value.",
			Before:  `return $nick ?: $name;`, After: `return $nick ?? $name;`,
			Kinds: kinds, Apply: elvisNullOnly, Version: 1,
		},
	)
}

// isElvis reports whether a conditional expression is "a ?: b".
func isElvis(n *syntax.Node) bool { return n.Child("body") == nil }

// keepBranch works where the condition has no mutants of its own that keep
// each branch in turn; see isPlain.
func keepBranch(field string) applyFunc {
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		cond, branch := n.Child("condition"), n.Child(field)
		if isElvis(n) || branch == nil || !isPlain(f, core(f, cond)) || !branchesDiffer(f, n) {
			return nil
		}
		return keepSide(f, n, branch)
	}
}

func branchesDiffer(f *syntax.File, n *syntax.Node) bool {
	return f.Text(n.Child("body")) != f.Text(n.Child("alternative"))
}

func swapBranches(f *syntax.File, n *syntax.Node) []mutate.Edit {
	body, alt := n.Child("body"), n.Child("alternative")
	if body == nil || alt == nil || !branchesDiffer(f, n) {
		return nil
	}
	between := string(f.Src[body.End:alt.Start])
	first, second := f.Text(alt), f.Text(body)
	if binding(f, alt) <= binding(f, n) {
		first = "(" + first + ")"
	}
	if binding(f, body) <= binding(f, n) {
		second = "(" + second + ")"
	}
	return fit(f, syntax.Span{Start: body.Start, End: alt.End}, first+between+second)
}

func keepElvis(field string) applyFunc {
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		side := n.Child(field)
		if !isElvis(n) || side == nil {
			return nil
		}
		// "$a ?: null" and "$a ?: false" without the fallback differ only
		// between values that count as empty.
		if field == "condition" && n.Child("alternative").Unwrapped().Is("null", "boolean") {
			return nil
		}
		// Nor does anything take the place of what is never empty.
		if field == "condition" && alwaysTrue(f, side) {
			return nil
		}
		return keepSide(f, n, side)
	}
}

// elvisNullOnly leaves alone a left side that cannot be null, as the
// fallback would be dead then and its loss the same as keeping the left side, and
// one of which only null is empty, for which ?: and ?? are the same.
func elvisNullOnly(f *syntax.File, n *syntax.Node) []mutate.Edit {
	if !isElvis(n) {
		return nil
	}
	if trueOrNull(f, n.Child("condition")) {
		return nil
	}
	switch evident(f, n.Child("condition")) {
	case "int", "float", "string", "bool", "array", "int|false":
		return nil
	}
	question, colon := n.First("?"), n.First(":")
	if question == nil || colon == nil {
		return nil
	}
	// "$a ?: $b ?: $c" => "($a ?: $b) ?? $c", since ?? would take $b from the left.
	if c := n.Child("condition"); c.Is("conditional_expression") {
		return one(n, "("+f.Text(c)+")"+string(f.Src[c.End:question.Start])+"??"+string(f.Src[colon.End:n.End]))
	}
	return fit(f, syntax.Span{Start: question.Start, End: colon.End}, "??")
}
