package operators

import (
	"strconv"
	"strings"

	"assay/mutate/syntax"
)

// A unit is one byte of a pattern as PCRE sees it, with the bytes of the
// source that stand for it: two of them for "\\" in a literal.
type unit struct {
	syntax.Span
	b      byte
	opaque bool         // an interpolated or concatenated value, of unknown text
	lit    *syntax.Node // the literal that it is written in
}

// patternUnits reads the expression that a pattern is given as: literals, and
// concatenations and interpolations in which other values are opaque. nil
// means that it is none of these.
func patternUnits(f *syntax.File, n *syntax.Node) []unit {
	switch n.Kind {
	case "string":
		return singleQuoted(f, n)
	case "encapsed_string":
		return doubleQuoted(f, n)
	case "binary_expression":
		if operatorText(f, n) != "." {
			return nil
		}
		var out []unit
		for _, side := range []*syntax.Node{n.Child("left"), n.Child("right")} {
			part := patternUnits(f, side)
			if part == nil {
				part = []unit{{Span: side.Span, opaque: true}}
			}
			out = append(out, part...)
		}
		return out
	}
	return nil
}

func singleQuoted(f *syntax.File, n *syntax.Node) []unit {
	out := []unit{}
	if f.Src[n.Start] != '\'' {
		return nil
	}
	for i := n.Start + 1; i < n.End-1; i++ {
		u := unit{Span: syntax.Span{Start: i, End: i + 1}, b: f.Src[i], lit: n}
		if next := f.Src[i+1]; f.Src[i] == '\\' && i+1 < n.End-1 && (next == '\\' || next == '\'') {
			u.b, u.End = next, i+2
			i++
		}
		out = append(out, u)
	}
	return out
}

func doubleQuoted(f *syntax.File, n *syntax.Node) []unit {
	out := []unit{}
	at := n.Start + 1
	for i, c := range n.Children {
		if i == 0 || i == len(n.Children)-1 {
			continue // the quotes; a b before them is not read
		}
		if c.Start != at {
			return nil
		}
		at = c.End
		switch c.Kind {
		case "string_content":
			for j := c.Start; j < c.End; j++ {
				out = append(out, unit{Span: syntax.Span{Start: j, End: j + 1}, b: f.Src[j], lit: n})
			}
		case "escape_sequence":
			for _, b := range unescaped(f.Text(c)) {
				out = append(out, unit{Span: c.Span, b: b, lit: n})
			}
		default:
			if last := len(out) - 1; last >= 0 && out[last].opaque {
				out[last].End = c.End // "{", "$x" and "}" are one value
				continue
			}
			out = append(out, unit{Span: c.Span, opaque: true, lit: n})
		}
	}
	if at != n.End-1 {
		return nil
	}
	return out
}

// unescaped decodes one escape sequence of a double-quoted string, from the
// manual's chapter on strings.
func unescaped(s string) []byte {
	if len(s) < 2 {
		return []byte(s)
	}
	switch c := s[1]; {
	case strings.IndexByte("ntrvef", c) >= 0:
		return []byte{"\n\t\r\v\x1b\f"[strings.IndexByte("ntrvef", c)]}
	case c >= '0' && c <= '7':
		v, _ := strconv.ParseUint(s[1:], 8, 16)
		return []byte{byte(v)}
	case c == 'x' || c == 'X':
		v, _ := strconv.ParseUint(s[2:], 16, 8)
		return []byte{byte(v)}
	case c == 'u':
		v, _ := strconv.ParseUint(strings.Trim(s[2:], "{}"), 16, 32)
		return []byte(string(rune(v)))
	}
	return []byte(s[1:])
}

// Kinds of tokens in a pattern.
const (
	other      = iota // a literal character, a reference, a setting
	unknown           // an opaque value
	anchor            // ^ $ \A \z \Z \b
	dot               // .
	shorthand         // \d and the like, outside classes
	class             // [...]
	quantifier        // * + ? {...} with what makes it lazy or possessive
	groupOpen
	groupClose
	bar // |
)

// A token is a part of a pattern: units[from:to].
type token struct {
	kind, from, to int
	group          int // index in regex.groups of the innermost group around it
}

// A group is a pair of parentheses, or the whole pattern for the first.
type group struct {
	from, to int // units within it, without head and parentheses
	parent   int
	behind   bool // it looks behind: its length must stay fixed
	captures bool
	strange  bool // a condition, or a group that numbers its parts anew
}

