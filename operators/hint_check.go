package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// between has for a check of PHP's a value that is accepted by only one of two checks: this one,
// and the one that a mutant has in its place. TestBetween asks PHP.
var between = eachName(map[string]string{
	"is_int is_integer is_long": "1.5 or '7'",
	"is_float is_double":        "7 or '1.5'",
	"is_string":                 "5 or true",
	"is_bool":                   "1 or 'x'",
	"is_array":                  "an ArrayIterator",
	"is_iterable":               "a generator",
	"is_countable":              "an ArrayObject",
	"is_scalar":                 "5 or true",
	"is_file file_exists":       "a folder",
	"is_dir":                    "a file",
	"ctype_digit":               "'1.5' or '-7'",
	"ctype_alpha ctype_alnum":   "'a1'",
	"ctype_lower":               "'aB'",
	"ctype_upper":               "'Ab'",
	"ctype_xdigit":              "'ff'",
})

// checkHint names a value that only the wider one of two checks accepts, and that becomes of it
// what verb says. Of is_numeric() there are a wider and a narrower one.
func checkHint(numeric, verb string) hintFunc {
	return func(f *syntax.File, n *syntax.Node, _ mutate.Edit) mutate.Hints {
		value := between[builtin(f, n)]
		if builtin(f, n) == "is_numeric" {
			value = numeric
		}
		if value == "" {
			return mutate.Hints{}
		}
		return mutate.Hints{Input: "Add a case with " + value + ".", Outcome: "Assert that " + value + " " + verb + ".",
			Either: "No test has a value that only the wider of the two checks accepts. Pass " + value + " and assert that it " + verb + "."}
	}
}

// placeHint is for a counter that is a place in something: what counts is what is found there.
func placeHint(f *syntax.File, n *syntax.Node, _ mutate.Edit) mutate.Hints {
	if n.Is("expression_statement") && len(n.NamedChildren()) == 1 {
		n = n.NamedChildren()[0]
	}
	counter, fn := n.Child("argument"), n.Up(functionKinds...)
	if !counter.Is("variable_name") || fn == nil {
		return mutate.Hints{}
	}
	var user *syntax.Node
	fn.Walk(func(c *syntax.Node) bool {
		if user != nil || !c.Is("variable_name") || c.Start < n.End || f.Text(c) != f.Text(counter) {
			return user == nil
		}
		if p := c.Parent; p.Is("argument") || p.Is("subscript_expression") && p.NamedChildren()[0] != c {
			user = p
		}
		return user == nil
	})
	if user.Is("argument") {
		user = user.Up("function_call_expression", "member_call_expression", "scoped_call_expression", "object_creation_expression")
	}
	if user == nil {
		return mutate.Hints{}
	}
	return mutate.Hints{Either: "No test depends on where " + named(f, counter, "the counter") + " stands after this. It says what " + named(f, user, "the code below") +
		" is: have a case that goes through here, and assert the exact result."}
}

// numberHint is for a cast of what PHP gives as text: no test can pass anything else.
func numberHint(f *syntax.File, n *syntax.Node, _ mutate.Edit) mutate.Hints {
	value := n.Child("value").Unwrapped()
	isDate := value.Is("member_call_expression") && strings.EqualFold(f.Text(value.Child("name")), "format")
	if evident(f, value) != "string" && !isDate {
		return mutate.Hints{}
	}
	code := named(f, value, "what is cast")
	return mutate.Hints{Input: "Add a case in which it shows that " + code + " is a text and no number. If there can be none, the cast is not needed.",
		Outcome: "Assert the result with assertSame: to assertEquals, 3 and '3' are one.",
		Either: "No test tells the number from the text that " + code + " is. Assert a result of it with assertSame, or compare it with ===. " +
			"If it only goes into sums, the cast is not needed."}
}
