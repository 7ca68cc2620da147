package report

import (
	"bytes"
	"strings"

	"assay/mutate"
)

// A shade is where a colour ends in a line: a byte offset, exclusive, and the
// SGR codes, "" for none.
type shade struct {
	end  int
	code string
}

// The sixteen colours of a terminal are used, which its owner has chosen so that they can
// be read.
const (
	commentShade  = "2"
	textShade     = "33"
	numberShade   = "35" // and constants of the language
	wordShade     = "34"
	variableShade = "36"
)

// phpShades gives the colours of each line of a file.
func phpShades(s *mutate.Source) [][]shade {
	out := [][]shade{nil}
	column := 0
	l := phpLexer{src: s.Text, emit: func(text []byte, code string) {
		for i, part := range bytes.Split(text, []byte("\n")) {
			if i > 0 {
				out = append(out, nil)
				column = 0
			}
			if column += len(part); len(part) > 0 {
				out[len(out)-1] = append(out[len(out)-1], shade{column, code})
			}
		}
	}}
	l.file()
	return out
}

// shades gives the colours of a line, from 1; nil where there are none.
func (p *text) shades(s *mutate.Source, line int) []shade {
	if !p.paint {
		return nil
	}
	all, ok := p.php[s]
	if !ok {
		all = phpShades(s)
		p.php[s] = all
	}
	if line < 1 || line > len(all) {
		return nil
	}
	return all[line-1]
}

// phpWords are PHP's keywords, and the names that have a meaning of their own among types;
// after the lists of both in PHP's manual (appendices "List of Keywords" and "List of other
// reserved words").
var phpWords = func() map[string]string {
	words := map[string]string{"true": numberShade, "false": numberShade, "null": numberShade}
	for _, w := range strings.Fields(`__halt_compiler abstract and array as break callable case catch class clone const continue
		declare default die do echo else elseif empty enddeclare endfor endforeach endif endswitch endwhile enum eval exit
		extends final finally fn for foreach function global goto if implements include include_once instanceof insteadof
		interface isset list match namespace new or print private protected public readonly require require_once return
		static switch throw trait try unset use var while xor yield from
		self parent int float bool string void iterable object mixed never`) {
		words[w] = wordShade
	}
	return words
}()

// A phpLexer takes a file apart as far as its colours go. It is for the eye: where a text is
// no PHP, it has some colours or others. All bytes of the file are emitted, in order.
type phpLexer struct {
	src  []byte
	at   int
	emit func(text []byte, code string)
}

func (l *phpLexer) rest() []byte { return l.src[l.at:] }

// put emits the next n bytes, or as many as there are.
func (l *phpLexer) put(n int, code string) {
	end := min(l.at+n, len(l.src))
	l.emit(l.src[l.at:end], code)
	l.at = end
}

func (l *phpLexer) file() {
	for l.at < len(l.src) {
		open := bytes.Index(l.rest(), []byte("<?"))
		if open < 0 {
			l.put(len(l.src), "")
			return
		}
		l.put(open, "")
		switch rest := l.rest(); {
		case len(rest) >= 5 && bytes.EqualFold(rest[:5], []byte("<?php")):
			l.put(5, commentShade)
		case bytes.HasPrefix(rest, []byte("<?=")):
			l.put(3, commentShade)
		default:
			l.put(2, commentShade)
		}
		l.code()
	}
}

// code goes to the end of a part between tags.
func (l *phpLexer) code() {
	member := false // an arrow stands before, and so no keyword is one
	for l.at < len(l.src) {
		rest, after := l.rest(), false
		c := rest[0]
		switch {
		case bytes.HasPrefix(rest, []byte("?>")):
			l.put(2, commentShade)
			return
		case bytes.HasPrefix(rest, []byte("/*")):
			l.put(until(rest, 2, "*/"), commentShade)
			after = member
		case c == '#' && !bytes.HasPrefix(rest, []byte("#[")), bytes.HasPrefix(rest, []byte("//")):
			l.put(lineComment(rest), commentShade)
			after = member
		case c == '\'' || c == '"' || c == '`':
			l.put(quoted(rest), textShade)
		case bytes.HasPrefix(rest, []byte("<<<")):
			if n := heredoc(rest); n > 0 {
				l.put(n, textShade)
			} else {
				l.put(3, "")
			}
		case c == '$' && len(rest) > 1 && wordByte(rest[1]) && !digit(rest[1]):
			l.put(1+wordLength(rest[1:]), variableShade)
		case digit(c) || c == '.' && len(rest) > 1 && digit(rest[1]):
			l.put(numberLength(rest), numberShade)
		case wordByte(c) || c == '\\':
			if l.word(member); l.at == len(l.src) {
				return
			}
		case bytes.HasPrefix(rest, []byte("->")):
			l.put(2, "")
			after = true
		default:
			l.put(1, "")
			after = member && (c == ' ' || c == '\t' || c == '\n' || c == '\r')
		}
		member = after
	}
}

