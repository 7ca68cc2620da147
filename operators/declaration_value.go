package operators

import (
	"strconv"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// These operators of the declaration family change a literal that is the whole
// value of a declaration. Literals within a larger value belong to the families
// of literals, and arrays to the family array, which drops their elements.
func init() {
	register(
		&mutate.Operator{
			ID: "declaration/default-argument-changed",
			Doc: `The default of a parameter is another value.

No test leaves this argument out and sees what that means. Call the function without it, and assert the result.`,
			Before: `function moor(int $lines = 2) { return $lines; }`,
			After:  `function moor(int $lines = 3) { return $lines; }`,
			Kinds:  []string{"simple_parameter", "property_promotion_parameter"}, Version: 1,
			Apply: func(f *syntax.File, n *syntax.Node) []mutate.Edit {
				if isUncalled(f, n.Up(functionKinds...)) {
					return nil
				}
				return otherValue(f, n.Child("default_value"))
			},
		},
		&mutate.Operator{
			ID: "declaration/property-default-changed",
			Doc: `A property starts with another value.

No test looks at a fresh object, or every path sets the property first (then the default can go). Make an object, do nothing, and assert what it says.`,
			Before: `class Pier { private int $free = 4; }`,
			After:  `class Pier { private int $free = 5; }`,
			Kinds:  []string{"property_element"},
			Apply: func(f *syntax.File, n *syntax.Node) []mutate.Edit {
				return otherValue(f, n.Child("default_value"))
			},
		},
		&mutate.Operator{
			ID: "declaration/constant-changed",
			Doc: `A constant has another value.

No test checks a result in which the value of the constant shows, but at most compares with the constant by name. If it is stored, sent or shown to someone, assert a result with the value written out.`,
			Before: `class Pier { const BERTHS = 12; }`,
			After:  `class Pier { const BERTHS = 13; }`,
			Kinds:  []string{"const_element"},
			Apply: func(f *syntax.File, n *syntax.Node) []mutate.Edit {
				parts := n.NamedChildren()
				if len(parts) != 2 {
					return nil
				}
				return otherValue(f, parts[1])
			},
		},
		&mutate.Operator{
			ID: "declaration/enum-value-changed",
			Doc: `A case of a backed enum has another value.

No test goes from this case to its value or back. Assert ->value or ::from() with the value written out: it is what is stored and sent.`,
			Before: `enum Tide: string { case Ebb = 'ebb'; }`,
			After:  `enum Tide: string { case Ebb = ''; }`,
			Kinds:  []string{"enum_case"},
			Apply:  enumValueChanged,
		},
	)
}

// otherValue gives another literal of the same type; null has none, and a name
// of a class is left alone, for anything else only fails to load.
func otherValue(f *syntax.File, n *syntax.Node) []mutate.Edit {
	if n == nil {
		return nil
	}
	if x, ok := numberAt(f, n); ok {
		if to := x.value + 1; to > x.value {
			return fit(f, n.Span, x.write(to))
		}
		return nil
	}
	text := f.Text(n)
	switch n.Kind {
	case "float":
		if to, ok := raised(text); ok && !sameFloat(text, to) {
			return fit(f, n.Span, to)
		}
	case "unary_op_expression":
		if arg := argumentOf(n); arg.Is("float") && operatorText(f, n) == "-" {
			return otherValue(f, arg)
		}
	case "boolean":
		if strings.EqualFold(text, "true") {
			return fit(f, n.Span, "false")
		}
		return fit(f, n.Span, "true")
	case "string", "encapsed_string":
		quote := text[len(text)-1:]
		switch {
		case isClassName(text):
		case len(strings.TrimLeft(text, "bB")) > 2:
			return fit(f, n.Span, quote+quote)
		default:
			return fit(f, n.Span, quote+"not empty"+quote)
		}
	}
	return nil
}

// enumValueChanged takes a value that no other case has: PHP refuses an enum with two
// equal ones.
func enumValueChanged(f *syntax.File, n *syntax.Node) []mutate.Edit {
	value := n.Child("value")
	if value == nil {
		return nil
	}
	taken := map[string]bool{}
	for _, c := range n.Parent.Children {
		if v := c.Child("value"); c.Is("enum_case") && v != nil {
			taken[f.Text(v)] = true
			if x, ok := numberAt(f, v); ok {
				taken[strconv.FormatInt(x.value, 10)] = true
			}
		}
	}
	if x, ok := numberAt(f, value); ok {
		to := x.value + 1
		for taken[strconv.FormatInt(to, 10)] {
			to++
		}
		return fit(f, value.Span, x.write(to))
	}
	if taken["''"] || taken[`""`] {
		return nil
	}
	return otherValue(f, value)
}

// isUncalled reports whether a declaration has no body and nobody can call it, so that only
// reflection could tell a default of it: it is a constructor or a static method. PHP takes
// the default of the method that is run. Of any other method without a body a test double
// has the default, as PHPUnit writes it into the class that it makes.
func isUncalled(f *syntax.File, fn *syntax.Node) bool {
	return fn.Is("method_declaration") && fn.Child("body") == nil &&
		(fn.First("static_modifier") != nil || strings.EqualFold(f.Text(fn.Child("name")), "__construct"))
}
