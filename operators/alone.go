package operators

import "assay/mutate/syntax"

// guardsDropped reports whether an expression decides over one statement only,
// which an operator of the breadth core drops:
//
//	if ($fare < 0) { throw new RangeException(); }
//
// With false in the place of the condition that is the same mutant again. The
// operators that make constants of conditions ask this and leave the dropped
// statement to its own family, whose text says more about it.
func guardsDropped(f *syntax.File, condition *syntax.Node) bool {
	top := climb(f, condition)
	if top.Field != "condition" {
		return false
	}
	branch := top.Parent
	switch {
	case branch.Is("if_statement") && branch.Child("alternative") == nil:
	case branch.Is("else_if_clause") && !branch.Next().Is("else_if_clause", "else_clause"):
	default:
		return false
	}
	return oneDropped(f, branch.Child("body"))
}

// oneDropped reports whether a block, or the statement in the place of one, is
// a single statement that an operator of the breadth core drops.
func oneDropped(f *syntax.File, body *syntax.Node) bool {
	if body.Is("compound_statement", "colon_block") {
		inner := body.NamedChildren()
		if len(inner) != 1 {
			return false
		}
		body = inner[0]
	}
	return body != nil && !body.Bad && droppedAlone(f, body)
}

// droppedAlone reports whether a statement is dropped by an operator of the
// breadth core.
func droppedAlone(f *syntax.File, n *syntax.Node) bool {
	drop := func(rule applyFunc) bool { return len(unlessQuiet(rule)(f, n)) > 0 }
	switch n.Kind {
	case "expression_statement":
		e := n.NamedChildren()
		if len(e) == 1 && e[0].Is("throw_expression") {
			return true
		}
		if len(e) == 1 && e[0].Is("yield_expression") {
			return len(yieldDropped(f, e[0])) > 0
		}
		return drop(callDropped) || drop(parentCallDropped) || drop(assignmentDropped) || drop(dropCount)
	case "unset_statement", "echo_statement":
		return drop(dropStatement)
	case "return_statement":
		return drop(earlyReturnDropped)
	case "break_statement", "continue_statement":
		return drop(jumpDropped) || drop(fallThrough)
	}
	return false
}
