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
}

// PlaceKind says what stands in a place.
type PlaceKind uint8

const (
	NoPlace   PlaceKind = iota
	Statement           // among others
	Body                // a statement that is the body of another, without braces
	Condition           // an expression in parentheses
)

// placer finds the places of one file's mutants.
type placer struct {
	file   *syntax.File
	fit    map[*syntax.Node]bool
	labels map[*syntax.Node]bool // function => it has labels
	yields map[*syntax.Node]int  // function => how often it yields
	// breaks are what lies between two tokens and holds a line break: white space
	// and comments. In source order.
	breaks []syntax.Span
}

func newPlacer(f *syntax.File) *placer {
	p := &placer{file: f, fit: map[*syntax.Node]bool{}, labels: map[*syntax.Node]bool{}, yields: map[*syntax.Node]int{}}
	at := 0
	f.Root.Walk(func(n *syntax.Node) bool {
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
func (p *placer) of(n *syntax.Node, e Edit) Place {
	for ; n != nil && n.Parent != nil; n = n.Parent {
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
		if !n.Contains(e.Span) || !p.isFit(n) || !p.keepsKind(n, e) {
			return Place{}
		}
		return Place{n.Span, kind}
	}
	return Place{}
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
	fn := n.Up("method_declaration", "function_definition", "anonymous_function", "property_hook")
	if fn == nil || n.Len() > 4000 {
		return false
	}
	labels, ok := p.labels[fn]
	if !ok {
		labels = hasGoto(fn)
		p.labels[fn] = labels
	}
	last := p.file.Src[n.End-1]
	if labels || last != ';' && last != '}' && last != ')' {
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
		case bytes.EqualFold(text, []byte("__LINE__")) && bytes.IndexByte(p.file.Src[n.Start:n.End], '\n') >= 0:
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
	return !strings.Contains(old, "function") && !strings.Contains(old, "fn") && p.yieldsOf(place)-lost >= 1
}

var jumps = regexp.MustCompile(`(?i)\b(continue|break)\b`)

// yieldsOf counts the yields of the function that holds a node.
func (p *placer) yieldsOf(n *syntax.Node) int {
	fn := n.Up("method_declaration", "function_definition", "anonymous_function", "arrow_function", "property_hook")
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
