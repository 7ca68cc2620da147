package syntax

import (
	"slices"
	"strings"
)

// hideRules have a piece of the text read by itself, in surroundings in which the
// grammar knows it: the tree gets its nodes where the mask has left room. They are
// tried in this order, each from the last token to the first.
var hideRules = []func(m *masker, i int){hideHeredoc, hideConstantName, hideInsteadOf, hideDeclare, hideEnumConst, hideAttributes}

// A heredoc or nowdoc that the grammar cannot read where it stands => a string: one
// inside the braces of another, a nowdoc that is not followed by one of ";,)", and
// "<<< X" or "b<<<X".
func hideHeredoc(m *masker, i int) {
	if m.kind(i) != "T_START_HEREDOC" {
		return
	}
	end := i
	for open := 0; end < len(m.sig); end++ {
		switch m.kind(end) {
		case "T_START_HEREDOC":
			open++
		case "T_END_HEREDOC":
			open--
		}
		if open == 0 {
			break
		}
	}
	if end == len(m.sig) {
		return
	}
	head := m.sig[i].Span
	arrows := strings.Index(m.text(i), "<<<")
	name := head.Start + max(arrows, 0) + 3
	for name < head.End && (m.src[name] == ' ' || m.src[name] == '\t') {
		name++
	}
	nested, odd := m.inText(i), arrows >= 0 && name > head.Start+3
	operand := strings.Contains(m.text(i), "'") && !slices.Contains([]string{";", ",", ")", ""}, m.kind(end+1))
	if !nested && !odd && !operand {
		return
	}
	m.silent = m.silent || nested
	if odd {
		m.blank(Span{head.Start, name})
		m.put(name-3, "<<<")
	}
	s := Span{head.Start, m.sig[end].End}
	x := m.hide(s, "<?php ", "\n;", "'")
	m.put(s.End-1, "'")
	m.mend(s, "heredoc", func(f *File) bool {
		n, room := x.read(expression), f.starting(s.Start, "string")
		if n == nil || room == nil || room.Span != s || n.End != s.End || !n.Is("heredoc", "nowdoc") {
			return false
		}
		n.Start = s.Start
		room.replace(n)
		return true
	})
}

// inText reports whether a token stands in the braces of a text.
func (m *masker) inText(i int) bool {
	for in := m.within(i); in >= 0; in = m.within(in) {
		if m.kind(in) == "T_CURLY_OPEN" || m.kind(in) == "T_DOLLAR_OPEN_CURLY_BRACES" {
			return true
		}
	}
	return false
}

// "A::{$b . 'x'}": the grammar reads it, but gives the expression the kind of a name.
func hideConstantName(m *masker, i int) {
	if m.kind(i) != "T_DOUBLE_COLON" || m.kind(i+1) != "{" || m.pair[i+1] <= i+2 {
		return
	}
	s := Span{m.sig[i+2].Start, m.sig[m.pair[i+1]-1].End}
	x := fragment{Span: s, text: slices.Clone(m.out[s.Start:s.End]), before: "<?php ", after: "\n;"}
	if m.kind(m.pair[i+1]+1) == "(" { // a method
		return
	}
	m.silent = true
	m.mend(s, "name of a constant", func(f *File) bool {
		access := f.holding(m.sig[i+1].Start, "class_constant_access_expression")
		n := x.read(expression)
		if access == nil || n == nil {
			return false
		}
		for _, c := range access.Children {
			if c.Span == n.Span && c.Kind == "name" {
				c.replace(n)
				return true
			}
		}
		return false
	})
}

// names are the tokens that may stand for a class.
var names = []string{"T_STRING", "T_NAME_QUALIFIED", "T_NAME_FULLY_QUALIFIED", "T_NAME_RELATIVE"}

