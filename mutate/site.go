package mutate

import (
	"bytes"
	"cmp"
	"slices"
	"strings"

	"assay/mutate/syntax"
)

// A Site is an expression around a change whose value can be worked out twice: as it
// is, and as the mutant has it. What is evaluated a second time for that has no effect
// but its value, see isPure; what may have one is evaluated once, before, and its value
// is used for both.
type Site struct {
	syntax.Span
	// Truth is set where nothing counts but whether the value is true.
	Truth bool
	// Operands are the expressions that are evaluated once, in source order. They are
	// evaluated whenever the site is, in this order, before all else in it but plain
	// variables and literals.
	Operands []syntax.Span
	// top says how tightly the expression holds its operands; closed is set where the text
	// around it cannot take one away, however loosely it does.
	top    int
	closed bool
	// changed is the mutant's expression, where that is not the site's text with its edit.
	changed string
}

// Bounds of a site: bytes of its text, expressions that are evaluated before it, and
// sites that are kept of a mutant.
const (
	longestSite  = 400
	mostOperands = 8
	mostSites    = 4
)

// siting is the search for the sites of one edit.
type siting struct {
	*placer
	edit     Edit
	operands []*syntax.Node
}

// sitesOf gives the sites of an edit, the largest first; n holds the edit.
func (p *placer) sitesOf(n *syntax.Node, e Edit) []Site {
	if at, ok := p.droppedAssignment(n, e); ok {
		return []Site{at}
	}
	for n != nil && !isExpression(n) {
		if !between[n.Kind] && n.Named {
			return nil
		}
		n = n.Parent
	}
	if n == nil || n.Bad || !isEvaluated(n) {
		return nil
	}
	s := siting{placer: p, edit: e}
	if !s.take(n, nil) {
		return nil
	}
	var out []Site
	for {
		if at, ok := s.site(n); ok {
			out = append(out, at)
		}
		parent := expressionAround(n)
		if at, ok := s.searching(parent, n); ok {
			out = append(out, at)
			break
		}
		if parent == nil || parent.Bad || parent.Len() > longestSite || !s.take(parent, n) {
			break
		}
		n = parent
	}
	slices.Reverse(out)
	return out[:min(len(out), mostSites)]
}

// between are nodes that may lie between an expression and its operands.
var between = words("arguments argument array_element_initializer string_content escape_sequence name qualified_name namespace_name cast_type relative_scope")

// composite are the kinds of expressions whose value comes of their operands alone.
var composite = words(`binary_expression unary_op_expression cast_expression conditional_expression parenthesized_expression
	subscript_expression member_access_expression nullsafe_member_access_expression array_creation_expression function_call_expression
	encapsed_string`)

// plain are the kinds of expressions without operands that have an effect.
var plain = words(`variable_name integer float string boolean null scoped_property_access_expression class_constant_access_expression`)

// isExpression reports whether a node is an expression of a kind that a site may be.
func isExpression(n *syntax.Node) bool {
	return composite[n.Kind] || plain[n.Kind] || isConstantName(n)
}

// isConstantName reports whether a node is the name of a constant that stands for its value.
func isConstantName(n *syntax.Node) bool {
	return n.Is("name", "qualified_name") && n.Field != "function" && n.Field != "name" && n.Field != "scope" && n.Field != "type" &&
		!n.Parent.Is("variable_name", "qualified_name", "class_constant_access_expression", "scoped_property_access_expression", "namespace_name") &&
		!(n.Parent.Is("binary_expression") && n.Parent.First("instanceof") != nil)
}

// isEvaluated reports whether a node stands in the body of a function, and not in a part of
// it that PHP works out when it compiles.
func isEvaluated(n *syntax.Node) bool {
	for at := n.Parent; at != nil; at = at.Parent {
		switch {
		case at.Is("compound_statement") && isFunction(at.Parent):
			return true
		case at.Is("formal_parameters", "attribute_list", "function_static_declaration", "const_declaration", "property_declaration",
			"declaration_list", "enum_declaration_list", "heredoc", "nowdoc", "shell_command_expression", "declare_statement",
			"list_literal", "static_variable_declaration"):
			return false
		}
	}
	return false
}

// expressionAround gives the expression of which a node is an operand; nil where that is
// none whose value comes of its operands alone.
func expressionAround(n *syntax.Node) *syntax.Node {
	at := n.Parent
	for at.Is("arguments", "argument", "array_element_initializer") {
		if at.Is("argument") && n.Field == "name" {
			return nil
		}
		at = at.Parent
	}
	if !composite[at.Kind] || at.Is("encapsed_string") {
		return nil
	}
	return at
}