// A regex is a pattern that has been read.
type regex struct {
	units  []unit
	from   int // the body is units[from:to]
	to     int
	tokens []token
	groups []group
	flags  map[byte]int // place in units by letter
}

// text gives the pattern's own text of some units, a NUL for an opaque one.
func (r *regex) text(from, to int) string {
	var b strings.Builder
	for _, u := range r.units[from:to] {
		b.WriteByte(u.b)
	}
	return b.String()
}

func (r *regex) behind(g int) bool {
	for ; g > 0; g = r.groups[g].parent {
		if r.groups[g].behind {
			return true
		}
	}
	return false
}

// readRegex splits a pattern in its parts; nil when it has a form that is not
// known for certain. The syntax is that of the PCRE2 manual, pcre2pattern(3),
// and of PHP's own chapter on delimiters.
func readRegex(units []unit) *regex {
	r := &regex{units: units, flags: map[byte]int{}}
	i := 0
	for i < len(units) && !units[i].opaque && strings.IndexByte(" \t\n\r\v\f", units[i].b) >= 0 {
		i++
	}
	if i == len(units) || units[i].opaque || wordByte(units[i].b) && units[i].b != '_' || units[i].b == '\\' {
		return nil
	}
	open := units[i].b
	r.from = i + 1
	r.to = r.closing(open)
	if r.to < 0 {
		return nil
	}
	for j := r.to + 1; j < len(units); j++ {
		if units[j].opaque {
			return nil
		}
		r.flags[units[j].b] = j
	}
	if !r.scan() {
		return nil
	}
	return r
}

// closing finds the delimiter that ends the body, or -1.
func (r *regex) closing(open byte) int {
	shut := open
	if i := strings.IndexByte("([{<", open); i >= 0 {
		shut = ")]}>"[i]
	}
	depth := 1
	for j := r.from; j < len(r.units); j++ {
		switch u := r.units[j]; {
		case u.opaque:
		case u.b == '\\':
			j++
		case u.b == shut:
			if depth--; depth == 0 {
				return j
			}
		case u.b == open:
			depth++
		}
	}
	return -1
}

// at gives a byte of the body, 0 past its end or for an opaque value.
func (r *regex) at(i int) byte {
	if i >= r.to || r.units[i].opaque {
		return 0
	}
	return r.units[i].b
}

// until gives the place just behind the next byte b, or -1.
func (r *regex) until(i int, b byte) int {
	for ; i < r.to; i++ {
		if r.at(i) == b {
			return i + 1
		}
	}
	return -1
}

// scan fills tokens and groups; false when a form is not known.
func (r *regex) scan() bool {
	r.groups = []group{{from: r.from, to: r.to}}
	_, loose := r.flags['x']
	in := 0
	for i := r.from; i < r.to; {
		t := token{kind: other, from: i, to: i + 1, group: in}
		switch b := r.at(i); {
		case r.units[i].opaque:
			t.kind = unknown
		case b == '\\':
			r.escape(&t)
		case b == '[':
			t.kind, t.to = class, r.classEnd(i)
		case b == '(':
			t.kind = groupOpen
			if !r.open(&t) {
				return false
			}
			if t.kind == groupOpen {
				in = len(r.groups) - 1
			}
		case b == ')':
			if in == 0 {
				return false
			}
			t.kind = groupClose
			r.groups[in].to = i
			in = r.groups[in].parent
		case b == '|':
			t.kind = bar
		case b == '^' || b == '$':
			t.kind = anchor
		case b == '.':
			t.kind = dot
		case loose && b == '#':
			if t.to = r.until(i, '\n'); t.to < 0 {
				t.to = r.to
			}
		case loose && strings.IndexByte(" \t\n\r", b) >= 0:
		default:
			r.repeat(&t)
		}
		if t.to <= i || t.to > r.to {
			return false
		}
		r.tokens = append(r.tokens, t)
		i = t.to
	}
	return in == 0
}

// repeat reads * + ? {n,m} and what follows it.
func (r *regex) repeat(t *token) {
	switch r.at(t.from) {
	case '*', '+', '?':
	case '{':
		end := r.until(t.from, '}')
		if end < 0 || !quantity(r.text(t.from+1, end-1)) {
			return
		}
		t.to = end
	default:
		return
	}
	t.kind = quantifier
	if next := r.at(t.to); next == '?' || next == '+' {
		t.to++
	}
}

