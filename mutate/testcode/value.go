package testcode

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"assay/mutate"
)

// lineWidth is how many bytes a line may have before lists are written with an element a
// line.
const lineWidth = 110

// code writes expressions in the style of a file.
type code struct {
	style *style
	names *names
}

// value writes a value down. It may take several lines: those behind the first begin with
// indent.
func (c *code) value(v mutate.Value, indent string) string {
	switch v.Kind {
	case mutate.ValueNull:
		return "null"
	case mutate.ValueBool:
		return strconv.FormatBool(v.Bool)
	case mutate.ValueInt:
		return integer(v.Int)
	case mutate.ValueFloat:
		return float(v.Float)
	case mutate.ValueString:
		return c.text(v.String, indent)
	case mutate.ValueArray:
		return c.array(v.Items, indent)
	case mutate.ValueVariable:
		return "$" + v.Variable
	case mutate.ValueCase:
		return c.names.class(v.Class) + "::" + v.Name
	case mutate.ValueNew:
		return "new " + c.names.class(v.Class) + c.arguments(v.Args, indent, lineWidth)
	}
	panic(fmt.Sprintf("testcode: value kind %d", v.Kind))
}

// integer writes the smallest number in words: its digits alone would be too large a
// number with a minus before it.
func integer(n int64) string {
	if n == math.MinInt64 {
		return "PHP_INT_MIN"
	}
	return strconv.FormatInt(n, 10)
}

// float writes as few digits as give the same number again, and always as a float.
func float(f float64) string {
	switch {
	case math.IsNaN(f):
		return "NAN"
	case math.IsInf(f, 1):
		return "INF"
	case math.IsInf(f, -1):
		return "-INF"
	}
	format := byte('f')
	if abs := math.Abs(f); abs != 0 && (abs >= 1e15 || abs < 1e-5) {
		format = 'e'
	}
	s := strconv.FormatFloat(f, format, -1, 64)
	mantissa, exponent, scientific := strings.Cut(s, "e")
	if !strings.Contains(mantissa, ".") {
		mantissa += ".0"
	}
	if scientific {
		return mantissa + "e" + exponent
	}
	return mantissa
}

// arguments writes a list in parentheses, on one line if it fits into room.
func (c *code) arguments(args []mutate.Argument, indent string, room int) string {
	write := func(a mutate.Argument, indent string) string {
		text := c.value(a.Value, indent)
		if a.Name != "" {
			return a.Name + ": " + text
		}
		return text
	}
	parts := make([]string, len(args))
	for i, a := range args {
		parts[i] = write(a, indent)
	}
	return c.list("(", ")", parts, indent, room, false, func(i int, indent string) string { return write(args[i], indent) })
}

// list writes the parts between two brackets: on one line where that is not too long, else
// one a line, each of which is asked for again with its indentation.
func (c *code) list(open, shut string, parts []string, indent string, room int, comma bool, again func(int, string) string) string {
	line := open + strings.Join(parts, ", ") + shut
	if len(parts) == 0 || len(line)+len(indent) <= room && !strings.Contains(line, c.style.newline) {
		return line
	}
	inner := indent + c.style.indent
	var b strings.Builder
	b.WriteString(open)
	for i := range parts {
		b.WriteString(c.style.newline + inner + again(i, inner))
		if i < len(parts)-1 || comma {
			b.WriteByte(',')
		}
	}
	b.WriteString(c.style.newline + indent + shut)
	return b.String()
}

func (c *code) array(items []mutate.Item, indent string) string {
	open, shut := "[", "]"
	if c.style.longArrays {
		open, shut = "array(", ")"
	}
	isList := true
	for i, it := range items {
		isList = isList && it.Key.Kind == mutate.ValueInt && it.Key.Int == int64(i)
	}
	write := func(i int, indent string) string {
		text := c.value(items[i].Value, indent)
		if isList {
			return text
		}
		return c.key(items[i].Key) + " => " + text
	}
	parts := make([]string, len(items))
	for i := range items {
		parts[i] = write(i, indent)
	}
	return c.list(open, shut, parts, indent, lineWidth, true, write)
}

// key writes the key of an array or of an access to it, on one line.
func (c *code) key(v mutate.Value) string {
	if v.Kind == mutate.ValueString {
		return c.quoted(v.String)
	}
	return c.value(v, "")
}

// text writes a string: as a text of several lines where it is one and the file has the
// line ends of it, else in quotes.
func (c *code) text(s, indent string) string {
	lines := strings.Split(s, "\n")
	if len(lines) < 3 || c.style.newline != "\n" || !c.plain(strings.Join(lines, "")) {
		return c.quoted(s)
	}
	inner := indent + c.style.indent
	for _, l := range lines {
		if strings.TrimRight(l, " \t") != l || strings.Contains(l, "\t") {
			return c.quoted(s) // what ends a line would not be seen, and tabs are in the way of the indentation
		}
	}
	marker := "TEXT"
	for strings.Contains(s, marker) {
		marker += "S"
	}
	var b strings.Builder
	fmt.Fprintf(&b, "<<<'%s'", marker)
	for _, l := range lines {
		if b.WriteByte('\n'); l != "" {
			b.WriteString(inner + l)
		}
	}
	b.WriteString("\n" + inner + marker)
	return b.String()
}

// plain reports whether a text can stand in single quotes and be read there.
func (c *code) plain(s string) bool {
	if !utf8.ValidString(s) {
		return false
	}
	for _, r := range s {
		if !unicode.IsPrint(r) || r >= utf8.RuneSelf && !c.style.utf8 {
			return false
		}
	}
	return true
}

func (c *code) quoted(s string) string {
	if c.plain(s) {
		return single(s)
	}
	return c.double(s)
}

// single doubles a backslash only where PHP would take it for another thing.
func single(s string) string {
	var b strings.Builder
	b.WriteByte('\'')
	for i := 0; i < len(s); i++ {
		last := i == len(s)-1
		switch {
		case s[i] == '\'', s[i] == '\\' && (last || s[i+1] == '\\' || s[i+1] == '\''):
			b.WriteByte('\\')
		}
		b.WriteByte(s[i])
	}
	b.WriteByte('\'')
	return b.String()
}

var escapes = map[rune]string{'\n': `\n`, '\r': `\r`, '\t': `\t`, '\v': `\v`, '\f': `\f`, '\x1b': `\e`, '\\': `\\`, '"': `\"`, '$': `\$`}

func (c *code) double(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRuneInString(s[i:])
		switch esc, known := escapes[r]; {
		case known:
			b.WriteString(esc)
		case r == utf8.RuneError && n == 1, r < ' ', r == 0x7f, r >= utf8.RuneSelf && !c.style.utf8:
			for _, x := range []byte(s[i : i+n]) {
				fmt.Fprintf(&b, `\x%02X`, x)
			}
		case !unicode.IsPrint(r):
			fmt.Fprintf(&b, `\u{%X}`, r)
		default:
			b.WriteString(s[i : i+n])
		}
		i += n
	}
	b.WriteByte('"')
	return b.String()
}
