package mutate

import (
	"cmp"
	"slices"
	"strings"

	"assay/mutate/syntax"
)

// Hints say what to do about one survivor, in sentences; "" where what the operator says
// of all its mutants will do.
type Hints struct {
	Input, Outcome string // as Operator.Input and Operator.Outcome
	Either         string // where it is not known which of the two is missing
}

// Advice gives what to do about a survivor, by what was observed of it: the case that is
// missing, or the assertion. f is the tree of its source; where it is nil, or another text
// than the mutant was made of, the advice is what holds for all mutants of the operator. It
// may quote the source, control characters and all.
func Advice(m *Mutant, f *syntax.File, seen Seen) string {
	op := m.Op
	var n *syntax.Node
	var own Hints
	if f != nil {
		n = NodeOf(f, op, m.Edit)
	}
	if n != nil && op.Hint != nil {
		own = op.Hint(f, n, m.Edit)
	}
	input, outcome := cmp.Or(own.Input, op.Input), cmp.Or(own.Outcome, op.Outcome)
	_, meaning, _ := strings.Cut(op.Doc, "\n\n")
	meaning = strings.TrimSpace(meaning)
	switch {
	case seen.Word == Unasserted:
		return callTells + cmp.Or(outcome, meaning)
	case seen.Word == Absorbed:
		return isHidden
	case input == "":
	case seen.Word == NeverDiffers:
		return input + hiddenBy(f, n, seen)
	case seen.Word == Differs:
		return inputThere + outcome
	case own.Either == "" && own != Hints{}:
		return "No test tells the change from the original. " + input + " " + outcome
	}
	return cmp.Or(own.Either, meaning)
}

const inputThere = "In some test the change makes a difference here, and none fails: the outcome is not looked at, " +
	"or what follows hides it. "

const callTells = "A call that the tests make has another outcome with the change, and none of them looks at what is different. "

const isHidden = "In some test the change makes a difference here, and what follows hides it from whoever made the call: " +
	"all outcomes are the same. Only an input for which it is not hidden can tell the two apart, if there is one."

// hiddenBy says that more than the changed expression was observed, the rest of which may hide
// the difference; "" where there is no rest.
func hiddenBy(f *syntax.File, n *syntax.Node, seen Seen) string {
	if n == nil || strings.HasSuffix(n.Kind, "_statement") {
		return ""
	}
	for n.Parent.Is("binary_expression", "unary_op_expression") && (isLiteral(n) || n.Is("unary_op_expression") && isLiteral(n.NamedChildren()[0])) {
		n = n.Parent
	}
	words := func(s string) string { return strings.Trim(strings.Join(strings.Fields(s), " "), "!() ") }
	own, whole := words(f.Text(n)), words(seen.Expression)
	start, cut := strings.CutSuffix(whole, "…")
	if len(whole) <= len(own) || !cut && !strings.Contains(whole, own) || cut && strings.HasPrefix(own, start) {
		return ""
	}
	return " The rest of the expression must not hide the difference."
}

// NodeOf gives the node of a file that an operator made an edit for; nil where it makes no
// such edit there, as in a file that has changed.
func NodeOf(f *syntax.File, op *Operator, e Edit) *syntax.Node {
	if op.Apply == nil || e.Start < 0 || e.End > len(f.Src) {
		return nil
	}
	at := f.Root
	for c := at.Holding(e.Span); c != nil; c = c.Holding(e.Span) {
		at = c
	}
	var found *syntax.Node
	try := func(n *syntax.Node) bool {
		if found == nil && !n.Bad && n.Is(op.Kinds...) && slices.Contains(op.Apply(f, n), e) {
			found = n
		}
		return found == nil
	}
	at.Walk(try)
	for at = at.Parent; at != nil && found == nil; at = at.Parent {
		try(at)
	}
	return found
}
