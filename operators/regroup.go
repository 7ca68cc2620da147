package operators

import (
	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	register(&mutate.Operator{
		ID: "connective/regrouped",
		Doc: `Conditions belong together in another way: $a && $b || $c becomes $a && ($b || $c), and ($a || $b) && $c becomes $a || $b && $c.

No test has the first condition true and the last false, or the other way round, so that it shows what belongs together. Add both cases, and assert the outcome.`,
		Input:   "Add a case in which the first condition is true and the last false, and one the other way round.",
		Outcome: "Assert the outcome when the first condition and the last differ.",
		Hint:    regroupedHint,
		Before:  `return $open && $dry || $free;`, After: `return $open && ($dry || $free);`,
		Kinds: []string{"binary_expression"}, Wide: true, Apply: regrouped,
	})
}

// A regrouping says of a condition what becomes of it, and for which case that shows.
type regrouping struct {
	text        string
	first, last *syntax.Node
	holds       bool // first, and not last; else last, and not first
}

// regroupingOf gives what becomes of a condition in which && and || are mixed. What the words "and"
// and "or" join is left alone: they hold less tightly than an assignment.
func regroupingOf(f *syntax.File, n *syntax.Node) (r regrouping, ok bool) {
	left, right := n.Child("left"), n.Child("right")
	src := func(a, b int) string { return string(f.Src[a:b]) }
	switch operatorText(f, n) {
	case "||":
		if operatorText(f, left) == "&&" { // $a && $b || $c
			b := left.Child("right")
			return regrouping{src(n.Start, b.Start) + "(" + src(b.Start, n.End) + ")", left.Child("left"), right, false}, true
		}
		if operatorText(f, right) == "&&" { // $a || $b && $c
			b := right.Child("left")
			return regrouping{"(" + src(n.Start, b.End) + ")" + src(b.End, n.End), left, right.Child("right"), true}, true
		}
	case "&&":
		if inner := left.Unwrapped(); inner != left && operatorText(f, inner) == "||" { // ($a || $b) && $c
			return regrouping{f.Text(inner) + src(left.End, n.End), inner.Child("left"), right, true}, true
		}
		if inner := right.Unwrapped(); inner != right && operatorText(f, inner) == "||" { // $a && ($b || $c)
			return regrouping{src(n.Start, right.Start) + f.Text(inner), left, inner.Child("right"), false}, true
		}
	}
	return regrouping{}, false
}

func regrouped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	r, ok := regroupingOf(f, n)
	if !ok || r.first == nil || r.last == nil {
		return nil
	}
	if !n.Parent.Is("argument", "parenthesized_expression") && !(n.Parent.Is(delimited...) && n.Field != "left") {
		r.text = "(" + r.text + ")"
	}
	return fit(f, n.Span, r.text)
}

// regroupedHint names the case.
func regroupedHint(f *syntax.File, n *syntax.Node, _ mutate.Edit) mutate.Hints {
	r, _ := regroupingOf(f, n)
	first, last := named(f, r.first, ""), named(f, r.last, "")
	if first == "" || last == "" {
		return mutate.Hints{}
	}
	return decided(being(f, r.first, first, r.holds) + " and " + being(f, r.last, last, !r.holds))
}
