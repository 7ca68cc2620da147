package operators

import (
	"fmt"
	"strconv"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// relationalHint names the sides of a comparison.
func relationalHint(f *syntax.File, n *syntax.Node, e mutate.Edit) mutate.Hints {
	left, right := n.Child("left"), n.Child("right")
	if left == nil || right == nil {
		return mutate.Hints{}
	}
	operator := operatorText(f, n)
	if isConstant(left) && !isConstant(right) { // no case can change that side
		left, right = right, left
		operator = turned(operator)
	}
	a, b := named(f, left, "the left side"), named(f, right, "the right side")
	if left.Start > right.Start {
		a, b = named(f, left, "the right side"), named(f, right, "the left side")
	}
	is := ""
	switch text := strings.TrimSpace(e.New); {
	case relationalOps[text] && named(f, left, "") != "":
		is = a + " is exactly " + b
	case relationalOps[text]:
		is = a + " and " + b + " are equal"
	case strings.HasPrefix(operator, "<") == (text == "!="):
		is = a + " is larger than " + b
	default:
		is = a + " is smaller than " + b
	}
	if text := strings.TrimSpace(e.New); text == "!=" && loopEndedBy(f, n) != nil {
		return mutate.Hints{Input: "Add a case in which " + a + " steps over " + b + ", or begins beyond it. If there can be none, the change makes no difference.",
			Outcome: "Assert that the loop ends when " + is + "."}
	}
	return atLimit(f, n, is)
}

// turned gives the operator of a comparison with its sides exchanged.
func turned(operator string) string { return strings.NewReplacer("<", ">", ">", "<").Replace(operator) }

// isConstant reports whether an expression has the same value in every case.
func isConstant(n *syntax.Node) bool {
	n = n.Unwrapped()
	return n.Is("integer", "float", "string", "boolean", "null", "name", "qualified_name", "class_constant_access_expression") ||
		n.Is("unary_op_expression") && len(n.NamedChildren()) == 1 && isConstant(n.NamedChildren()[0])
}

// atLimit gives the hints of a case in which a comparison decides. Where that ends a loop,
// the limit counts only if nothing ends the loop before.
func atLimit(f *syntax.File, comparison *syntax.Node, is string) mutate.Hints {
	if loop := loopEndedBy(f, comparison); loop != nil {
		return mutate.Hints{Input: "Add a case in which the loop gets so far that " + is + ": nothing may end it before.",
			Outcome: "Assert what the loop does, or no longer does, when " + is + ".",
			Either:  "No test depends on what the loop does when " + is + ". Have a case in which nothing ends it before, and assert what it does then."}
	}
	return decided(is)
}

// loopEndedBy gives the loop whose condition a comparison is, or is a part of, where the loop
// changes one of its sides; nil for others.
func loopEndedBy(f *syntax.File, comparison *syntax.Node) *syntax.Node {
	part := comparison
	for part.Parent.Is("parenthesized_expression", "sequence_expression") || isBinary(f, part.Parent, logicalOps) || isNot(f, part.Parent) {
		part = part.Parent
	}
	loop := part.Parent
	if part.Field != "condition" || !loop.Is("for_statement", "while_statement", "do_statement") {
		return nil
	}
	changed := false
	loop.Walk(func(n *syntax.Node) bool {
		target := n.Child("left")
		if n.Is("update_expression") {
			target = n.Child("argument")
			if target == nil && len(n.NamedChildren()) > 0 {
				target = n.NamedChildren()[0]
			}
		} else if !n.Is("assignment_expression", "augmented_assignment_expression") {
			target = nil
		}
		changed = changed || target != nil && n.Field != "initialize" && reads(f, comparison, f.Text(target))
		return !changed
	})
	if !changed {
		return nil
	}
	return loop
}

// integerHint says for which values of the other side the two numbers differ.
func integerHint(f *syntax.File, n *syntax.Node, e mutate.Edit) mutate.Hints {
	x, ok := numberAt(f, n)
	text := strings.TrimSpace(e.New)
	to, err := strconv.ParseInt(strings.ReplaceAll(text, "_", ""), 0, 64)
	if !ok || err != nil {
		return mutate.Hints{}
	}
	p := n.Parent
	if !isBinary(f, p, relationalOps) {
		return usedHint(f, n)
	}
	other := p.Child("left")
	operator := operatorText(f, p)
	if n.Field == "left" {
		other = p.Child("right")
		operator = turned(operator)
	}
	from, until := min(x.value, to), max(x.value, to)
	if operator == ">" || operator == "<=" {
		from++
	} else {
		until--
	}
	if neverNegative(f, other) {
		from = max(from, 0)
	}
	code := named(f, other, "")
	switch {
	case code == "" || isConstant(other) || from > until:
		return mutate.Hints{}
	case from == until:
		return atLimit(f, p, fmt.Sprintf("%s is exactly %d", code, from))
	}
	return atLimit(f, p, fmt.Sprintf("%s is at least %d and at most %d", code, from, until))
}

var arithmeticOps = map[string]bool{"+": true, "-": true, "*": true, "/": true, "%": true, "**": true}

// usedHint says what a number that is not compared is used for: what is computed with it, or who
// is given it.
func usedHint(f *syntax.File, n *syntax.Node) mutate.Hints {
	h := factorHint(f, n)
	at := n
	for p := n.Parent; isBinary(f, p, arithmeticOps) || p.Is("parenthesized_expression", "cast_expression"); p = p.Parent {
		if at = p; isBinary(f, p, arithmeticOps) {
			n = p
		}
	}
	call, callee := callOf(f, at)
	switch {
	case isBinary(f, n, arithmeticOps):
		return exactly(f, n, "this computation", h.Input)
	case callee == "":
		return h
	case call.Is("function_call_expression"):
		return exactly(f, call, callee+"()", h.Input)
	}
	h.Outcome = "Assert something for which it matters that " + callee + "() is given " + f.Text(n) + "."
	h.Either = "No test depends on " + callee + "() being given " + f.Text(n) + ". Assert something for which that matters."
	return h
}

// exactly has the result of some code be asserted.
func exactly(f *syntax.File, n *syntax.Node, otherwise, input string) mutate.Hints {
	code := named(f, n, otherwise)
	return mutate.Hints{Input: input, Outcome: "Assert the exact result that comes of " + code + ".",
		Either: "No test looks at exactly what " + code + " comes to. Assert the exact result that comes of it."}
}

// callOf gives the call that an expression is an argument of, and the name of what is called
// or made; nil and "" for none.
func callOf(f *syntax.File, n *syntax.Node) (*syntax.Node, string) {
	if !n.Parent.Is("argument") {
		return nil, ""
	}
	call := n.Up("function_call_expression", "member_call_expression", "nullsafe_member_call_expression", "scoped_call_expression")
	if call == nil || call.Child("arguments") != n.Parent.Parent {
		return nil, ""
	}
	name := call.Child("name")
	if call.Is("function_call_expression") {
		name = call.Child("function")
	}
	if !name.Is("name", "qualified_name") {
		return nil, ""
	}
	return call, strings.TrimPrefix(f.Text(name), "\\")
}

// factorHint is for a factor: with 0 on the other side it does not count.
func factorHint(f *syntax.File, n *syntax.Node) mutate.Hints {
	if !isBinary(f, n.Parent, map[string]bool{"*": true}) {
		return mutate.Hints{}
	}
	other := n.Parent.Child("left")
	if n.Field == "left" {
		other = n.Parent.Child("right")
	}
	code := named(f, other, "")
	if code == "" || isConstant(other) {
		return mutate.Hints{}
	}
	return mutate.Hints{Input: "Add a case in which " + code + " is not 0."}
}

// floatHint is for a limit between two floats, and for a factor.
func floatHint(f *syntax.File, n *syntax.Node, e mutate.Edit) mutate.Hints {
	p := n.Parent
	if !isBinary(f, p, relationalOps) {
		if to, err := strconv.ParseFloat(strings.TrimSpace(e.New), 64); err == nil && to == 0 {
			return factorHint(f, n)
		}
		return mutate.Hints{}
	}
	other := p.Child("left")
	if n.Field == "left" {
		other = p.Child("right")
	}
	code := named(f, other, "")
	if code == "" {
		return mutate.Hints{}
	}
	return atLimit(f, p, fmt.Sprintf("%s lies between %s and %s", code, f.Text(n), strings.TrimSpace(e.New)))
}