// operandsOf gives the expressions of which the value of one comes; ok is false where
// some are no plain values.
func operandsOf(n *syntax.Node) (out []*syntax.Node, ok bool) {
	ok = true
	for _, c := range n.NamedChildren() {
		switch {
		case c.Is("arguments", "argument", "array_element_initializer"):
			more, fine := operandsOf(c)
			out, ok = append(out, more...), ok && fine
		case c.Is("by_ref", "reference_modifier", "variadic_unpacking", "variadic_placeholder"):
			ok = false
		case c.Is("cast_type") || c.Field == "function" || c.Field == "name" && !c.Is("variable_name") && n.Is("argument", "member_access_expression", "nullsafe_member_access_expression"):
		case n.First("instanceof") != nil && c.Is("name", "qualified_name", "relative_scope"):
		default:
			out = append(out, c)
		}
	}
	return out, ok
}

// take decides about the operands of a node beside the one that has the change: what has an
// effect, and what comes before that, is evaluated once. inner is that operand; nil where
// the change is in the node itself. It reports whether the node can be a site.
func (s *siting) take(n, inner *syntax.Node) bool {
	if !s.isComputed(n) {
		return false
	}
	operands, ok := operandsOf(n)
	if !ok {
		return false
	}
	hole, evaluates := s.edit.Span, strings.ContainsAny(s.edit.New, "$>:")
	if inner != nil {
		hole, evaluates = inner.Span, true
		if len(s.operands) > 0 && (isConditional(n, inner) || isLookedFor(s.file, n)) {
			return false
		}
	}
	for _, o := range operands {
		evaluates = evaluates || o.Overlaps(hole)
	}
	var before []*syntax.Node
	effects := len(s.operands) > 0
	for _, o := range operands {
		switch {
		case o == inner:
		case inner == nil && o.Overlaps(hole), o.Start >= hole.End && evaluates, isConditional(n, o), isLookedFor(s.file, n), n.Is("encapsed_string"):
			if !s.isPure(o) {
				return false
			}
		default:
			before = append(before, o)
			effects = effects || !s.isPure(o)
		}
	}
	if !effects {
		return true
	}
	for _, o := range before {
		if o.Bad || len(s.operands) == mostOperands {
			return false
		}
		if !isLiteral(o) && !(o.Is("variable_name") && n.Is("binary_expression")) { // PHP reads these when it has both
			s.operands = append(s.operands, o)
		}
	}
	slices.SortFunc(s.operands, func(a, b *syntax.Node) int { return cmp.Compare(a.Start, b.Start) })
	return true
}

// isComputed reports whether the value of a node is that of its operands, put together
// without an effect.
func (s *siting) isComputed(n *syntax.Node) bool {
	switch {
	case n.Is("function_call_expression"):
		return s.isPureCall(n)
	case n.Is("subscript_expression"):
		return len(n.NamedChildren()) == 2
	case n.Is("array_creation_expression"):
		return n.Field != "left" && !n.Parent.Is("foreach_statement")
	case isConstantName(n):
		return !isMagic(s.file.Text(n))
	}
	return true
}

// isMagic reports whether the value of a constant is another one in a function of its own.
func isMagic(name string) bool {
	name = strings.ToUpper(name)
	return name == "__FUNCTION__" || name == "__METHOD__" || name == "__LINE__" || name == "__PROPERTY__"
}

func isLiteral(n *syntax.Node) bool {
	return n.Is("integer", "float", "string", "boolean", "null")
}

// isConditional reports whether an operand is not always evaluated.
func isConditional(n, operand *syntax.Node) bool {
	switch {
	case n.Is("conditional_expression"):
		return operand.Field != "condition"
	case n.Is("binary_expression"):
		return operand.Field == "right" && n.First("&&", "||", "and", "or", "??") != nil
	}
	return false
}

// isLookedFor reports whether PHP only looks whether the operands of a node are there.
func isLookedFor(f *syntax.File, n *syntax.Node) bool {
	if n.Is("function_call_expression") {
		name := strings.ToLower(f.Text(n.Child("function")))
		return name == "isset" || name == "empty"
	}
	return n.Is("binary_expression") && n.First("??") != nil
}

// site gives the site that a node is, if its value can be replaced by that of a call.
func (s *siting) site(n *syntax.Node) (Site, bool) {
	if n.Len() > longestSite || n.Bad || n.Parent.Bad || !n.Contains(s.edit.Span) || !s.isOnePiece(n) {
		return Site{}, false
	}
	is, closed, truth := s.isRead(n)
	if !is {
		return Site{}, false
	}
	at := Site{Span: n.Span, Truth: truth, top: topOf(s.file, n), closed: closed}
	for _, o := range s.operands {
		at.Operands = append(at.Operands, o.Span)
	}
	return at, true
}

