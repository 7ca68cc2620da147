package mutate

import (
	"bytes"
	"regexp"
	"strings"

	"assay/mutate/syntax"
)

// A Place is a piece of code around a change that can stand beside changed
// copies of itself, of which one is chosen when the code is run: a statement in a
// function, or a condition with its parentheses. The zero Place is none.
type Place struct {
	syntax.Span
	Kind PlaceKind
	// Point is the probe point that is passed before it is chosen what is run. It is
	// not the mutant's own where that is in a function made here and run elsewhere.
	Point int
}

// PlaceKind says what stands in a place.
type PlaceKind uint8

const (
	NoPlace    PlaceKind = iota
	Statement            // among others
	Body                 // a statement that is the body of another, without braces
	Condition            // an expression in parentheses
	Expression           // one without, of a statement that has several lines
	Element              // of an array literal, which is there or not
	Arm                  // the condition of an arm of "match", which is there or not
)

// placer finds the places of one file's mutants.
type placer struct {
	file   *syntax.File
	fit    map[*syntax.Node]bool
	labels map[*syntax.Node]bool // function => it has labels
	yields map[*syntax.Node]int  // function => how often it yields
	around map[block]*syntax.Node
	pure   map[*syntax.Node]bool // see isPure
	// breaks are what lies between two tokens and holds a line break: white space
	// and comments. In source order.
	breaks []syntax.Span
}

// A block is one whose function is known; arrow: which may be an arrow function.
type block struct {
	node  *syntax.Node
	arrow bool
}

// functionAround gives the nearest function around a node, or nil. What is found out for
// a block is kept, for blocks may be thousands deep.
func (p *placer) functionAround(n *syntax.Node, arrow bool) *syntax.Node {
	var blocks []*syntax.Node
	at := n.Parent
	for ; at != nil && !isFunction(at) && !(arrow && at.Kind == "arrow_function"); at = at.Parent {
		if at.Kind != "compound_statement" {
			continue
		}
		if known, ok := p.around[block{at, arrow}]; ok {
			at = known
			break
		}
		blocks = append(blocks, at)
	}
	for _, b := range blocks {
		p.around[block{b, arrow}] = at
	}
	return at
}

func newPlacer(f *syntax.File) *placer {
	p := &placer{file: f, fit: map[*syntax.Node]bool{}, labels: map[*syntax.Node]bool{}, yields: map[*syntax.Node]int{}, around: map[block]*syntax.Node{}, pure: map[*syntax.Node]bool{}}
	at := 0
	f.Walk(func(n *syntax.Node) bool {
		if len(n.Children) > 0 || n.Kind == "comment" || n.Len() == 0 {
			return true
		}
		if n.Start > at && bytes.IndexByte(f.Src[at:n.Start], '\n') >= 0 && onlySpace(f.Src[at:n.Start]) {
			p.breaks = append(p.breaks, syntax.Span{Start: at, End: n.Start})
		}
		at = max(at, n.End)
		return true
	})
	return p
}

// onlySpace reports whether a text is white space and whole comments.
func onlySpace(text []byte) bool {
	for len(text) > 0 {
		switch {
		case bytes.IndexByte([]byte(" \t\r\n"), text[0]) >= 0:
			text = text[1:]
		case bytes.HasPrefix(text, []byte("/*")):
			end := bytes.Index(text[2:], []byte("*/"))
			if end < 0 {
				return false
			}
			text = text[end+4:]
		case bytes.HasPrefix(text, []byte("//")), text[0] == '#' && !bytes.HasPrefix(text, []byte("#[")):
			end := bytes.IndexByte(text, '\n')
			if end < 0 || bytes.Contains(text[:end], []byte("?>")) {
				return false
			}
			text = text[end:]
		default:
			return false
		}
	}
	return true
}

var (
	simpleStatements = map[string]bool{"expression_statement": true, "return_statement": true, "echo_statement": true,
		"unset_statement": true, "break_statement": true, "continue_statement": true}
	compoundStatements = map[string]bool{"if_statement": true, "while_statement": true, "do_statement": true,
		"for_statement": true, "foreach_statement": true, "switch_statement": true, "try_statement": true}
	// What exists once in a program, or is found by its position in it.
	single = map[string]bool{"anonymous_class": true, "class_declaration": true, "function_definition": true, "interface_declaration": true,
		"trait_declaration": true, "enum_declaration": true, "function_static_declaration": true, "named_label_statement": true,
		"goto_statement": true, "text_interpolation": true, "declare_statement": true, "const_declaration": true,
		"global_declaration": true}
	ofManyLines = map[string]bool{"heredoc": true, "nowdoc": true, "string": true, "encapsed_string": true, "shell_command_expression": true}
)

