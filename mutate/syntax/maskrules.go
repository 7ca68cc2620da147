package syntax

import (
	"slices"
	"strings"
)

// maskRules are tried at every significant token. Each knows one construct
// that the grammar cannot read, and leaves everything else alone. What is
// masked stays valid PHP or at least valid to the grammar, of the same length.
// Rules that have a piece of the text read by itself are in hiderules.go.
var maskRules = []func(m *masker, i int){
	maskConstType, maskConstName, maskPromotion, maskVoid, maskPipe, maskClone, maskExit, maskHalt, maskGroupUse,
	maskDefaultComma, maskSwitchSemicolon, maskTraitFinal, maskNames, maskLabel, maskEchoTag,
	maskCast, maskCloneOperand, maskShortTag, maskEnumType,
}

// modifiers may stand in front of a member or a promoted parameter.
var modifiers = []string{"T_PUBLIC", "T_PROTECTED", "T_PRIVATE", "T_PUBLIC_SET", "T_PROTECTED_SET", "T_PRIVATE_SET", "T_READONLY", "T_FINAL", "T_STATIC", "T_ABSTRACT", "T_VAR"}

// firstModifier walks from a keyword back over modifiers.
func (m *masker) firstModifier(i int) int {
	for slices.Contains(modifiers, m.kind(i-1)) {
		i--
	}
	return i
}

// "const self X = ..." => "const xelf X = ...": "self", "parent" and "static" are
// no types to the grammar there. They stay names.
func maskConstType(m *masker, i int) {
	if m.kind(i) != "T_CONST" || m.name(i) {
		return
	}
	for k := i + 1; k < len(m.sig) && k < i+32; k++ {
		switch next := m.kind(k + 1); {
		case next == "=" || next == ";" || next == "":
			return
		case m.kind(k) == "T_STATIC", m.text(k) == "self", m.text(k) == "parent":
			m.put(m.sig[k].Start, "x")
		}
	}
}

// "const CALLABLE = 1" => "const xALLABLE = 1", for all names that are
// keywords: the grammar takes some of them for types.
func maskConstName(m *masker, i int) {
	if m.kind(i) == "T_CONST" && !m.name(i) && m.kind(i+1) != "T_STRING" && m.kind(i+2) == "=" {
		m.put(m.sig[i+1].Start, "x")
	}
}

// A modifier is a word in front of a promoted parameter: "final", "private(set)".
type modifier struct {
	kind  string // of its node
	words []Span // one, or the four of "private(set)"
	texts []string
}

// modifierAt reads the modifier at a token, and gives the index of the token behind.
func (m *masker) modifierAt(i int) (x modifier, next int) {
	s, text := m.sig[i].Span, m.text(i)
	x = modifier{"visibility_modifier", []Span{s}, []string{text}}
	switch m.kind(i) {
	case "T_PUBLIC", "T_PROTECTED", "T_PRIVATE":
		if m.kind(i+1) != "(" || m.text(i+2) != "set" || m.kind(i+3) != ")" {
			return x, i + 1
		}
		for k := i + 1; k < i+4; k++ {
			x.words, x.texts = append(x.words, m.sig[k].Span), append(x.texts, m.text(k))
		}
		return x, i + 4
	case "T_PUBLIC_SET", "T_PROTECTED_SET", "T_PRIVATE_SET":
		word := strings.TrimSuffix(text, "(set)")
		at := []int{0, len(word), len(word) + 1, len(text) - 1, len(text)}
		x.words, x.texts = nil, nil
		for k := range at[1:] {
			x.words, x.texts = append(x.words, Span{s.Start + at[k], s.Start + at[k+1]}), append(x.texts, text[at[k]:at[k+1]])
		}
		return x, i + 1
	}
	x.kind = text + "_modifier"
	return x, i + 1
}

// "public private(set) T $x" => "public              T $x", "readonly T $x" =>
// "public   T $x" and "final T $x" => "      T $x" in a parameter list: the grammar
// knows one visibility and "readonly" behind it.
func maskPromotion(m *masker, i int) {
	in := m.within(i)
	if !slices.Contains(modifiers, m.kind(i)) || in < 0 || m.role[in] != roleParams || m.firstModifier(i) != i || m.kind(i-1) == ")" && m.text(i-2) == "set" {
		return
	}
	var all []modifier
	next := i
	for slices.Contains(modifiers, m.kind(next)) {
		var x modifier
		x, next = m.modifierAt(next)
		all = append(all, x)
	}
	keep := slices.IndexFunc(all, func(x modifier) bool { return x.kind == "visibility_modifier" })
	if keep == 0 && (len(all) == 1 || len(all) == 2 && all[1].kind == "readonly_modifier") || next == len(m.sig) {
		return // the grammar knows it
	}
	for k, x := range all {
		switch {
		case k == keep:
		case keep < 0 && x.kind == "readonly_modifier":
			m.put(x.words[0].Start, "public  ")
			keep = k
		default:
			m.blank(Span{x.words[0].Start, x.words[len(x.words)-1].End})
		}
	}
	m.mend(Span{m.sig[i].Start, m.sig[next-1].End}, "modifiers of a parameter", func(f *File) bool {
		param := f.holding(m.sig[next].Start, "property_promotion_parameter", "simple_parameter")
		if param == nil {
			return false
		}
		param.Kind = "property_promotion_parameter"
		children := slices.DeleteFunc(slices.Clone(param.Children), func(c *Node) bool { return c.Is("visibility_modifier", "readonly_modifier") })
		for _, x := range all {
			children = append(children, modifierNode(x.kind, x.words, x.texts))
		}
		param.adopt(children)
		return true
	})
}