// word takes a name with its namespace. Behind __halt_compiler is no code.
func (l *phpLexer) word(member bool) {
	n := 0
	for rest := l.rest(); n < len(rest) && (wordByte(rest[n]) || rest[n] == '\\'); n++ {
	}
	name := strings.ToLower(string(l.rest()[:n]))
	code := phpWords[name]
	if member {
		code = ""
	}
	l.put(n, code)
	if name == "__halt_compiler" && !member {
		l.put(len(l.src), "")
	}
}

// until gives the offset behind the first end from an offset on, else the length of a text.
func until(text []byte, from int, end string) int {
	if i := bytes.Index(text[from:], []byte(end)); i >= 0 {
		return from + i + len(end)
	}
	return len(text)
}

// lineComment gives the length of a comment that ends with its line, or before a tag.
func lineComment(text []byte) int {
	n := len(text)
	if i := bytes.IndexAny(text, "\r\n"); i >= 0 { // PHP reads the line ends of old Macs, too
		n = i
	}
	if i := bytes.Index(text[:n], []byte("?>")); i >= 0 {
		n = i
	}
	return n
}

// quoted gives the length of a text in quotes, with all that is evaluated in it.
func quoted(text []byte) int {
	quote := text[0]
	for i := 1; i < len(text); i++ {
		switch {
		case text[i] == '\\':
			i++
		case text[i] == quote:
			return i + 1
		case quote != '\'' && bytes.HasPrefix(text[i:], []byte("{$")), quote != '\'' && bytes.HasPrefix(text[i:], []byte("${")):
			i += braced(text[i:]) - 1
		}
	}
	return len(text)
}

// braced gives the length of a piece of code in braces, which begins with one or behind a "$".
func braced(text []byte) int {
	depth := 0
	for i := 0; i < len(text); i++ {
		switch text[i] {
		case '{':
			depth++
		case '}':
			if depth--; depth == 0 {
				return i + 1
			}
		case '\'', '"':
			i += quoted(text[i:]) - 1
		}
	}
	return len(text)
}

// heredoc gives the length of a heredoc or nowdoc, and 0 where none begins.
func heredoc(text []byte) int {
	i := 3
	for i < len(text) && (text[i] == ' ' || text[i] == '\t') {
		i++
	}
	quote := byte(0)
	if i < len(text) && (text[i] == '\'' || text[i] == '"') {
		quote = text[i]
		i++
	}
	n := wordLength(text[i:])
	if n == 0 || digit(text[i]) {
		return 0
	}
	name := text[i : i+n]
	if i += n; quote != 0 {
		if i >= len(text) || text[i] != quote {
			return 0
		}
		i++
	}
	if rest := bytes.TrimPrefix(text[i:], []byte("\r")); !bytes.HasPrefix(rest, []byte("\n")) {
		return 0
	}
	for {
		end := bytes.IndexByte(text[i:], '\n')
		if end < 0 {
			return len(text)
		}
		i += end + 1
		line := bytes.TrimLeft(text[i:], " \t")
		if bytes.HasPrefix(line, name) && (len(line) == n || !wordByte(line[n])) {
			return len(text) - len(line) + n
		}
	}
}

// numberLength gives the length of a number.
func numberLength(text []byte) int {
	if len(text) > 1 && text[0] == '0' && bytes.IndexByte([]byte("xXbBoO"), text[1]) >= 0 {
		return wordLength(text)
	}
	digits := func(n int) int {
		for n < len(text) && (digit(text[n]) || text[n] == '_') {
			n++
		}
		return n
	}
	n := digits(0)
	if n < len(text) && text[n] == '.' && !bytes.HasPrefix(text[n:], []byte("...")) {
		n = digits(n + 1)
	}
	if n < len(text) && (text[n] == 'e' || text[n] == 'E') {
		sign := n + 1
		if sign < len(text) && (text[sign] == '+' || text[sign] == '-') {
			sign++
		}
		if sign < len(text) && digit(text[sign]) {
			n = digits(sign)
		}
	}
	return n
}

func digit(c byte) bool { return c >= '0' && c <= '9' }

// wordByte reports whether a byte can be in a name; to PHP those above 127 can.
func wordByte(c byte) bool {
	return c == '_' || digit(c) || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= 0x80
}

func wordLength(text []byte) int {
	n := 0
	for n < len(text) && wordByte(text[n]) {
		n++
	}
	return n
}
