package syntax

import (
	"slices"
	"strings"
)

// These rules are about words that the grammar takes for something else, and about
// operators in front of what it does not expect there.

// asName are words that the grammar does not take for names where PHP does.
var asName = []string{"enum", "readonly"}

// Names that the grammar does not take for names: "enum" => "xnum",
// "A\fn\B" => "A\xn\B", "namespace\A" => "xamespace\A", bytes that are not ASCII =>
// "x". They stay names, of the same kind, so nothing needs to be mended.
func maskNames(m *masker, i int) {
	t := m.sig[i]
	switch t.Kind {
	case "T_STRING", "T_VARIABLE", "T_STRING_VARNAME":
	case "T_NAME_QUALIFIED", "T_NAME_FULLY_QUALIFIED", "T_NAME_RELATIVE":
		start := t.Start
		for _, word := range strings.Split(m.text(i), `\`) {
			if slices.Contains(keywords, word) {
				m.put(start, "x")
			}
			start += len(word) + 1
		}
	case "T_NAMESPACE":
		if m.kind(i+1) == "T_NS_SEPARATOR" {
			m.put(t.Start, "x")
		}
		return
	case "T_READONLY": // a function to PHP 8.2, whose lexer does not say so yet
		in := m.within(i)
		if m.kind(i+1) != "(" || m.kind(i-1) != "T_FUNCTION" && in >= 0 && (m.role[in] == roleClass || m.role[in] == roleParams) {
			return
		}
	default:
		return
	}
	if slices.Contains(asName, m.text(i)) {
		m.put(t.Start, "x")
	}
	for k := t.Start; k < t.End; k++ {
		if m.out[k] >= 0x80 {
			m.out[k] = 'x'
		}
	}
}

// keywords are PHP's reserved words, from its manual ("List of Keywords"), and
// words that have a meaning of their own to the grammar.
var keywords = strings.Fields(`__halt_compiler abstract and array as break callable case catch class clone const continue
	declare default die do echo else elseif empty enddeclare endfor endforeach endif endswitch endwhile enum eval exit
	extends final finally fn for foreach function global goto if implements include include_once instanceof insteadof
	interface isset list match namespace new or parent print private protected public readonly require require_once
	return self static switch throw trait try unset use var while xor yield null true false bool int float string
	iterable mixed never void object`)

// "f(list: 1)" => "f(xist: 1)": a keyword that is the name of an argument; and "self:" =>
// "xelf:", where it is a label for "goto".
func maskLabel(m *masker, i int) {
	if m.kind(i+1) != ":" || !slices.Contains(keywords, m.text(i)) {
		return
	}
	label := m.kind(i) == "T_STRING" && slices.Contains(opensStatement, m.kind(i-1)) && m.kind(i-1) != ":" && m.kind(i-1) != ")"
	if label || m.kind(i-1) == "(" || m.kind(i-1) == "," {
		m.put(m.sig[i].Start, "x")
	}
}

// "enum A: STRING" => "enum A: string", "declare(TICKS=1)" => "declare(ticks=1)": the
// grammar tells letters by their case.
func maskEnumType(m *masker, i int) {
	enum := m.kind(i) == "T_STRING" && m.kind(i-1) == ":" && m.kind(i-3) == "T_ENUM"
	directive := m.kind(i) == "T_STRING" && m.kind(i+1) == "=" && m.within(i) >= 0 && m.kind(m.within(i)-1) == "T_DECLARE"
	if enum || directive {
		m.put(m.sig[i].Start, m.text(i))
	}
}

// notCast are the tokens in front of which the grammar takes no cast.
var notCast = []string{"T_REQUIRE", "T_REQUIRE_ONCE", "T_MATCH", "T_YIELD", "T_YIELD_FROM"}

// "(bool) require $f" => "@      require $f".
func maskCast(m *masker, i int) {
	if !strings.HasSuffix(m.kind(i), "_CAST") || m.kind(i) == "T_VOID_CAST" || !slices.Contains(notCast, m.kind(i+1)) {
		return
	}
	s := m.sig[i].Span
	m.blank(s)
	m.put(s.Start, "@")
	m.mend(s, "cast", func(f *File) bool {
		n := f.starting(s.Start, "error_suppression_expression")
		if n == nil || len(n.NamedChildren()) != 1 {
			return false
		}
		text := m.src[s.Start+1 : s.End-1]
		word := strings.TrimSpace(string(text))
		at := s.Start + 1 + strings.Index(string(text), word)
		kind := leaf("cast_type", true, Span{at, at + len(word)})
		kind.Field = "type"
		n.NamedChildren()[0].Field = "value"
		n.Kind = "cast_expression"
		n.adopt(append([]*Node{leaf("(", false, Span{s.Start, s.Start + 1}), kind, leaf(")", false, Span{s.End - 1, s.End})}, n.Children[1:]...))
		return true
	})
}

// notCloned are the tokens in front of which the grammar takes no "clone".
var notCloned = []string{"T_CLONE", "T_MATCH", "T_REQUIRE", "T_REQUIRE_ONCE", "T_INCLUDE", "T_INCLUDE_ONCE", "T_YIELD", "T_YIELD_FROM", "@", "-", "+", "!", "~"}

// "clone $a = f()", "clone (object) $a" => "@     $a = f()", "@     (object) $a".
func maskCloneOperand(m *masker, i int) {
	if m.kind(i) != "T_CLONE" || m.name(i) {
		return
	}
	if next := m.kind(i + 1); !slices.Contains(notCloned, next) && !strings.HasSuffix(next, "_CAST") && !m.assigns(i+1) {
		return
	}
	s := m.sig[i].Span
	m.blank(s)
	m.put(s.Start, "@")
	m.mend(s, "clone", func(f *File) bool {
		n := f.starting(s.Start, "error_suppression_expression")
		if n == nil {
			return false
		}
		n.Kind, n.Children[0].Kind, n.Children[0].End = "clone_expression", "clone", s.End
		return true
	})
}

// accesses are the tokens between a variable and the name of a part of it.
var accesses = []string{"T_OBJECT_OPERATOR", "T_NULLSAFE_OBJECT_OPERATOR", "T_DOUBLE_COLON"}

// assigns reports whether an assignment to a variable or a part of one begins at a token.
func (m *masker) assigns(i int) bool {
	if m.kind(i) != "T_VARIABLE" {
		return false
	}
	for i++; i < len(m.sig); {
		if p := m.pair[i]; p > i {
			i = p + 1
		} else if slices.Contains(accesses, m.kind(i)) {
			i += 2
			if p := m.pair[min(i-1, len(m.sig)-1)]; p > i-1 { // "->{$b}"
				i = p + 1
			}
		} else {
			break
		}
	}
	return m.kind(i) == "=" || strings.HasSuffix(m.kind(i), "_EQUAL") && !strings.HasPrefix(m.kind(i), "T_IS_")
}

// "<?= $a, $b ?>" => "<?= $a; $b ?>".
func maskEchoTag(m *masker, i int) {
	if m.kind(i) != "T_OPEN_TAG_WITH_ECHO" {
		return
	}
	for k := m.until(i+1, ",", ";", "T_CLOSE_TAG"); m.kind(k) == ","; k = m.until(k+1, ",", ";", "T_CLOSE_TAG") {
		s := m.sig[k].Span
		m.put(s.Start, ";")
		m.mend(s, "list in an echo tag", func(f *File) bool {
			comma := f.At(s.Start)
			if comma == nil || comma.Kind != ";" || !comma.Parent.Is("expression_statement") || comma.Next() != nil {
				return false
			}
			shown := comma.Parent
			shown.Children = shown.Children[:comma.Index]
			shown.End = shown.Children[comma.Index-1].End
			comma.Kind = ","
			shown.Parent.add(comma)
			return true
		})
	}
}

// "<?" where PHP sees no tag => spaces, in HTML.
func maskShortTag(m *masker, i int) {
	if m.kind(i) != "T_INLINE_HTML" {
		return
	}
	for k := m.sig[i].Start; k+1 < m.sig[i].End; k++ {
		if m.out[k] == '<' && m.out[k+1] == '?' {
			m.put(k, "  ")
			m.silent = true
		}
	}
}

// maskNUL puts spaces over NUL bytes, which end the text for the grammar's
// scanner in comments, in single quotes and in HTML.
func (m *masker) maskNUL() {
	for i, c := range m.out {
		if c == 0 {
			m.out[i] = ' '
		}
	}
}
