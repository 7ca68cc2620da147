package operators

import (
	"strings"

	"assay/mutate/syntax"
)

// logicalOps join two conditions and short-circuit.
var logicalOps = map[string]bool{"&&": true, "||": true, "and": true, "or": true}

// isBinary reports whether a node is a binary expression with one of the
// operators (lower case).
func isBinary(f *syntax.File, n *syntax.Node, ops map[string]bool) bool {
	return n.Is("binary_expression") && ops[operatorText(f, n)]
}

// isNot reports whether a node is !x.
func isNot(f *syntax.File, n *syntax.Node) bool {
	return n.Is("unary_op_expression") && operatorText(f, n) == "!"
}

// argumentOf is what a unary operator is applied to, or nil.
func argumentOf(n *syntax.Node) *syntax.Node {
	if arg := n.Child("argument"); arg != nil {
		return arg
	}
	if inner := n.NamedChildren(); len(inner) == 1 {
		return inner[0]
	}
	return nil
}

// climb goes from a node up through parentheses and "!" to the outermost node
// that has the same truth value or the opposite one.
func climb(f *syntax.File, n *syntax.Node) *syntax.Node {
	for n.Parent.Is("parenthesized_expression") || isNot(f, n.Parent) {
		n = n.Parent
	}
	return n
}

// core goes from a node down through parentheses and "!".
func core(f *syntax.File, n *syntax.Node) *syntax.Node {
	for {
		switch {
		case isNot(f, n):
			n = argumentOf(n)
		case n.Is("parenthesized_expression") && n.Unwrapped() != n:
			n = n.Unwrapped()
		default:
			return n
		}
	}
}

// isLogicalOperand reports whether a truth value is a side of && or ||. No
// operator puts true or false there: "true && b" is b and "false && b" is
// false, and the family connective makes those of the whole.
func isLogicalOperand(f *syntax.File, n *syntax.Node) bool {
	return isBinary(f, climb(f, n).Parent, logicalOps)
}

// isArm reports whether a truth value decides alone over an arm of
// "match (true)" or a case of "switch (true)". False in its place is that arm
// dropped, which the family choice does.
func isArm(f *syntax.File, n *syntax.Node) bool {
	top := climb(f, n)
	return top.Parent.Is("match_condition_list") || top.Parent.Is("case_statement") && top.Field == "value"
}

// steers reports whether an expression is the condition of a loop, so that
// true in its place would mean a loop without end, which tells nothing.
func steers(f *syntax.File, n *syntax.Node) bool {
	top := climb(f, n)
	if top.Parent.Is("sequence_expression") {
		top = top.Parent
	}
	return top.Field == "condition" && top.Parent.Is(loopKinds...)
}

// isStep reports whether an expression moves a loop on: it is the third part of
// a "for", part of a loop's condition, or changes a variable that the condition
// of the loop around it reads. Changed, the loop would hardly ever end.
func isStep(f *syntax.File, n, changed *syntax.Node) bool {
	for p := n; p.Parent != nil && !p.Is(functionKinds...); p = p.Parent {
		if !p.Parent.Is("for_statement", "while_statement", "do_statement") {
			continue
		}
		if p.Field == "update" || p.Field == "condition" {
			return true
		}
		for _, cond := range p.Parent.Fields("condition") {
			if reads(f, cond, f.Text(changed)) {
				return true
			}
		}
	}
	return false
}

// reads reports whether some node below n has the given text.
func reads(f *syntax.File, n *syntax.Node, text string) bool {
	found := false
	n.Walk(func(c *syntax.Node) bool {
		if c.Len() == len(text) && c.Named && f.Text(c) == text {
			found = true
		}
		return !found && c.Len() >= len(text)
	})
	return found
}

// inText reports whether a node stands in a string's own little language, as
// in "$a[0]"; within "{$a[0]}" it is ordinary code.
func inText(n *syntax.Node) bool {
	for ; n.Parent != nil && n.Kind != "compound_statement"; n = n.Parent {
		if n.Parent.Is("encapsed_string", "heredoc_body", "shell_command_expression") {
			return n.Prev() == nil || n.Prev().Kind != "{"
		}
	}
	return false
}

// isDefault reports whether an expression is the whole value of a constant, an
// enum case, a parameter's default or a property's: the family declaration
// changes those.
func isDefault(n *syntax.Node) bool {
	return n.Field == "default_value" || n.Parent.Is("const_element", "enum_case")
}

// isKey reports whether an expression is a key in an array literal or in a
// destructuring list.
func isKey(n *syntax.Node) bool {
	next := n.Next()
	return n.Parent.Is("array_element_initializer", "list_literal") && next != nil && next.Kind == "=>"
}

// literalIsFree reports whether the families of literals may change a literal
// (with its sign, if it has one) where it stands. What is left out: text
// inside strings, declare(...), the levels of break, "while (true)" and
// "match (true)", what the family declaration does, and where another value is
// no more than another operator does already:
//
//	$x === 3        sameness makes the comparison false
//	case 3, 3 =>    the case is dropped
//	3 => ...        the element is dropped
func literalIsFree(f *syntax.File, n *syntax.Node) bool {
	p := n.Parent
	switch {
	case inText(n), isDefault(n), isKey(n), climb(f, n).Field == "condition":
		return false
	case p.Is("declare_directive", "break_statement", "continue_statement", "match_condition_list"):
		return false
	case p.Is("case_statement") && n.Field == "value":
		return false
	case isBinary(f, p, equalityOps):
		return false
	}
	return true
}

// argumentIn gives the call to a global function that a node is an argument
// of, and its place; name is "" when it is none.
func argumentIn(f *syntax.File, n *syntax.Node) (name string, at int) {
	arg := n.Parent
	if !arg.Is("argument") || !arg.Parent.Is("arguments") {
		return "", 0
	}
	for _, a := range arg.Parent.NamedChildren() {
		if a == arg {
			break
		}
		at++
	}
	return strings.TrimPrefix(builtin(f, arg.Parent.Parent), `\`), at
}

// binding says how tightly an expression holds together; the order is that of
// the PHP manual's table of operator precedence, higher is tighter.
func binding(f *syntax.File, n *syntax.Node) int {
	switch n.Kind {
	case "binary_expression":
		return bindings[operatorText(f, n)]
	case "unary_op_expression":
		if isNot(f, n) {
			return 18
		}
		return 20
	case "cast_expression", "error_suppression_expression", "update_expression":
		return 20
	case "object_creation_expression", "clone_expression":
		return 22
	case "conditional_expression":
		return 4
	}
	if n.Is(closed...) {
		return 23
	}
	return 0
}

var bindings = map[string]int{
	"**": 21, "instanceof": 19, "*": 17, "/": 17, "%": 17, "+": 16, "-": 16, "<<": 15, ">>": 15, ".": 14, "|>": 13,
	"<": 12, "<=": 12, ">": 12, ">=": 12, "==": 11, "!=": 11, "<>": 11, "===": 11, "!==": 11, "<=>": 11,
	"&": 10, "^": 9, "|": 8, "&&": 7, "||": 6, "??": 5, "and": 3, "xor": 2, "or": 1,
}
