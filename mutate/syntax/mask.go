package syntax

import (
	"bytes"
	"regexp"
	"strings"
)

const (
	haltReason     = "data behind __halt_compiler"
	disagreeReason = "PHP's own tokens differ from this reading"
)

// misread matches text in which the grammar may err without an error node:
// "<?" that is no tag to PHP, a heredoc inside a heredoc's braces.
var misread = regexp.MustCompile(`(?is)<\?(?:[^=p]|p[^h]|ph[^p]|p?h?$)|<<<.*\{\$.*<<<`)

// NeedsTokens reports whether ParseTokens may do better than Parse did: the
// tree is damaged, or the text holds what the grammar is known to misread
// without a word.
func (f *File) NeedsTokens() bool {
	return f.hurt() > 0 || misread.Match(f.Src)
}

// ParseTokens is Parse with the help of PHP's own tokens of the same text.
//
// Where the grammar cannot read something, a copy of the text is parsed in
// which that is masked: replaced, byte for byte, by something of the same
// length that it can read. Spans therefore hold for src. Each masked region is
// an entry in File.Damage that says what it is, and the nodes whose kind or
// extent it falsifies are Bad; what surrounds them is not. Where the tree and
// the tokens still differ, the nodes are Bad as well.
//
// The masked reading is taken only if it leaves less unread than the plain.
func ParseTokens(path string, src []byte, tokens []Token) (*File, error) {
	plain, err := parse(path, src, src)
	if err != nil {
		return nil, err
	}
	plain.markDisagreements(tokens, src)
	if !plain.NeedsTokens() {
		return plain, nil
	}
	m := newMasker(src, tokens)
	m.run()
	if len(m.marks) == 0 && bytes.Equal(src, m.out) {
		return plain, nil
	}
	masked, err := parse(path, src, m.out)
	if err != nil {
		return nil, err
	}
	masked.markDisagreements(tokens, m.out)
	if masked.hurt() > plain.hurt() || masked.hurt() == plain.hurt() && !m.silent {
		return plain, nil
	}
	for _, mark := range m.marks {
		masked.apply(mark)
	}
	return masked, nil
}

// hurt weighs what could not be read: the bytes of it, and one more a place.
func (f *File) hurt() int {
	sum := 0
	for _, d := range f.Damage {
		if d.Reason == syntaxReason || d.Reason == disagreeReason {
			sum += d.Len() + 1
		}
	}
	return sum
}

// markDisagreements makes Bad what checkTokens finds.
func (f *File) markDisagreements(tokens []Token, text []byte) {
	found := f.checkTokens(tokens, text)
	for _, n := range found {
		n.Bad = true
		n.markAround()
		f.Damage = append(f.Damage, Damage{n.Span, disagreeReason})
	}
	if len(found) > 0 {
		f.spreadDamage()
	}
}

// A mark is one masked region and what it falsifies.
type mark struct {
	Span
	reason string   // "" when the region itself may be changed
	kinds  []string // the nearest node of these kinds at Start is made Bad
	chain  bool     // and so is the whole chain of binary expressions it is in
	around bool     // and so is the statement it is in, since the node begins too late
}

func (f *File) apply(m mark) {
	if m.reason != "" {
		f.Damage = append(f.Damage, Damage{m.Span, m.reason})
	}
	n := f.At(m.Start)
	if n == nil || len(m.kinds) == 0 {
		return
	}
	if !n.Is(m.kinds...) {
		n = n.Up(m.kinds...)
	}
	if n == nil {
		return
	}
	n.Bad = true
	if m.around {
		n.markAround()
	}
	if !m.chain {
		return
	}
	top := n
	for top.Parent.Is("binary_expression") {
		top = top.Parent
	}
	top.Walk(func(n *Node) bool {
		if n.Kind == "binary_expression" {
			n.Bad = true
		}
		return n.Kind == "binary_expression"
	})
}

// masker makes the masked copy.
type masker struct {
	src, out []byte
	all      []Token // every token
	sig      []Token // without white space and comments; the rules' indices are into this
	pair     []int   // of each bracket in sig, its partner's index, or -1
	role     []string
	marks    []mark
	nested   int  // end of the nested heredoc masked last
	silent   bool // something was masked that Parse misreads without an error
}

func newMasker(src []byte, tokens []Token) *masker {
	m := &masker{src: src, out: bytes.Clone(src), all: tokens}
	for _, t := range tokens {
		switch t.Kind {
		case "T_WHITESPACE", "T_COMMENT", "T_DOC_COMMENT":
		default:
			m.sig = append(m.sig, t)
		}
	}
	m.findBrackets()
	return m
}

func (m *masker) run() {
	for i := range m.sig {
		for _, rule := range maskRules {
			rule(m, i)
		}
	}
	m.maskNUL()
}