// of gives the smallest place around an edit; n holds the edit.
func (p *placer) of(n *syntax.Node, e Edit, points *Points) Place {
	if at, block := added(n, e); block != nil {
		return Place{at, Statement, points.At(block)}
	}
	element, kindOfElement := droppedElement(p.file, n, e), Element
	if arm := droppedArm(n, e); arm != nil {
		element, kindOfElement = arm, Arm
	}
	var inner *syntax.Node
	index := false // inner stands in the brackets of something
	for ; n != nil && n.Parent != nil; n = n.Parent {
		switch {
		case n.Span == e.Span && isSubject(n) && !n.Bad:
			inner = n
		case isText(n), !index && isApart(n):
			inner, element = nil, nil
		case inner == nil && n.Contains(e.Span) && p.isValue(n) && (p.isOneLine(n) || n.Span == e.Span):
			inner, index = n, isIndex(n)
		}
		kind := NoPlace
		switch {
		case n.Bad || n.Is("method_declaration", "function_definition", "property_hook", "class_declaration", "trait_declaration",
			"enum_declaration", "interface_declaration", "anonymous_class", "declaration_list", "enum_declaration_list", "attribute_list"):
			return Place{}
		case n.Is("parenthesized_expression") && n.Field == "condition" &&
			n.Parent.Is("if_statement", "else_if_clause", "while_statement", "do_statement", "switch_statement"):
			kind = Condition
		case !simpleStatements[n.Kind] && !compoundStatements[n.Kind]:
			continue
		case n.Field == "body" && !hasColon(n.Parent) &&
			n.Parent.Is("if_statement", "else_clause", "else_if_clause", "for_statement", "foreach_statement", "while_statement", "do_statement"):
			kind = Body
		case n.Parent.Is("compound_statement", "colon_block", "case_statement", "default_statement"):
			kind = Statement
		default:
			return Place{}
		}
		if !p.isOneLine(n) && element != nil && p.isFit(element) {
			return Place{element.Span, kindOfElement, points.At(element)}
		}
		if !p.isOneLine(n) && inner != nil {
			n, kind = inner, Expression
		}
		if !n.Contains(e.Span) || !p.isFit(n) || !p.keepsKind(n, e) {
			return Place{}
		}
		return Place{n.Span, kind, points.At(n)}
	}
	return Place{}
}

func (p *placer) isOneLine(n *syntax.Node) bool {
	return bytes.IndexByte(p.file.Src[n.Start:n.End], '\n') < 0
}

// added gives the place of a statement that an edit adds to a block; n is at the
// edit or around it.
func added(n *syntax.Node, e Edit) (at syntax.Span, block *syntax.Node) {
	text := strings.ToLower(strings.TrimSpace(e.New))
	if e.Start != e.End || !strings.HasSuffix(text, ";") || strings.Contains(text, "continue") || strings.Contains(text, "yield") {
		return at, nil
	}
	if !n.Is("compound_statement") {
		n = n.Up("compound_statement")
	}
	if n == nil || n.Bad || e.Start <= n.Start || n.End <= e.Start || n.Up("method_declaration", "function_definition", "anonymous_function") == nil {
		return at, nil
	}
	for _, c := range n.Children {
		if c.Start < e.Start && e.Start < c.End {
			return at, nil
		}
	}
	return e.Span, n
}

// droppedElement gives the element of an array literal that an edit takes away with
// its comma, if the rest is what it would be without its place: it has no key, or a
// string for one.
func droppedElement(f *syntax.File, n *syntax.Node, e Edit) *syntax.Node {
	for n.Parent != nil && e.Contains(n.Span) {
		n = n.Parent // "[[1, 2]]" => "[]": n is the element itself, an array literal
	}
	if e.New != "" || !n.Is("array_creation_expression") || n.Parent.Is("foreach_statement") || n.Field == "left" {
		return nil
	}
	for _, c := range n.Children {
		if c.Is("array_element_initializer") && e.Start <= c.Start && c.End <= e.End {
			parts := c.NamedChildren()
			if c.First("by_ref", "reference_modifier", "variadic_unpacking") != nil || len(parts) > 2 || len(parts) == 2 && !isWord(f, parts[0]) {
				return nil
			}
			return c
		}
	}
	return nil
}

