package proving

import (
	"strconv"
	"strings"

	"assay/mutate"
)

// longestText bounds an Outcome's Text, in bytes.
const longestText = 120

// oneLine shortens a text, and writes control characters as PHP does between double quotes.
func oneLine(s string) string {
	var b strings.Builder
	for _, r := range s {
		switch {
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\r':
			b.WriteString(`\r`)
		case r == '\t':
			b.WriteString(`\t`)
		case r < ' ' || r == 0x7f:
			b.WriteString(`\x` + strings.ToUpper(strconv.FormatInt(int64(r)+0x100, 16)[1:]))
		default:
			b.WriteRune(r)
		}
		if b.Len() > longestText+8 {
			break
		}
	}
	return mutate.Shortened(b.String(), longestText)
}

// Text writes a value for people, much as PHP code has it.
func Text(v mutate.Value) string {
	switch v.Kind {
	case mutate.ValueNull:
		return "null"
	case mutate.ValueBool:
		return strconv.FormatBool(v.Bool)
	case mutate.ValueInt:
		return strconv.FormatInt(v.Int, 10)
	case mutate.ValueFloat:
		s := floatText(v.Float)
		if !strings.ContainsAny(s, ".eIN") {
			s += ".0"
		}
		return s
	case mutate.ValueString:
		return "'" + strings.NewReplacer(`\`, `\\`, `'`, `\'`).Replace(v.String) + "'"
	case mutate.ValueVariable:
		return "$" + v.Variable
	case mutate.ValueCase:
		return v.Class + "::" + v.Name
	case mutate.ValueNew:
		return "new " + v.Class + "(" + textOfAll(v.Args) + ")"
	case mutate.ValueArray:
		return "[" + textOfItems(v.Items) + "]"
	}
	return ""
}

func textOfAll(args []mutate.Argument) string {
	var parts []string
	for _, a := range args {
		parts = append(parts, Text(a.Value))
	}
	return strings.Join(parts, ", ")
}

func textOfItems(items []mutate.Item) string {
	var parts []string
	for n, i := range items {
		t := Text(i.Value)
		if i.Key.Kind != mutate.ValueInt || i.Key.Int != int64(n) {
			t = Text(i.Key) + " => " + t
		}
		if parts = append(parts, t); n > 40 {
			parts = append(parts, "...")
			break
		}
	}
	return strings.Join(parts, ", ")
}

// CallText writes a call for people, much as PHP code has it.
func CallText(c mutate.Call) string {
	into := ""
	if c.Into != "" {
		into = "$" + c.Into + " = "
	}
	args := "(" + textOfAll(c.Args) + ")"
	switch c.Kind {
	case mutate.CallNew:
		return into + "new " + c.Class + args
	case mutate.CallMethod:
		return into + "$" + c.On + "->" + c.Name + args
	case mutate.CallStatic:
		return into + c.Class + "::" + c.Name + args
	}
	return into + c.Name + args
}
