package operators

import (
	"slices"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The return family gives callers another value of the declared type. A
// literal is left to the literal families, a comparison and a logical
// expression to theirs, and "return $this" alone: where nothing is chained to
// the call its value cannot be seen, and where something is, the change is.
func init() {
	register(
		&mutate.Operator{
			ID: "return/null-forced",
			Doc: `The function returns null, which its declaration allows.

No test looks at what this return hands back. Assert the returned value itself, not only that the call went through.`,
			Input:   "Add a case in which something else than null is returned here.",
			Outcome: "Assert the returned value itself, not only that the call went through.",
			Before:  `function berth(): ?string { return $this->berth; }`,
			After:   `function berth(): ?string { return null; }`,
			Kinds:   []string{"return_statement"},
			Apply: returned(func(f *syntax.File, value *syntax.Node, t retType) string {
				if t.nullable() || t.is("mixed") || t.absent && !truth(f, value) {
					return "null"
				}
				return ""
			}),
		},
		&mutate.Operator{
			ID: "return/zero-forced",
			Doc: `The function returns 0.

No test checks the number that is returned, or only cases where it is 0. Assert the exact number for an input where it is something else.`,
			Input:   "Add a case in which the number that is returned is not 0.",
			Outcome: "Assert the exact number.",
			Before:  `function miles(): int { return $this->miles; }`,
			After:   `function miles(): int { return 0; }`,
			Kinds:   []string{"return_statement"},
			Apply: returned(func(f *syntax.File, value *syntax.Node, t retType) string {
				switch {
				case t.nullable():
					return ""
				case t.is("int"):
					return "0"
				case t.is("float"):
					return "0.0"
				}
				return ""
			}),
		},
		&mutate.Operator{
			ID: "return/one-too-many",
			Doc: `The number that is returned is one too large.

No test pins the returned number down. Replace assertGreaterThan, assertNotEmpty and the like by assertSame with the exact number.`,
			Input:   "Add a case in which a number of ordinary size is returned here.",
			Outcome: "Assert the exact number with assertSame, not with assertGreaterThan, assertNotEmpty or the like.",
			Before:  `function miles(): int { return $this->miles; }`,
			After:   `function miles(): int { return $this->miles + 1; }`,
			Kinds:   []string{"return_statement"},
			Apply: returned(func(f *syntax.File, value *syntax.Node, t retType) string {
				if t.nullable() || !t.is("int") && !t.is("float") {
					return ""
				}
				if value.Is(closed...) {
					return f.Text(value) + " + 1"
				}
				return "(" + f.Text(value) + ") + 1"
			}),
		},
		&mutate.Operator{
			ID: "return/sign-flipped",
			Doc: `The number that is returned has the opposite sign.

No test sees a number other than 0 with its sign here. Assert a case where the result is positive or negative and say which.`,
			Input:   "Add a case in which the number that is returned is not 0.",
			Outcome: "Assert the number with its sign.",
			Before:  `function drift(): float { return $this->drift; }`,
			After:   `function drift(): float { return -$this->drift; }`,
			Kinds:   []string{"return_statement"},
			Wide:    true, // what kills zero and plus-one nearly always kills this
			Apply: returned(func(f *syntax.File, value *syntax.Node, t retType) string {
				if t.nullable() || !t.is("int") && !t.is("float") || value.Is("unary_op_expression") {
					return ""
				}
				if value.Is(closed...) {
					return "-" + f.Text(value)
				}
				return "-(" + f.Text(value) + ")"
			}),
		},
		&mutate.Operator{
			ID: "return/empty-string-forced",
			Doc: `The function returns ''.

No test checks the string that is returned. Assert the whole string with assertSame for one ordinary input.`,
			Input:   "Add a case in which the string that is returned is not empty.",
			Outcome: "Assert the whole string with assertSame.",
			Before:  `function label(): string { return $this->label; }`,
			After:   `function label(): string { return ''; }`,
			Kinds:   []string{"return_statement"},
			Apply: returned(func(f *syntax.File, value *syntax.Node, t retType) string {
				if t.is("string") && !t.nullable() {
					return "''"
				}
				return ""
			}),
		},
		&mutate.Operator{
			ID: "return/empty-array-forced",
			Doc: `The function returns [].

No test looks at the elements that are returned, or it loops over them with the assertions inside the loop, where none is made for an empty array. Assert the whole array, or its count first.`,
			Input:   "Add a case in which the array that is returned is not empty.",
			Outcome: "Assert the whole array, or its count: no assertion is made in a loop over an empty array.",
			Before:  `function stops(): array { return $this->stops; }`,
			After:   `function stops(): array { return []; }`,
			Kinds:   []string{"return_statement"},
			Apply: returned(func(f *syntax.File, value *syntax.Node, t retType) string {
				if (t.is("array") || t.is("iterable")) && !t.nullable() {
					return "[]"
				}
				return ""
			}),
		},
		&mutate.Operator{
			ID: "return/true-forced",
			Doc: `The function returns true, whatever it found out.

No test gets false from this return and checks it. Add one for the negative answer with assertFalse.`,
			Input:   "Add a case in which false is returned here.",
			Outcome: "Assert the negative answer with assertFalse.",
			Before:  `function open(): bool { return $this->open; }`,
			After:   `function open(): bool { return true; }`,
			Kinds:   []string{"return_statement"},
			Apply:   returned(answers("true")),
		},
		&mutate.Operator{
			ID: "return/false-forced",
			Doc: `The function returns false, whatever it found out.

No test gets anything but false from this return and checks it. Add one for the positive answer with assertTrue, or assert the value if there is one.`,
			Input:   "Add a case in which something else than false is returned here.",
			Outcome: "Assert the answer with assertTrue, or the value if there is one.",
			Before:  `function find(): int|false { return $this->place; }`,
			After:   `function find(): int|false { return false; }`,
			Kinds:   []string{"return_statement"},
			Apply:   returned(answers("false")),
		},
		&mutate.Operator{
			ID: "return/answer-inverted",
			Doc: `The function returns the opposite answer.

No test checks the answer at all. Assert it with assertTrue for one case and assertFalse for another.`,
			Input:   "Add one case for each of the two answers.",
			Outcome: "Assert the answer, with assertTrue for one case and assertFalse for another.",
			Before:  `function open(): bool { return $this->open; }`,
			After:   `function open(): bool { return !$this->open; }`,
			Kinds:   []string{"return_statement"},
			Wide:    true, // what kills both true and false kills this
			Apply: returned(func(f *syntax.File, value *syntax.Node, t retType) string {
				if answers("true")(f, value, t) == "" {
					return ""
				}
				return negation(f, value)
			}),
		},
		&mutate.Operator{
			ID: "return/early-dropped",
			Doc: `An early "return;" is dropped, and what follows it runs as well.

No test depends on whether the rest of the function runs in this case. Assert that what the rest does has not happened.`,
			Before: `function moor() { if ($this->moored) { return; } $this->lines++; }`,
			After:  `function moor() { if ($this->moored) { ; } $this->lines++; }`,
			Kinds:  []string{"return_statement"},
			Apply:  earlyReturnDropped,
		},
	)
}

// A retType is a declared return type: its parts in lower case.
type retType struct {
	absent bool
	parts  []string // "?int" gives "int", "null"
}

func (t retType) is(name string) bool { return slices.Contains(t.parts, name) }
func (t retType) nullable() bool      { return t.is("null") }

// magicTypes are what PHP demands of methods that need not declare it; from
// the manual's chapter on magic methods.
var magicTypes = map[string]string{"__tostring": "string", "__isset": "bool", "__serialize": "array", "__sleep": "array"}

// returnType gives the declared return type of the function around a node.
func returnType(f *syntax.File, n *syntax.Node) retType {
	fn := n.Up(functionKinds...)
	if fn == nil {
		return retType{absent: true}
	}
	typ := fn.Child("return_type")
	if typ == nil {
		if t := magicTypes[strings.ToLower(f.Text(fn.Child("name")))]; t != "" && fn.Is("method_declaration") {
			return retType{parts: []string{t}}
		}
		return retType{absent: true}
	}
	text := strings.ToLower(strings.Join(strings.Fields(f.Text(typ)), ""))
	rest, optional := strings.CutPrefix(text, "?")
	parts := strings.Split(rest, "|")
	if optional {
		parts = append(parts, "null")
	}
	return retType{parts: parts}
}

// returned makes a rule of a function that gives the text of another value, or
// "" for none. Left out are functions that return by reference, where only a
// variable will do, and generators, whose return value almost nobody asks for.
func returned(other func(*syntax.File, *syntax.Node, retType) string) applyFunc {
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		values := n.NamedChildren()
		if len(values) != 1 {
			return nil
		}
		value := values[0]
		if inner := value.Unwrapped(); elsewhere(f, inner) {
			return nil
		}
		fn := n.Up(functionKinds...)
		if fn == nil || fn.Is("property_hook") || fn.First("reference_modifier") != nil || len(yields(fn)) > 0 {
			return nil
		}
		text := other(f, value.Unwrapped(), returnType(f, n))
		if text == "" || text == f.Text(value) {
			return nil
		}
		return fit(f, value.Span, text)
	}
}