// droppedArm gives the condition of an arm of "match" that an edit takes away, if
// the arm has but one.
func droppedArm(n *syntax.Node, e Edit) *syntax.Node {
	if e.New != "" {
		return nil
	}
	if n.Is("match_conditional_expression", "match_condition_list") {
		n = n.Up("match_block")
	}
	if !n.Is("match_block") {
		return nil
	}
	for _, c := range n.Children {
		if c.Is("match_conditional_expression") && e.Start <= c.Start && c.End <= e.End {
			conditions := c.First("match_condition_list").NamedChildren()
			if len(conditions) != 1 || c.Bad || conditions[0].Bad {
				return nil
			}
			return conditions[0]
		}
	}
	return nil
}

// isWord reports whether a node is a string that PHP does not take for a number when
// it is a key.
func isWord(f *syntax.File, n *syntax.Node) bool {
	return n.Is("string") && strings.Trim(f.Text(n), `'-0123456789`) != ""
}

// Expressions that give a value and never a variable, and those that give one
// except where PHP would take a reference.
var (
	values = map[string]bool{"binary_expression": true, "unary_op_expression": true, "conditional_expression": true, "cast_expression": true,
		"integer": true, "float": true, "string": true, "encapsed_string": true, "boolean": true, "null": true, "array_creation_expression": true,
		"throw_expression": true}
	results = map[string]bool{"function_call_expression": true, "member_call_expression": true, "scoped_call_expression": true,
		"nullsafe_member_call_expression": true, "object_creation_expression": true}
)

// isValue reports whether a choice of expressions, in parentheses, can stand where
// a node does.
func (p *placer) isValue(n *syntax.Node) bool {
	if n.Bad || n.Parent.Bad {
		return false
	}
	if isSubject(n) {
		return true
	}
	if !values[n.Kind] && !results[n.Kind] {
		return false
	}
	switch n.Parent.Kind {
	case "argument":
		return n.Field != "name" && n.Parent.First("reference_modifier", "name") == nil && (values[n.Kind] || !p.takesReference(n.Parent))
	case "array_element_initializer":
		return n.Parent.First("by_ref", "reference_modifier", "variadic_unpacking") == nil
	case "binary_expression":
		operator := n.Parent.Child("operator")
		return !operator.Is("instanceof") && n.Parent.First("instanceof") == nil && (!operator.Is("??") || n.Field == "right")
	case "conditional_expression", "cast_expression", "parenthesized_expression":
		return n.Field != "condition" || n.Parent.Is("conditional_expression")
	case "assignment_expression", "augmented_assignment_expression":
		return n.Field == "right"
	case "match_conditional_expression", "match_default_expression", "match_condition_list":
		return true
	case "return_statement":
		return returnsValue(n)
	}
	return isIndex(n)
}

// takers are functions of PHP that take references, and get results of functions
// all the same.
var takers = words(`array_multisort array_pop array_push array_shift array_splice array_unshift array_walk arsort asort current
	each end key krsort ksort natcasesort natsort next pos preg_match preg_match_all prev reset rsort settype shuffle sort
	str_ireplace str_replace uasort uksort usort`)

func words(text string) map[string]bool {
	m := map[string]bool{}
	for _, name := range strings.Fields(text) {
		m[name] = true
	}
	return m
}

