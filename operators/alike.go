package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// mostTried is how many others are looked at, in the place of a key, variable or property, of
// which the first that makes no repetition is taken.
const mostTried = 5

// repeatsNeighbour reports whether a text that is put in the place of a node would make of
// what it stands in only a repetition of what stands beside that: on the other side of an
// operator or an assignment, in the other branch of ?:, or in the same list of isset(), min()
// or max(). What comes of that, a constant or one side left out, other families make.
func repeatsNeighbour(f *syntax.File, n *syntax.Node, text string) bool {
	for at := n; at.Parent != nil && !strings.HasSuffix(at.Parent.Kind, "_statement") && !at.Parent.Is(functionKinds...); {
		beside, around := neighbours(f, at)
		whole := at.Len() - n.Len() + len(text)
		for _, b := range beside {
			if b != at && b.Len() == whole && f.Text(b) == string(f.Src[at.Start:n.Start])+text+string(f.Src[n.End:at.End]) {
				return true
			}
		}
		at = around
	}
	return false
}

// neighbours gives the expressions that are joined with one, itself among them, and what they
// are joined to: of a chain of one operator the whole.
func neighbours(f *syntax.File, n *syntax.Node) (beside []*syntax.Node, around *syntax.Node) {
	switch p := n.Parent; p.Kind {
	case "binary_expression":
		operator := operatorText(f, p)
		chain := map[string]bool{operator: true}
		for isBinary(f, p.Parent, chain) {
			p = p.Parent
		}
		if operator == "." || operator == "+" || operator == "*" {
			return nil, p // "$a . $a" is no constant, and no side of it
		}
		return operandsOf(f, p, chain), p
	case "conditional_expression", "assignment_expression", "augmented_assignment_expression":
		return p.NamedChildren(), p
	case "arguments":
		switch builtin(f, p.Parent) {
		case "isset", "min", "max":
			return p.NamedChildren(), p
		}
	}
	return nil, n.Parent
}

// operandsOf gives the operands of a chain of one operator, "$a && $b && $c".
func operandsOf(f *syntax.File, n *syntax.Node, chain map[string]bool) []*syntax.Node {
	var out []*syntax.Node
	todo := []*syntax.Node{n}
	for len(todo) > 0 {
		last := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		if isBinary(f, last, chain) {
			todo = append(todo, last.NamedChildren()...)
			continue
		}
		out = append(out, last)
	}
	return out
}

// isWrittenTo reports whether a variable, property or element stands where PHP writes to it,
// or to a part of it: nothing reads a value there.
func isWrittenTo(f *syntax.File, n *syntax.Node) bool {
	for n.Parent.Is("subscript_expression") && n.Parent.NamedChildren()[0] == n {
		n = n.Parent
	}
	switch p := n.Parent; p.Kind {
	case "assignment_expression", "augmented_assignment_expression":
		return n.Field == "left"
	case "foreach_statement":
		return n.Field != "body" && p.NamedChildren()[0] != n
	case "update_expression", "reference_assignment_expression", "unset_statement", "by_ref", "list_literal", "pair",
		"catch_clause", "reference_modifier":
		return true
	}
	return false
}

// mistakenHint names what is meant and what was taken for it.
func mistakenHint(f *syntax.File, n *syntax.Node, e mutate.Edit) mutate.Hints {
	is := named(f, n, "")
	other := quoted(string(f.Src[n.Start:e.Start])+e.New+string(f.Src[e.End:n.End]), "")
	if is == "" || other == "" {
		return mutate.Hints{}
	}
	return mutate.Hints{Input: "Add a case in which " + is + " and " + other + " differ.",
		Outcome: "Assert what comes of " + is + ", in a case in which " + other + " has another value."}
}