// opensStatement are the tokens behind which a statement begins, unless they are
// something else in an expression.
var opensStatement = []string{";", "{", "}", ":", ")", "T_OPEN_TAG", "T_ELSE", "T_DO"}

// "(void) f();" => "print  f();", which takes the whole expression as well. What
// comes of it is a part of the statement.
func maskVoid(m *masker, i int) {
	s := m.sig[i].Span
	switch {
	case m.kind(i) == "T_VOID_CAST" && s.Len() >= len("(void)"):
	case m.kind(i) == "(" && m.text(i+1) == "void" && m.kind(i+2) == ")" && (slices.Contains(opensStatement, m.kind(i-1)) || m.inFor(i)):
		s.End = m.sig[i+2].End
	default:
		return
	}
	m.blank(s)
	m.put(s.Start, "print ")
	m.mend(s, "(void)", func(f *File) bool {
		n := f.starting(s.Start, "print_intrinsic")
		if n == nil || len(n.NamedChildren()) != 1 {
			return false
		}
		n.replace(n.NamedChildren()[0])
		n.Parent.add(leaf("(void)", false, s))
		return true
	})
}

// inFor reports whether a token begins an expression between the parentheses of a "for".
func (m *masker) inFor(i int) bool {
	in := m.within(i)
	return in >= 0 && m.kind(in-1) == "T_FOR" && (in == i-1 || m.kind(i-1) == ",")
}

// pipe is the operator as a node's kind.
const pipe = "|>"

// "$a |> f(...)" => "$a .  f(...)", whose shape is nearly the same: it binds a
// little tighter.
func maskPipe(m *masker, i int) {
	s := m.sig[i].Span
	if m.kind(i) == "|" && m.kind(i+1) == ">" && m.sig[i+1].Start == s.End {
		s.End++
	} else if m.kind(i) != "T_PIPE" || m.text(i) != pipe {
		return
	}
	m.put(s.Start, ". ")
	m.mend(s, "pipe operator", func(f *File) bool {
		n := f.At(s.Start)
		if n == nil || !n.Parent.Is("binary_expression") || n.Field != "operator" {
			return false
		}
		n.Kind, n.End = pipe, s.End
		top := n.Parent
		for isConcat(top.Parent) && top.Field == "left" {
			top = top.Parent
		}
		top.regroup()
		return true
	})
}

// isConcat reports whether a node joins texts, or is a pipe, which the grammar has read
// as that.
func isConcat(n *Node) bool { return n.Is("binary_expression") && n.Child("operator").Is(".", pipe) }

// regroup makes "(a |> b) . c", as the grammar has it, "a |> (b . c)", as PHP has.
func (n *Node) regroup() {
	place, field := n.Parent, n.Field
	index := n.Index
	var operands, operators, comments, free []*Node
	for ; isConcat(n); n = n.Child("left") {
		free = append(free, n)
		n.Parent = nil
		operands, operators = append(operands, n.Child("right")), append(operators, n.Child("operator"))
		for _, c := range n.Children {
			if c.Field == "" {
				comments = append(comments, c)
			}
		}
	}
	operands = append(operands, n)
	slices.Reverse(operands)
	slices.Reverse(operators)
	join := func(left, operator, right *Node) *Node {
		b := free[0]
		free = free[1:]
		left.Field, right.Field = "left", "right"
		b.Span = Span{left.Start, right.End}
		b.adopt([]*Node{left, operator, right})
		return b
	}
	var whole, by *Node // what stands before the last pipe, and that
	part := operands[0]
	for i, operator := range operators {
		switch {
		case operator.Kind != pipe:
			part = join(part, operator, operands[i+1])
			continue
		case whole == nil:
			whole = part
		default:
			whole = join(whole, by, part)
		}
		by, part = operator, operands[i+1]
	}
	if whole != nil {
		part = join(whole, by, part)
	}
	part.Parent, part.Index, part.Field = place, index, field
	place.Children[index] = part
	for _, c := range comments {
		into := part
		for inner := into.Holding(c.Span); inner != nil; inner = into.Holding(c.Span) {
			into = inner
		}
		into.add(c)
	}
}