// "A::f insteadof B, \X\C;" => "A::f insteadof B      ;", "insteadof \X\C" => "insteadof _X_C".
func hideInsteadOf(m *masker, i int) {
	if m.kind(i) != "T_INSTEADOF" {
		return
	}
	end := m.until(i, ";")
	if end == len(m.sig) || end == i+2 && m.kind(i+1) == "T_STRING" {
		return
	}
	var nodes []*Node
	for k := i + 1; k < end; k++ {
		switch t := m.sig[k]; {
		case t.Kind == ",":
			nodes = append(nodes, leaf(",", false, t.Span))
		case t.Kind == "T_STRING":
			nodes = append(nodes, leaf("name", true, t.Span))
		case slices.Contains(names, t.Kind):
			nodes = append(nodes, leaf("qualified_name", true, t.Span))
		default:
			return
		}
		m.blank(m.sig[k].Span)
	}
	s := Span{m.sig[i+1].Start, m.sig[end-1].End}
	m.put(s.Start, "x")
	m.mend(s, "list in a trait rule", func(f *File) bool {
		n := f.holding(m.sig[i].Start, "use_instead_of_clause")
		if n == nil || len(n.Children) == 0 || n.Children[len(n.Children)-1].Start != s.Start {
			return false
		}
		n.adopt(append(slices.Clone(n.Children[:len(n.Children)-1]), nodes...))
		return true
	})
}

// "declare(a=1, b=2)" => "declare(a=1     )".
func hideDeclare(m *masker, i int) {
	if m.kind(i) != "T_DECLARE" || m.kind(i+1) != "(" || m.pair[i+1] < 0 {
		return
	}
	end := m.pair[i+1]
	for comma := m.until(i+2, ","); comma < end; comma = m.until(comma+1, ",") {
		next := min(m.until(comma+1, ","), end)
		at := m.sig[comma].Span
		m.blank(at)
		if next == comma+1 {
			return
		}
		s := Span{m.sig[comma+1].Start, m.sig[next-1].End}
		x := m.hide(s, "<?php declare(", ");", "")
		m.mend(Span{at.Start, s.End}, "list of directives", func(f *File) bool {
			n := f.starting(m.sig[i].Start, "declare_statement")
			directive := x.read(func(root *Node) *Node { return statement(root).First("declare_directive") })
			if n == nil || directive == nil {
				return false
			}
			n.add(leaf(",", false, at), directive)
			return true
		})
	}
}

// "const X = 1;" in an enum => "            ", read as a constant of a class.
func hideEnumConst(m *masker, i int) {
	in := m.within(i)
	if m.kind(i) != "T_CONST" || m.name(i) || in < 0 || m.role[in] != roleEnum {
		return
	}
	end := m.until(i, ";")
	if end == len(m.sig) {
		return
	}
	s := Span{m.sig[m.firstAttribute(m.firstModifier(i))].Start, m.sig[end].End}
	x := m.hide(s, "<?php class x{", "}", "")
	m.mend(s, "constant of an enum", func(f *File) bool {
		list := f.holding(m.sig[in].Start, "enum_declaration_list")
		n := x.read(func(root *Node) *Node { return statement(root).Child("body").First("const_declaration") })
		if list == nil || n == nil || n.Span != s {
			return false
		}
		list.add(n)
		return true
	})
}

// firstAttribute walks from a token back over attributes.
func (m *masker) firstAttribute(i int) int {
	for m.kind(i-1) == "]" && m.pair[i-1] >= 0 && m.kind(m.pair[i-1]) == "T_ATTRIBUTE" {
		i = m.pair[i-1]
	}
	return i
}

// "#[A] const X = 1;" outside classes => "     const X = 1;".
func hideAttributes(m *masker, i int) {
	first := m.firstAttribute(i)
	if m.kind(i) != "T_CONST" || first == i {
		return
	}
	if in := m.within(i); in >= 0 && (m.role[in] == roleClass || m.role[in] == roleEnum) {
		return
	}
	s := Span{m.sig[first].Start, m.sig[i-1].End}
	x := m.hide(s, "<?php ", " function x(){}", "")
	m.mend(s, "attribute of a constant", func(f *File) bool {
		n := f.starting(m.sig[i].Start, "const_declaration")
		list := x.read(func(root *Node) *Node { return statement(root).Child("attributes") })
		if n == nil || list == nil {
			return false
		}
		n.add(list)
		return true
	})
}
