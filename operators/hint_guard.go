package operators

import (
	"slices"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// connectiveHint names the sides. Where the right one uses what the left one checks, as in
// "$x !== null && $x->f()", it may have no value at all once the left one fails: then there
// is no case with a true or false right side.
func connectiveHint(f *syntax.File, n *syntax.Node, e mutate.Edit) mutate.Hints {
	left, right := n.Child("left"), n.Child("right")
	if left == nil || right == nil {
		return mutate.Hints{}
	}
	and := operatorText(f, n) == "&&" || operatorText(f, n) == "and"
	a, b := named(f, left, "the left side"), named(f, right, "the right side")
	onlyLeft := being(f, left, a, !and) + " and " + being(f, right, b, and)
	onlyRight := being(f, left, a, and) + " and " + being(f, right, b, !and)
	needs, guarded := guards(f, left, right)
	bare := func(text string) string { return strings.Trim(text, "() \t\r\n") }
	switch text := bare(e.New); {
	case text == bare(f.Text(left)): // the right side is dropped
		return decided(onlyRight)
	case text == bare(f.Text(right)):
		if needs {
			return guardedHints(being(f, left, a, !and), b)
		}
		h := decided(onlyLeft)
		if guarded {
			h.Input += " If there can be none, the check on the left is not needed."
			h.Either += " If there can be none, the check on the left is not needed."
		}
		return h
	case needs, guarded: // && and || are swapped
		return decided(onlyRight)
	}
	return decided(onlyLeft + ", or " + onlyRight)
}

// guardedHints is for a check that is left out before what needs it.
func guardedHints(is, right string) mutate.Hints {
	return mutate.Hints{
		Input: "Add a case in which " + is + ". " + capital(right) + " uses what is checked there and is evaluated all the same then, " +
			"so that the change may show as an error or a warning of PHP's only: let PHPUnit fail on warnings.",
		Outcome: "Assert what happens when " + is + ", and let PHPUnit fail on warnings.",
		Either: "No test depends on what happens when " + is + ". Have such a case, and let PHPUnit fail on warnings: " + right +
			" uses what is checked there and is evaluated all the same then, so that the change may show as an error or a warning of PHP's only.",
	}
}

// capital makes the beginning of a sentence of a text that begins with a letter.
func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// guards reports whether a condition checks something that the one behind it uses; needs,
// whether that one looks into it or hands it to a function, which may fail without it.
func guards(f *syntax.File, left, right *syntax.Node) (needs, uses bool) {
	of := checked(f, left)
	right.Walk(func(n *syntax.Node) bool {
		if typeTests[builtin(f, n)] { // asks for what may not be there
			uses = uses || slices.ContainsFunc(of, func(text string) bool { return reads(f, n, text) })
			return false
		}
		if n.Named && slices.Contains(of, f.Text(n)) {
			uses = true
			into := n.Parent.Is(dereferenced...) || n.Parent.Is("member_call_expression", "nullsafe_member_call_expression")
			needs = needs || n.Parent.Is("argument") || into && n.Parent.NamedChildren()[0] == n || n.Is("subscript_expression")
		}
		return true
	})
	return needs, uses
}

// checked gives the code of the variables, properties and elements of which a condition asks
// whether they are there, or of which type they are.
func checked(f *syntax.File, n *syntax.Node) []string {
	n = core(f, n)
	switch {
	case n.Is(places...), n.Is("member_call_expression", "scoped_call_expression"):
		return []string{f.Text(n)}
	case n.Is("assignment_expression"):
		return []string{f.Text(n.Child("left"))}
	case n.Is("function_call_expression"):
		return checkedByCall(f, n)
	case !n.Is("binary_expression"):
		return nil
	}
	left, right := n.Child("left"), n.Child("right")
	if left == nil || right == nil {
		return nil
	}
	switch operator := operatorText(f, n); {
	case logicalOps[operator]:
		return append(checked(f, left), checked(f, right)...)
	case operator == "instanceof":
		return []string{f.Text(core(f, left))}
	case equalityOps[operator]:
		if isNothing(f, right) {
			return checked(f, left)
		}
		if isNothing(f, left) {
			return checked(f, right)
		}
	case relationalOps[operator]: // count($x) > 0, and the like
		return append(countedBy(f, left), countedBy(f, right)...)
	}
	return nil
}

// isNothing reports whether an expression is null or false.
func isNothing(f *syntax.File, n *syntax.Node) bool {
	text := strings.ToLower(f.Text(n.Unwrapped()))
	return text == "null" || text == "false"
}

// checkedByCall is for isset(), empty(), is_...(), array_key_exists() and the like.
func checkedByCall(f *syntax.File, n *syntax.Node) (out []string) {
	name := builtin(f, n)
	args := n.Child("arguments").NamedChildren()
	for i, a := range args {
		inner := a.NamedChildren()
		if len(inner) == 0 {
			continue
		}
		value := f.Text(inner[len(inner)-1])
		switch {
		case typeTests[name] && (i == 0 || name == "isset"), name == "method_exists" && i == 0, name == "property_exists" && i == 0,
			(name == "array_key_exists" || name == "key_exists") && i == 1:
			out = append(out, value)
		}
	}
	return append(out, countedBy(f, n)...)
}

// countedBy gives what a call asks the length of.
func countedBy(f *syntax.File, n *syntax.Node) []string {
	n = n.Unwrapped()
	switch builtin(f, n) {
	case "count", "sizeof", "strlen", "mb_strlen":
		if args, ok := plainArgs(n); ok && len(args) > 0 {
			return []string{f.Text(argValue(args[0]))}
		}
	}
	return nil
}