// isOnePiece reports whether the text of a node can be written on one line.
func (s *siting) isOnePiece(n *syntax.Node) bool {
	fit := true
	n.Walk(func(c *syntax.Node) bool {
		fit = fit && !c.Is("comment", "?>", "php_tag", "text") && !(ofManyLines[c.Kind] && bytes.IndexByte(s.file.Src[c.Start:c.End], '\n') >= 0)
		return fit
	})
	return fit
}

// tightness has the operators that hold their operands together, from the loosest on: the
// precedence of operators in the manual of PHP. That of "." changed with PHP 8, so it is only
// as tight as itself, and looser than all that it has been looser than at some time.
var tightness = map[string]int{"or": 1, "xor": 2, "and": 3, "conditional_expression": 5, "??": 6, "||": 7, "&&": 8, "|": 9, "^": 10, "&": 11,
	"==": 12, "!=": 12, "===": 12, "!==": 12, "<>": 12, "<=>": 12, "<": 13, "<=": 13, ">": 13, ">=": 13,
	".": 14, "<<": 15, ">>": 15, "+": 16, "-": 16, "*": 17, "/": 17, "%": 17, "instanceof": 19, "**": 21}

// topOf says how tightly an expression holds its operands.
func topOf(f *syntax.File, n *syntax.Node) int {
	switch n.Kind {
	case "binary_expression":
		operator := n.Child("operator")
		if operator == nil {
			operator = n.First("instanceof")
		}
		if operator != nil {
			return tightness[strings.ToLower(f.Text(operator))] // 0 for one that is not known
		}
		return 0
	case "unary_op_expression":
		if n.First("!") != nil {
			return 18
		}
		return 20
	case "cast_expression":
		return 20
	case "conditional_expression":
		return tightness[n.Kind]
	}
	return 30
}

// variables are the kinds of expressions of which PHP takes references.
var variables = words("variable_name subscript_expression member_access_expression nullsafe_member_access_expression scoped_property_access_expression")

// isRead reports whether a node stands where only its value is taken; closed where what is
// around it ends with it; truth where no more is taken than whether the value is true.
func (s *siting) isRead(n *syntax.Node) (is, closed, truth bool) {
	variable := variables[n.Kind] || n.Is("parenthesized_expression") && n.Parent.Is("argument")
	switch n.Parent.Kind {
	case "binary_expression":
		operator := n.Parent.First("??", "instanceof")
		if operator.Is("??") && n.Field == "left" || operator.Is("instanceof") && n.Field != "left" {
			return false, false, false
		}
		return true, false, n.Parent.First("&&", "||", "and", "or", "xor") != nil
	case "unary_op_expression":
		return n.Parent.First("&") == nil, false, n.Parent.First("!") != nil
	case "cast_expression":
		return true, false, false
	case "conditional_expression":
		return true, false, n.Field == "condition" && n.Parent.Child("body") != nil
	case "parenthesized_expression":
		around := n.Parent.Parent
		if n.Parent.Field == "condition" && around.Is("if_statement", "else_if_clause", "while_statement", "do_statement") {
			return true, true, true
		}
		return !variable, true, false
	case "argument":
		call := n.Parent.Parent.Parent
		mayRefer := variable && !(call.Is("function_call_expression") && s.isPureCall(call))
		return n.Field != "name" && !mayRefer && n.Parent.First("reference_modifier") == nil && !isLookedFor(s.file, call), true, false
	case "array_element_initializer":
		return n.Parent.First("by_ref", "reference_modifier", "variadic_unpacking") == nil, true, false
	case "subscript_expression":
		parts := n.Parent.NamedChildren()
		return len(parts) == 2 && parts[1] == n && n.Parent.Parent.Kind != "encapsed_string", true, false
	case "assignment_expression", "augmented_assignment_expression":
		return n.Field == "right" && !(variable && n.Parent.Child("left").Is("list_literal", "array_creation_expression")), true, false
	case "return_statement", "arrow_function":
		return (n.Parent.Kind == "return_statement" || n.Field == "body") && returnsValue(n), true, false
	case "for_statement":
		return n.Field == "condition", true, true
	case "foreach_statement":
		return isSubject(n) && !variable, true, false
	case "expression_statement", "echo_statement", "match_conditional_expression", "match_default_expression", "match_condition_list":
		return true, true, false
	}
	return false, false, false
}
