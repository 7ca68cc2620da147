package operators

import (
	"regexp"
	"slices"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The text family changes which values are put into a text, and where.
func init() {
	register(
		&mutate.Operator{
			ID: "text/value-left-out",
			Doc: `A value is left out of a text: "$name, $town" becomes "$name, " or ", $town".

No test depends on this part of the text. Compare the whole string with assertSame, in a case in which the value is not empty.`,
			Input:   "Add a case in which this part of the text is not empty.",
			Outcome: "Assert the whole string with assertSame.",
			Hint:    textPartHint,
			Before:  `return "Pier $number";`, After: `return "Pier ";`,
			Kinds: []string{"encapsed_string", "heredoc"}, Wide: true, Apply: textValueLeftOut,
		},
		&mutate.Operator{
			ID: "text/values-exchanged",
			Doc: `Two neighbouring values that sprintf(), printf() and the like put into a text are swapped.

No test has two different values here and looks at where they stand. Use two that differ, and compare the whole string with assertSame.`,
			Input:   "Add a case in which the two values differ.",
			Outcome: "Assert the whole string with assertSame.",
			Hint:    textValuesHint,
			Before:  `return sprintf('%s to %s', $from, $to);`, After: `return sprintf('%s to %s', $to, $from);`,
			Kinds: []string{"function_call_expression"}, Apply: textValuesExchanged,
		},
	)
}

// textValueLeftOut takes each value out of a text in turn.
func textValueLeftOut(f *syntax.File, n *syntax.Node) []mutate.Edit {
	var out []mutate.Edit
	for _, p := range textParts(f, n) {
		if span, ok := textPart(f, p); ok {
			out = append(out, withoutPart(f, n, span))
		}
	}
	return out
}

// textParts gives the values in a text. One that is nothing but a value is left to the family
// string; names of members, patterns and paths only fail.
func textParts(f *syntax.File, n *syntax.Node) []*syntax.Node {
	body := n
	if n.Is("heredoc") {
		body = n.Child("value")
	}
	name, at := argumentIn(f, n)
	if body == nil || n.Field == "name" || n.Field == "function" || n.Field == "scope" || isIncluded(f, n) ||
		namingArguments[name] || strings.HasPrefix(name, "preg_") && at == 0 {
		return nil
	}
	parts := body.NamedChildren()
	if len(parts) == 1 && n.Is("encapsed_string") {
		return nil
	}
	return slices.DeleteFunc(parts, func(p *syntax.Node) bool { return p.Is("string_content", "escape_sequence") })
}

// withoutPart is the edit that takes a value out: it replaces the text, which is another kind
// of expression without its last value, or in a heredoc the lines that the value stands on.
func withoutPart(f *syntax.File, n *syntax.Node, part syntax.Span) mutate.Edit {
	span := n.Span
	if n.Is("heredoc") {
		for span.Start = part.Start; f.Src[span.Start-1] != '\n'; span.Start-- {
		}
		for span.End = part.End; f.Src[span.End-1] != '\n'; span.End++ {
		}
	}
	return mutate.Edit{Span: span, New: string(f.Src[span.Start:part.Start]) + string(f.Src[part.End:span.End])}
}

// textPart gives the span of a value in a text, with its braces. ok is false where what stands
// on both sides of it would be read as one, as in "\{$x}" and "$a{$x}[0]", or where a line of
// a heredoc begins with it, for then the text around it is one that begins on another line.
func textPart(f *syntax.File, p *syntax.Node) (span syntax.Span, ok bool) {
	span = p.Span
	prev := p.Prev()
	if prev.Is("{") && p.Next().Is("}") {
		span = syntax.Span{Start: prev.Start, End: p.Next().End}
		prev = prev.Prev()
	}
	before, after := f.Src[span.Start-1], f.Src[span.End]
	switch {
	case before == '\\', before == '{' && after == '$', before == '$' && (after == '{' || wordByte(after)):
		return span, false
	case prev.Is("escape_sequence"):
		return span, !wordByte(after) && after != '{'
	case prev != nil && prev.Named && !prev.Is("string_content"): // a value without braces
		return span, !wordByte(after) && strings.IndexByte("[-?", after) < 0
	case p.Parent.Is("heredoc_body") && before == '\n':
		return span, false
	case p.Parent.Is("heredoc_body") && wordByte(after): // it may be what ends the text
		return span, before != ' ' && before != '\t'
	}
	return span, true
}

// textPartHint names the part.
func textPartHint(f *syntax.File, n *syntax.Node, e mutate.Edit) mutate.Hints {
	for _, p := range textParts(f, n) {
		span, _ := textPart(f, p)
		code := named(f, p, "")
		switch {
		case withoutPart(f, n, span) != e || code == "":
		case inMessage(f, n):
			return mutate.Hints{Input: "Add a case in which " + code + " is not empty.",
				Outcome: "Assert the whole message with expectExceptionMessage(), " + code + " included."}
		default:
			return mutate.Hints{Input: "Add a case in which " + code + " is not empty.",
				Outcome: "Assert the whole string with assertSame, " + code + " included."}
		}
	}
	return mutate.Hints{}
}

// inMessage reports whether a text is the message of an exception, or a part of it.
func inMessage(f *syntax.File, n *syntax.Node) bool {
	for ; n != nil && !strings.HasSuffix(n.Kind, "_statement") && !n.Is(functionKinds...); n = n.Parent {
		if n.Is("argument") && messageText(f, n) {
			return true
		}
	}
	return false
}

// formatted has the functions that put values into a text, with the place of the first value;
// those of which that is an array begin with v.
var formatted = map[string]int{"sprintf": 1, "printf": 1, "fprintf": 2, "vsprintf": 1, "vprintf": 1, "vfprintf": 2}

// textValuesExchanged swaps neighbours. Those for which a written format has no place are left
// alone.
func textValuesExchanged(f *syntax.File, n *syntax.Node) []mutate.Edit {
	values, format := textValues(f, n)
	most := conversions(f, format)
	var out []mutate.Edit
	for i := 1; i < len(values) && (most < 0 || i <= most); i++ {
		out = append(out, exchanged(f, values[i-1], values[i])...)
	}
	return out
}

// textValues gives the values that a call puts into a text, and the format.
func textValues(f *syntax.File, n *syntax.Node) (values []*syntax.Node, format *syntax.Node) {
	name, args, ok := callTo(f, n, 2)
	first := formatted[name]
	if !ok || first == 0 || len(args) <= first {
		return nil, nil
	}
	format = argValue(args[first-1]).Unwrapped()
	if !strings.HasPrefix(name, "v") {
		return args[first:], format
	}
	list := argValue(args[first]).Unwrapped()
	if !list.Is("array_creation_expression") {
		return nil, nil
	}
	for _, e := range elements(list) {
		if len(e.NamedChildren()) != 1 || e.First("variadic_unpacking", "by_ref") != nil {
			return nil, nil
		}
		values = append(values, e)
	}
	return values, format
}

// conversion is a place for a value in a format; from the manual of sprintf().
var conversion = regexp.MustCompile(`%(\d+\$)?(?:[-+ 0]|'.)*\d*(?:\.\d+)?[bcdeEfFgGhHosuxX]`)

// conversions counts the places for values in a format; -1 where it is not known.
func conversions(f *syntax.File, format *syntax.Node) int {
	if !format.Is("string", "encapsed_string") || slices.ContainsFunc(format.NamedChildren(), func(c *syntax.Node) bool { return !c.Is("string_content", "escape_sequence") }) {
		return -1
	}
	found := conversion.FindAllStringSubmatch(strings.NewReplacer("%%", "", `\$`, "$").Replace(f.Text(format)), -1)
	for _, c := range found {
		if c[1] != "" {
			return -1
		}
	}
	return len(found)
}

// textValuesHint names the two values.
func textValuesHint(f *syntax.File, n *syntax.Node, e mutate.Edit) mutate.Hints {
	values, _ := textValues(f, n)
	for i := 1; i < len(values); i++ {
		a, b := named(f, values[i-1], ""), named(f, values[i], "")
		if values[i-1].Start == e.Start && a != "" && b != "" {
			h := mutate.Hints{Input: "Add a case in which " + a + " and " + b + " differ."}
			if inMessage(f, n) {
				h.Outcome = "Assert the whole message with expectExceptionMessage()."
			}
			return h
		}
	}
	return mutate.Hints{}
}