// kind gives the kind of a significant token; "" outside the file.
func (m *masker) kind(i int) string {
	if i < 0 || i >= len(m.sig) {
		return ""
	}
	return m.sig[i].Kind
}

// text gives the text of a significant token in lower case; "" outside.
func (m *masker) text(i int) string {
	if i < 0 || i >= len(m.sig) {
		return ""
	}
	return strings.ToLower(string(m.src[m.sig[i].Start:m.sig[i].End]))
}

// blank puts spaces over a region, and keeps line ends.
func (m *masker) blank(s Span) {
	for i := s.Start; i < s.End; i++ {
		if c := m.out[i]; c != '\n' && c != '\r' {
			m.out[i] = ' '
		}
	}
}

// put overwrites at an offset.
func (m *masker) put(offset int, text string) { copy(m.out[offset:], text) }

// mark says what was masked; see the type.
func (m *masker) mark(s Span, reason string, kinds ...string) {
	m.marks = append(m.marks, mark{Span: s, reason: reason, kinds: kinds})
}

// falsify makes the nearest node of the kinds at a token Bad without keeping
// edits off the token.
func (m *masker) falsify(i int, kinds ...string) {
	if i < len(m.sig) {
		m.mark(m.sig[i].Span, "", kinds...)
	}
}

// name reports whether the token is one of the keywords used as a name, or not
// the keyword at all: behind "->", "::", "function" or "const", or in front of
// the colon of a named argument.
func (m *masker) name(i int) bool {
	switch m.kind(i - 1) {
	case "T_OBJECT_OPERATOR", "T_NULLSAFE_OBJECT_OPERATOR", "T_DOUBLE_COLON", "T_FUNCTION", "T_CONST":
		return true
	case "(", ",":
		return m.kind(i+1) == ":"
	}
	return m.text(i-1) == "&" && m.kind(i-2) == "T_FUNCTION"
}

// Roles of brackets, as far as masks depend on them.
const (
	roleClass  = "class" // also trait and interface
	roleEnum   = "enum"
	roleSwitch = "switch"
	roleParams = "params"
	roleUse    = "use"
)

// findBrackets pairs brackets and finds out what a brace or parenthesis
// belongs to: role holds it at both ends.
func (m *masker) findBrackets() {
	m.pair = make([]int, len(m.sig))
	m.role = make([]string, len(m.sig))
	var open []int
	pending := map[int]string{} // by depth: the role of the next "{" or "(" there
	for i := range m.sig {
		m.pair[i] = -1
		if role, keyword := roleWords[m.kind(i)]; keyword && !m.name(i) && m.kind(i-1) != "T_USE" {
			pending[len(open)] = role
		}
		switch m.kind(i) {
		case "(":
			if pending[len(open)] == roleParams {
				m.role[i] = roleParams
				delete(pending, len(open))
			}
			open = append(open, i)
		case "{":
			m.role[i] = pending[len(open)]
			delete(pending, len(open))
			open = append(open, i)
		case "[", "T_ATTRIBUTE", "T_CURLY_OPEN", "T_DOLLAR_OPEN_CURLY_BRACES":
			open = append(open, i)
		case ";":
			delete(pending, len(open))
		case ")", "]", "}":
			if len(open) == 0 {
				continue
			}
			at := open[len(open)-1]
			open = open[:len(open)-1]
			m.pair[i], m.pair[at], m.role[i] = at, i, m.role[at]
			delete(pending, len(open)+1)
		}
	}
}

// roleWords are the keywords that give a bracket its role.
var roleWords = map[string]string{
	"T_CLASS": roleClass, "T_TRAIT": roleClass, "T_INTERFACE": roleClass,
	"T_ENUM": roleEnum, "T_SWITCH": roleSwitch,
	"T_FUNCTION": roleParams, "T_FN": roleParams, "T_USE": roleUse,
}

// within gives the index of the innermost bracket open at token i, or -1.
func (m *masker) within(i int) int {
	for i--; i >= 0; i-- {
		if p := m.pair[i]; p >= 0 && p < i {
			i = p // behind a closed pair: jump over it
		} else if p > i {
			return i
		}
	}
	return -1
}

// until gives the index of the next token of one of the kinds from i on, at
// the same depth; len(sig) when a closing bracket or the end comes first.
func (m *masker) until(i int, kinds ...string) int {
	for ; i < len(m.sig); i++ {
		for _, k := range kinds {
			if m.kind(i) == k {
				return i
			}
		}
		switch p := m.pair[i]; {
		case p > i:
			i = p
		case p >= 0, m.kind(i) == ")", m.kind(i) == "]", m.kind(i) == "}":
			return len(m.sig)
		}
	}
	return len(m.sig)
}
