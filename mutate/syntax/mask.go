package syntax

import (
	"bytes"
	"context"
	"regexp"
	"strings"
)

const (
	haltReason     = "data behind __halt_compiler"
	disagreeReason = "PHP's own tokens differ from this reading"
)

// misread matches text in which the grammar may err without an error node:
// "<?" that is no tag to PHP, a heredoc inside a heredoc's braces, an expression
// for the name of a constant.
var misread = regexp.MustCompile(`(?is)<\?(?:[^=p]|p[^h]|ph[^p]|p?h?$)|<<<.*\{\$.*<<<|::\s*\{`)

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
// length that it can read. Spans therefore hold for src. Then the tree is mended:
// what was masked gets the nodes that it would have if the grammar knew it. What
// cannot be mended is an entry in File.Damage, and Bad, as is each node where the
// tree that comes out and the tokens differ.
//
// The masked reading is taken only if it leaves less unread than the plain.
func ParseTokens(path string, src []byte, tokens []Token) (*File, error) {
	return ParseTokensContext(context.Background(), path, src, tokens)
}

// ParseTokensContext is ParseTokens within a context; see ParseContext.
func ParseTokensContext(ctx context.Context, path string, src []byte, tokens []Token) (*File, error) {
	plain, err := parse(ctx, path, src, src, nil)
	if err != nil {
		return nil, err
	}
	plain.markDisagreements(tokens)
	if !plain.NeedsTokens() {
		return plain, ctx.Err()
	}
	m := newMasker(src, tokens)
	if err := m.run(ctx); err != nil {
		return nil, err
	}
	if len(m.mends) == 0 && bytes.Equal(src, m.out) {
		return plain, ctx.Err()
	}
	masked, err := parse(ctx, path, src, m.out, m.mends)
	if err != nil {
		return nil, err
	}
	masked.markDisagreements(tokens)
	if masked.hurt() > plain.hurt() || masked.hurt() == plain.hurt() && !m.silent {
		return plain, ctx.Err()
	}
	return masked, ctx.Err()
}

// hurt weighs what could not be read: the bytes of it, and one more a place.
func (f *File) hurt() int {
	sum := 0
	for _, d := range f.Damage {
		if d.Reason != haltReason {
			sum += d.Len() + 1
		}
	}
	return sum
}

// markDisagreements makes Bad what CheckTokens finds.
func (f *File) markDisagreements(tokens []Token) {
	found := f.CheckTokens(tokens)
	for _, n := range found {
		f.damage(n, n.Span, disagreeReason)
	}
	if len(found) > 0 {
		f.spreadDamage()
	}
}

// damage makes a node Bad, with what encloses it up to the nearest block; s is what
// is left alone.
func (f *File) damage(n *Node, s Span, reason string) {
	n.Bad = true
	n.markAround()
	f.Damage = append(f.Damage, Damage{s, reason})
}

// masker makes the masked copy.
type masker struct {
	src, out []byte
	all      []Token // every token
	sig      []Token // without white space and comments; the rules' indices are into this
	pair     []int   // of each bracket in sig, its partner's index, or -1
	in       []int   // of each in sig, the innermost bracket that is open there, or -1
	role     []string
	mends    []mend
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

func (m *masker) run(ctx context.Context) error {
	for i := range m.sig {
		if i%walkSteps == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		for _, rule := range maskRules {
			rule(m, i)
		}
	}
	m.maskNUL()
	// What lies in another is hidden first, so that it is hidden in that one's own text.
	for _, hide := range hideRules {
		for i := len(m.sig) - 1; i >= 0; i-- {
			hide(m, i)
		}
	}
	return ctx.Err()
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

// mend has the tree mended when the masked copy has been read; see the type.
func (m *masker) mend(s Span, what string, do func(*File) bool) {
	m.mends = append(m.mends, mend{s, what, do})
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
	m.in = make([]int, len(m.sig))
	m.role = make([]string, len(m.sig))
	var open []int
	pending := map[int]string{} // by depth: the role of the next "{" or "(" there
	for i := range m.sig {
		m.pair[i], m.in[i] = -1, -1
		if len(open) > 0 {
			m.in[i] = open[len(open)-1]
		}
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

// within gives the index of the innermost bracket open at token i, or -1; a
// bracket that is not closed counts for none.
func (m *masker) within(i int) int {
	if i < 0 || i >= len(m.sig) {
		return -1
	}
	at := m.in[i]
	for at >= 0 && m.pair[at] < 0 {
		at = m.in[at]
	}
	return at
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