// elsewhere reports whether another family changes a returned expression as a
// whole, or none should.
func elsewhere(f *syntax.File, n *syntax.Node) bool {
	switch n.Kind {
	case "integer", "float", "string", "encapsed_string", "heredoc", "nowdoc", "boolean", "null",
		"array_creation_expression", "throw_expression", "yield_expression":
		return true
	case "unary_op_expression":
		return n.Child("argument").Is("integer", "float")
	case "variable_name":
		return f.Text(n) == "$this"
	case "name":
		return strings.EqualFold(f.Text(n), "null")
	}
	return false
}

// truth reports whether an expression is a comparison, a logical expression or
// a negation, which have families of their own.
func truth(f *syntax.File, n *syntax.Node) bool {
	n = n.Unwrapped()
	switch operator := operatorText(f, n); n.Kind {
	case "unary_op_expression":
		return operator == "!"
	case "binary_expression":
		switch operator {
		case "&&", "||", "and", "or", "xor", "==", "===", "!=", "!==", "<>", "<", ">", "<=", ">=":
			return true
		}
	}
	return false
}

// answers gives a constant answer for functions that are declared bool, and
// false for those that give "something or false".
func answers(constant string) func(*syntax.File, *syntax.Node, retType) string {
	return func(f *syntax.File, value *syntax.Node, t retType) string {
		if t.nullable() || truth(f, value) {
			return ""
		}
		if t.is("bool") && len(t.parts) == 1 || constant == "false" && t.is("false") {
			return constant
		}
		return ""
	}
}

// earlyReturnDropped leaves a return alone behind which nothing would run.
func earlyReturnDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	fn := n.Up(functionKinds...)
	if len(n.NamedChildren()) > 0 || fn == nil || fn.Child("body") == nil || last(n, fn.Child("body")) {
		return nil
	}
	return dropStatement(f, n)
}