// quantity reports whether the inside of braces is "n", "n," or "n,m".
func quantity(s string) bool {
	low, high, _ := strings.Cut(s, ",")
	digits := func(s string) bool { return strings.Trim(s, "0123456789") == "" }
	return low != "" && digits(low) && digits(high)
}

// escape reads what begins with a backslash.
func (r *regex) escape(t *token) {
	t.to = t.from + 2
	switch b := r.at(t.from + 1); {
	case b == 'Q':
		if end := strings.Index(r.text(t.to, r.to), `\E`); end >= 0 {
			t.to += end + 2
		} else {
			t.to = r.to
		}
	case strings.IndexByte("AzZb", b) >= 0 && b != 0:
		t.kind = anchor
	case strings.IndexByte("dDwWsShHvV", b) >= 0 && b != 0:
		t.kind = shorthand
	case b == 'p' || b == 'P':
		t.kind = shorthand
		t.to = r.braced(t.from + 2)
	case b == 'x' || b == 'o' || b == 'g' || b == 'k' || b == 'N':
		if next := r.at(t.from + 2); next == '{' || next == '<' || next == '\'' {
			shut := map[byte]byte{'{': '}', '<': '>', '\'': '\''}[next]
			t.to = r.until(t.from+3, shut)
		}
	case b >= '0' && b <= '9':
		for b := r.at(t.to); b >= '0' && b <= '9'; b = r.at(t.to) {
			t.to++
		}
	case b == 'c':
		t.to++
	}
}

// braced gives the end of "{...}" at i, or of the one byte there.
func (r *regex) braced(i int) int {
	if r.at(i) == '{' {
		return r.until(i, '}')
	}
	return i + 1
}

// classEnd gives the place behind the "]" of a class, or -1.
func (r *regex) classEnd(i int) int {
	i++
	if r.at(i) == '^' {
		i++
	}
	if r.at(i) == ']' {
		i++
	}
	for i < r.to {
		switch b := r.at(i); {
		case b == ']':
			return i + 1
		case b == '\\' && r.at(i+1) == 'Q':
			return -1
		case b == '\\':
			i += 2
		case b == '[' && r.at(i+1) == ':':
			if end := r.until(i+2, ']'); end > 0 && r.at(end-2) == ':' {
				i = end
			} else {
				i++
			}
		default:
			i++
		}
	}
	return -1
}

// open reads "(" and the head of its group; false when the head is not known.
// Comments, verbs, settings and references are no groups: the token becomes
// one of another kind that ends with their ")".
func (r *regex) open(t *token) bool {
	g := group{parent: t.group, captures: true}
	rest := r.text(t.from+1, min(t.from+4, r.to))
	switch {
	case strings.HasPrefix(rest, "*"):
		t.kind, t.to = other, r.until(t.from, ')')
		return t.to > 0
	case !strings.HasPrefix(rest, "?"):
	case strings.HasPrefix(rest, "?<=") || strings.HasPrefix(rest, "?<!"):
		g.behind, g.captures = true, false
		t.to += 3
	case len(rest) > 1 && strings.IndexByte(":=!>", rest[1]) >= 0:
		g.captures = false
		t.to += 2
	case rest == "?P<" || len(rest) > 1 && (rest[1] == '<' || rest[1] == '\''):
		shut := byte('>')
		if rest[1] == '\'' {
			shut = '\''
		}
		t.to = r.until(t.from+4, shut)
	case len(rest) > 1 && rest[1] == '|':
		g.strange, g.captures = true, false
		t.to += 2
	case len(rest) > 1 && rest[1] == '(':
		g.strange, g.captures = true, false
		t.to = r.until(t.from+3, ')')
		if rest == "?(?" {
			return false
		}
	default:
		return r.setting(t, g)
	}
	if t.to < 0 {
		return false
	}
	g.from = t.to
	r.groups = append(r.groups, g)
	return true
}

// setting reads "(?i)", "(?i:", "(?#...)", "(?R)", "(?1)", "(?&name)".
func (r *regex) setting(t *token, g group) bool {
	i := t.from + 2
	for b := r.at(i); b == '-' || b == '^' || wordByte(b); b = r.at(i) {
		if b == 'x' {
			return false // blanks and "#" would change their meaning from here on
		}
		i++
	}
	if r.at(i) == ':' {
		g.captures, g.from = false, i+1
		r.groups = append(r.groups, g)
		t.to = i + 1
		return true
	}
	t.kind, t.to = other, r.until(t.from, ')')
	return t.to > 0
}
