package report

import (
	"fmt"
	"net/url"
	"path/filepath"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/clipperhouse/displaywidth"
)

// A paint puts SGR sequences (ECMA-48) around text, or leaves it alone.
type paint bool

func (p paint) sgr(codes, s string) string {
	if !p || s == "" {
		return s
	}
	return "\x1b[" + codes + "m" + s + "\x1b[0m"
}

func (p paint) strong(s string) string { return p.sgr("1", s) }
func (p paint) faint(s string) string  { return p.sgr("2", s) }
func (p paint) lost(s string) string   { return p.sgr("31", s) }
func (p paint) added(s string) string  { return p.sgr("32", s) }

// link makes a terminal hyperlink (OSC 8) of text.
func link(target, text string) string {
	return "\x1b]8;;" + target + "\x1b\\" + text + "\x1b]8;;\x1b\\"
}

// editorURL fills in a pattern: %f path, %l line, %c column. Any other % is
// left as it is.
func editorURL(pattern, path string, line, column int) string {
	path = (&url.URL{Path: filepath.ToSlash(path)}).EscapedPath()
	return strings.NewReplacer("%f", path, "%l", fmt.Sprint(line), "%c", fmt.Sprint(column)).Replace(pattern)
}

// visible gives text as it may be sent to a terminal: bytes that are not UTF-8
// become "\xE4", control characters but the tab "\x1B", characters that turn
// the direction of writing "\u202E".
func visible(s string) string {
	if plain(s) {
		return s
	}
	var b strings.Builder
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRuneInString(s[i:])
		switch {
		case r == utf8.RuneError && n == 1, r != '\t' && r < 0x80 && unicode.IsControl(r):
			fmt.Fprintf(&b, "\\x%02X", s[i])
		case r != '\t' && !unicode.IsPrint(r) && !unicode.IsSpace(r):
			fmt.Fprintf(&b, "\\u%04X", r)
		default:
			b.WriteString(s[i : i+n])
		}
		i += n
	}
	return b.String()
}

func plain(s string) bool {
	for i := range len(s) {
		if s[i] >= 0x7f || (s[i] < ' ' && s[i] != '\t') {
			return false
		}
	}
	return true
}

// oneLine is visible with line ends shown as such, cut to n characters.
func oneLine(s string, n int) string {
	s = strings.NewReplacer("\r\n", "⏎", "\n", "⏎").Replace(s)
	r := []rune(visible(s))
	if len(r) > n {
		r = append(r[:max(0, n-1)], '…')
	}
	return string(r)
}

// wrap fills lines of at most that many columns and indents them. Blank lines
// part paragraphs.
func wrap(text, indent string, most int) string {
	var b strings.Builder
	for i, paragraph := range strings.Split(text, "\n\n") {
		if i > 0 {
			b.WriteByte('\n')
		}
		used := 0
		for _, word := range strings.Fields(paragraph) {
			n := width(word)
			switch {
			case used == 0:
				b.WriteString(indent)
				used = len(indent)
			case used+1+n > most:
				b.WriteString("\n" + indent)
				used = len(indent)
			default:
				b.WriteByte(' ')
				used++
			}
			b.WriteString(word)
			used += n
		}
		b.WriteByte('\n')
	}
	return b.String()
}

// width is the number of columns that a text takes in a terminal; the sequences
// of paint take none.
func width(s string) int {
	return displaywidth.Options{ControlSequences: true}.String(s)
}

// count gives "1 mutant", "2 mutants".
func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	if noun == "more" {
		return fmt.Sprintf("%d more", n)
	}
	if strings.HasSuffix(noun, "class") {
		return fmt.Sprintf("%d %ses", n, noun)
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