// takesReference reports whether an argument may be passed by reference where the
// result of a function is, with a notice.
func (p *placer) takesReference(argument *syntax.Node) bool {
	call := argument.Parent.Parent
	return call.Is("function_call_expression") && takers[strings.ToLower(strings.TrimPrefix(p.file.Text(call.Child("function")), `\`))]
}

// isIndex reports whether a node stands between the brackets behind something.
func isIndex(n *syntax.Node) bool {
	parts := n.Parent.NamedChildren()
	return n.Parent.Is("subscript_expression") && len(parts) == 2 && parts[1] == n && values[n.Kind]
}

// isSubject reports whether a node is what a loop takes values from, not variables.
func isSubject(n *syntax.Node) bool {
	loop := n.Parent
	return loop.Is("foreach_statement") && loop.NamedChildren()[0] == n && loop.First("by_ref") == nil && !pairByRef(loop) && !n.Is("throw_expression")
}

func pairByRef(foreach *syntax.Node) bool {
	pair := foreach.First("pair")
	return pair != nil && pair.First("by_ref") != nil
}

// returnsValue reports whether the function that holds a node returns no reference.
func returnsValue(n *syntax.Node) bool {
	fn := n.Up("method_declaration", "function_definition", "anonymous_function", "arrow_function", "property_hook")
	return fn != nil && fn.First("reference_modifier") == nil
}

// isApart reports whether what a node holds is not evaluated like other
// expressions: where variables are assigned to or looked for.
func isApart(n *syntax.Node) bool {
	return n.Is("list_literal", "by_ref", "reference_assignment_expression", "subscript_expression", "exit_statement") ||
		n.Field == "left" && n.Parent.Is("assignment_expression", "augmented_assignment_expression") ||
		n.Parent.Is("unset_statement", "update_expression", "case_statement") ||
		n.Parent.Is("foreach_statement") && !isSubject(n) && !n.Is("compound_statement", "colon_block") && n.Field != "body"
}

// isText reports whether a node stands in a string, or where only constants may.
func isText(n *syntax.Node) bool {
	return n.Is("heredoc", "shell_command_expression", "formal_parameters", "attribute_list", "anonymous_function_use_clause") ||
		n.Parent.Is("encapsed_string", "heredoc_body")
}

// isFit reports whether copies of a node can stand beside it.
func (p *placer) isFit(n *syntax.Node) bool {
	fit, ok := p.fit[n]
	if !ok {
		fit = p.look(n)
		p.fit[n] = fit
	}
	return fit
}

func (p *placer) look(n *syntax.Node) bool {
	fn := p.functionAround(n, false)
	if fn == nil || n.Len() > 4000 {
		return false
	}
	if last := p.file.Src[n.End-1]; p.hasLabels(n) || (simpleStatements[n.Kind] || compoundStatements[n.Kind]) && last != ';' && last != '}' {
		return false
	}
	fit := true
	n.Walk(func(c *syntax.Node) bool {
		text := p.file.Src[c.Start:c.End]
		switch {
		case c.Bad, single[c.Kind], c.Is("?>", "php_tag", "text"):
			fit = false
		case ofManyLines[c.Kind] && bytes.IndexByte(text, '\n') >= 0:
			fit = false
		}
		return fit
	})
	return fit
}

// keepsKind reports whether a function stays what it is to PHP's compiler when an
// edit is made in a place of it: a generator by any "yield" that it has, and jumps
// aimed at the same loops.
func (p *placer) keepsKind(place *syntax.Node, e Edit) bool {
	old := strings.ToLower(string(p.file.Src[e.Start:e.End]))
	text := strings.ToLower(e.New)
	if strings.Contains(text, "continue") || e.Start == place.Start && compoundStatements[place.Kind] && jumps.Match(p.file.Src[place.Start:place.End]) {
		return false
	}
	lost := strings.Count(old, "yield") - strings.Count(text, "yield")
	if lost == 0 {
		return true
	}
	return lost > 0 && !strings.Contains(old, "function") && !strings.Contains(old, "fn") && p.yieldsOf(place)-lost >= 1
}

var jumps = regexp.MustCompile(`(?i)\b(continue|break)\b`)

// yieldsOf counts the yields of the function that holds a node.
func (p *placer) yieldsOf(n *syntax.Node) int {
	fn := p.functionAround(n, true)
	count, ok := p.yields[fn]
	if !ok && fn != nil {
		fn.Walk(func(c *syntax.Node) bool {
			if c != fn && (isFunction(c) || c.Is("arrow_function", "anonymous_class")) {
				return false
			}
			if c.Is("yield_expression") {
				count++
			}
			return true
		})
		p.yields[fn] = count
	}
	return count
}

// hasGoto reports whether a node holds a jump to a label.
func hasGoto(n *syntax.Node) (found bool) {
	n.Walk(func(c *syntax.Node) bool {
		found = found || c.Is("goto_statement")
		return !found
	})
	return found
}