// "clone($a, [...])", "clone(...)" => "klone($a, [...])", "klone(...)": it is a
// function then, to PHP too.
func maskClone(m *masker, i int) {
	if m.kind(i) != "T_CLONE" || m.name(i) || m.kind(i+1) != "(" || m.pair[i+1] < 0 {
		return
	}
	named := m.kind(i+2) == "T_STRING" && m.kind(i+3) == ":"
	if named || m.kind(i+2) == "T_ELLIPSIS" || m.until(i+2, ",") < m.pair[i+1] {
		m.put(m.sig[i].Start, "klone")
	}
}

// endsExit are the tokens that may follow "exit" for the grammar.
var endsExit = []string{";", ",", ")", "]", "}", ":", "T_CLOSE_TAG", ""}

// "exit(status: 1);" => "exit(        1);"; "exit(1) + 2", "exit(...)", "exit(1,)" and
// "exit . 2" => "xxit(1) + 2", "xxit(...)", "xxit(1,)" and "xxit . 2".
func maskExit(m *masker, i int) {
	if m.kind(i) != "T_EXIT" || m.name(i) {
		return
	}
	end := i
	if m.kind(i+1) == "(" && m.pair[i+1] > 0 {
		end = m.pair[i+1]
	}
	label, begins := m.kind(i+2) == "T_STRING" && m.kind(i+3) == ":" && end > i, i == 0 || slices.Contains(opensStatement, m.kind(i-1))
	switch {
	case !slices.Contains(endsExit, m.kind(end+1)), end > i && (m.kind(i+2) == "T_ELLIPSIS" || m.until(i+2, ",") < end):
		m.put(m.sig[i].Start, "x")
	case label && begins && m.text(i) == "exit":
		name, colon := m.sig[i+2].Span, m.sig[i+3].Span
		m.blank(name)
		m.blank(colon)
		m.mend(Span{name.Start, colon.End}, "named argument of exit", func(f *File) bool {
			n := f.starting(m.sig[i].Start, "exit_statement")
			if n == nil {
				return false
			}
			n.add(leaf("status", false, name), leaf(":", false, colon))
			return true
		})
	}
}

// "__halt_compiler(); data" => "__halt_compiler();     ".
func maskHalt(m *masker, i int) {
	if m.kind(i) != "T_HALT_COMPILER" || m.name(i) || m.kind(i+1) != "(" {
		return
	}
	if end := i + 3; end < len(m.sig) {
		m.blank(Span{m.sig[end].End, len(m.src)})
	}
}

// "use A\{B, C,};" => "use A\{B, C };".
func maskGroupUse(m *masker, i int) {
	if m.kind(i) == "," && m.kind(i+1) == "}" && m.role[i+1] == roleUse {
		m.blank(m.sig[i].Span)
	}
}

// "default, => 1" => "default  => 1".
func maskDefaultComma(m *masker, i int) {
	if m.kind(i) != "T_DEFAULT" || m.kind(i+1) != "," || m.kind(i+2) != "T_DOUBLE_ARROW" {
		return
	}
	comma := m.sig[i+1].Span
	m.blank(comma)
	m.mend(comma, "comma behind default", func(f *File) bool {
		n := f.starting(m.sig[i].Start, "match_default_expression")
		if n != nil {
			n.add(leaf(",", false, comma))
		}
		return n != nil
	})
}

// "switch ($a) {; case 1:" => "switch ($a) {  case 1:".
func maskSwitchSemicolon(m *masker, i int) {
	first := m.kind(i-1) == "{" && m.role[i-1] == roleSwitch ||
		m.kind(i-1) == ":" && m.kind(i-2) == ")" && m.pair[i-2] > 0 && m.kind(m.pair[i-2]-1) == "T_SWITCH"
	if m.kind(i) == ";" && first {
		m.blank(m.sig[i].Span)
	}
}

// "f as final g;" => "f as       g;", "f as final;" => "f as fina_;".
func maskTraitFinal(m *masker, i int) {
	if m.kind(i) != "T_FINAL" || m.kind(i-1) != "T_AS" {
		return
	}
	s, alone := m.sig[i].Span, m.kind(i+1) == ";"
	if m.blank(s); alone {
		m.put(s.Start, "fina_")
	}
	m.mend(s, "final in a trait rule", func(f *File) bool {
		n := f.holding(m.sig[i-1].Start, "use_as_clause")
		if n == nil {
			return false
		}
		children := slices.DeleteFunc(slices.Clone(n.Children), func(c *Node) bool { return c.Start == s.Start })
		n.adopt(append(children, leaf("final_modifier", true, s)))
		return true
	})
}
