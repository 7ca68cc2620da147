package operators

import (
	"slices"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The typecheck family asks whether tests tell one kind of value from its
// neighbours: the fraction from the integer, null from nothing, ” from unset.
func init() {
	register(
		&mutate.Operator{
			ID: "typecheck/check-inverted",
			Doc: `The answer of is_...(), instanceof, isset() or empty() is negated.

No test depends on the result of this check. Add two that come to this line, one with a value that passes the check and one that does not, and assert what differs.`,
			Input:   "Add one case with a value that passes the check and one with a value that does not.",
			Outcome: "Assert what differs between a value that passes the check and one that does not.",
			Before:  `$whole = is_int($n);`,
			After:   `$whole = !is_int($n);`,
			Kinds:   []string{"function_call_expression", "binary_expression"},
			Apply:   checkInverted,
		},
		&mutate.Operator{
			ID: "typecheck/check-widened",
			Doc: `The check accepts more kinds of values: is_int() becomes is_numeric(), is_file() becomes file_exists().

No test has a value that only the wider check accepts. Pass one and assert that it does not pass: 1.5 or '7' to is_int(), 5 to is_string(), an ArrayIterator to is_array(), a folder to is_file().`,
			Input:   "Add a case with a value that only the wider check accepts: 1.5 or '7' for is_int(), 5 for is_string(), an ArrayIterator for is_array(), a folder for is_file().",
			Outcome: "Assert that a value that only the wider check accepts does not pass.",
			Before:  `if (is_int($n)) { return; }`,
			After:   `if (is_numeric($n)) { return; }`,
			Kinds:   []string{"function_call_expression"},
			Hint:    checkHint("true or 'x'", "does not pass"),
			Apply: checkWidened(map[string]string{
				"is_int": "is_numeric", "is_integer": "is_numeric", "is_long": "is_numeric",
				"is_float": "is_numeric", "is_double": "is_numeric", "is_numeric": "is_scalar",
				"is_string": "is_scalar", "is_bool": "is_scalar", "is_array": "is_iterable",
				"is_file": "file_exists", "is_dir": "file_exists",
				"ctype_digit": "is_numeric", "ctype_alpha": "ctype_alnum",
				"ctype_lower": "ctype_alpha", "ctype_upper": "ctype_alpha",
			}),
		},
		&mutate.Operator{
			ID: "typecheck/check-narrowed",
			Doc: `The check accepts fewer kinds of values: is_numeric() becomes is_int(), is_iterable() becomes is_array().

No test has a value that only the wider check accepts. Pass one and assert that it passes: '7' or 1.5 to is_numeric(), a generator to is_iterable(), true to is_scalar(), a folder to file_exists().`,
			Input:   "Add a case with a value that only the wider check accepts: '7' or 1.5 for is_numeric(), a generator for is_iterable(), true for is_scalar(), a folder for file_exists().",
			Outcome: "Assert that a value that only the wider check accepts passes.",
			Before:  `if (is_numeric($n)) { return; }`,
			After:   `if (is_int($n)) { return; }`,
			Kinds:   []string{"function_call_expression"},
			Hint:    checkHint("1.5 or '7'", "passes"),
			Apply: renames(1, map[string]string{
				"is_numeric": "is_int", "is_scalar": "is_string", "is_iterable": "is_array",
				"is_countable": "is_array", "file_exists": "is_file",
				"ctype_alnum": "ctype_alpha", "ctype_xdigit": "ctype_digit",
			}),
		},
		&mutate.Operator{
			ID: "typecheck/instanceof-widened",
			Doc: `An instanceof accepts any object.

No test has an object of another class at this check. Pass one (a stdClass will do) and assert that it does not pass.`,
			Input:   "Add a case with an object of another class.",
			Outcome: "Assert that an object of another class does not pass.",
			Before:  `if ($d instanceof Buoy) { return; }`,
			After:   `if (is_object($d)) { return; }`,
			Kinds:   []string{"binary_expression"},
			Apply:   instanceofWidened,
		},
		&mutate.Operator{
			ID: "typecheck/null-key-missed",
			Doc: `A key whose value is null counts as missing: array_key_exists() becomes isset().

No test has the key present with null in it, the one case for which array_key_exists() is needed. Add that row and assert what should happen.`,
			Input:   "Add a case in which the key is there and its value is null.",
			Outcome: "Assert what happens when the key is there and its value is null.",
			Before:  `return array_key_exists('depth', $row);`,
			After:   `return isset($row['depth']);`,
			Kinds:   []string{"function_call_expression"},
			Apply:   nullKeyMissed,
		},
		&mutate.Operator{
			ID: "typecheck/only-null-empty",
			Doc: `Only null counts as empty: empty() becomes !isset(), for which '', '0', 0, false and [] are there.

No test has a value that is there and yet empty. Pass the empty string, the zero or the empty array that can really occur and assert the result. If only null can occur, write === null instead.`,
			Input:   "Add a case with a value that is there and yet empty: '', 0, false or [], whichever can occur. If only null can, write === null instead.",
			Outcome: "Assert what happens to a value that is there and yet empty.",
			Before:  `if (empty($name)) { return; }`,
			After:   `if (!isset($name)) { return; }`,
			Kinds:   []string{"function_call_expression"},
			Apply:   onlyNullEmpty,
		},
		&mutate.Operator{
			ID: "typecheck/number-cast-dropped",
			Doc: `A cast to int or float is dropped.

No test passes a value that the cast changes, or results are compared with assertEquals, to which 3, 3.0 and '3' are one. Pass a numeric string or a fraction and use assertSame.`,
			Input:   "Add a case with a value that the cast changes, such as a numeric string or a fraction.",
			Outcome: "Assert the result with assertSame: to assertEquals, 3, 3.0 and '3' are one.",
			Before:  `$n = (int) $text;`,
			After:   `$n = $text;`,
			Kinds:   []string{"cast_expression"},
			Hint:    numberHint,
			Apply:   castDropped("int", "integer", "float", "double", "real"), Version: 1,
		},
		&mutate.Operator{
			ID: "typecheck/string-cast-dropped",
			Doc: `A cast to string is dropped.

No test passes a number, null or a Stringable object here, or the result is compared loosely. Pass one and assert the exact string with assertSame.`,
			Input:   "Add a case with a number, null or a Stringable object.",
			Outcome: "Assert the exact string with assertSame: to assertEquals, 3 and '3' are one.",
			Before:  `$key = (string) $id;`,
			After:   `$key = $id;`,
			Kinds:   []string{"cast_expression"},
			Apply:   castDropped("string", "binary"), Version: 1,
		},
		&mutate.Operator{
			ID: "typecheck/bool-cast-dropped",
			Doc: `A cast to bool is dropped where the value is not just a condition.

No test looks at more than whether the result is truthy. Pass 1 or 'x' and assert with assertTrue or assertSame that exactly true comes out.`,
			Input:   "Add a case with a value that is no bool yet, such as 1 or 'x'.",
			Outcome: "Assert with assertTrue, assertFalse or assertSame that a bool comes out.",
			Before:  `return (bool) $flags;`,
			After:   `return $flags;`,
			Kinds:   []string{"cast_expression"},
			Apply:   castDropped("bool", "boolean"), Version: 1,
		},
		&mutate.Operator{
			ID: "typecheck/array-cast-dropped",
			Doc: `A cast to array or object is dropped.

No test passes what is no array (or object) already. Pass a single value, or null, and assert how it is handled.`,
			Input:   "Add a case with a value that is no array (or object) yet: a single value, or null.",
			Outcome: "Assert the exact result, with assertSame for an array.",
			Before:  `$tags = (array) $given;`,
			After:   `$tags = $given;`,
			Kinds:   []string{"cast_expression"},
			Apply:   castDropped("array", "object"),
		},
	)
}

// typeTests are functions that answer a question about one value's type.
var typeTests = map[string]bool{
	"is_int": true, "is_integer": true, "is_long": true, "is_float": true, "is_double": true,
	"is_numeric": true, "is_string": true, "is_bool": true, "is_scalar": true, "is_array": true,
	"is_iterable": true, "is_countable": true, "is_callable": true, "is_object": true, "is_null": true,
	"is_resource": true, "is_a": true, "is_subclass_of": true, "isset": true, "empty": true,
}

// checkInverted leaves out conditions, operands of && and ||, and returns that
// are declared bool: making those true and false, which other families do,
// asks more than the negation does (Kaminski, Ammann and Offutt, "Better
// predicate testing", AST 2011).
func checkInverted(f *syntax.File, n *syntax.Node) []mutate.Edit {
	switch {
	case n.Is("binary_expression"):
		if operatorText(f, n) != "instanceof" {
			return nil
		}
	default:
		if _, _, ok := callTo(f, n, 1); !ok || !typeTests[builtin(f, n)] {
			return nil
		}
	}
	at := n
	for at.Parent.Is("parenthesized_expression") {
		at = at.Parent
	}
	if decides(f, at) || at.Parent.Is("return_statement") && returnType(f, n).is("bool") {
		return nil
	}
	return fit(f, n.Span, negation(f, n))
}

// decides reports whether only the truth of an expression matters where it
// stands: a condition, an operand of a logical operator.
func decides(f *syntax.File, n *syntax.Node) bool {
	switch p := n.Parent; p.Kind {
	case "unary_op_expression":
		return operatorText(f, p) == "!"
	case "binary_expression":
		switch operatorText(f, p) {
		case "&&", "||", "and", "or", "xor":
			return true
		}
	case "cast_expression":
		return strings.HasPrefix(strings.ToLower(f.Text(p.Child("type"))), "bool")
	case "if_statement", "else_if_clause", "while_statement", "do_statement", "for_statement", "conditional_expression":
		return n.Field == "condition"
	}
	return false
}

// tellingTypes are the declared types that tell a check from its wider form.
var tellingTypes = map[string][]string{
	"is_int": {"float", "string"}, "is_integer": {"float", "string"}, "is_long": {"float", "string"},
	"is_float": {"int", "string"}, "is_double": {"int", "string"}, "is_numeric": {"string", "bool"},
	"is_string": {"int", "float", "bool"}, "is_bool": {"int", "float", "string"},
}

// checkWidened leaves a check alone that its wider form agrees with on every
// value of the declared type: is_string() for array|string.
func checkWidened(table map[string]string) applyFunc {
	rename := renames(1, table)
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		edits := rename(f, n)
		if len(edits) == 0 {
			return nil
		}
		args, _ := plainArgs(n)
		name := builtin(f, n)
		tell, known := tellingTypes[name]
		if len(args) != 1 || !known && name != "is_array" {
			return edits
		}
		declared := evident(f, argValue(args[0]))
		for _, part := range strings.Split(strings.TrimPrefix(declared, "?"), "|") {
			switch part {
			case "int", "float", "string", "bool", "false", "true", "null", "array":
				if slices.Contains(tell, part) {
					return edits
				}
			default: // a class, iterable, mixed, or not known
				if part == "" || part == "mixed" || name == "is_array" {
					return edits
				}
			}
		}
		return nil
	}
}

// instanceofWidened leaves "?Buoy $b" with "$b instanceof Buoy" alone: what is
// an object there is a Buoy.
func instanceofWidened(f *syntax.File, n *syntax.Node) []mutate.Edit {
	if operatorText(f, n) != "instanceof" {
		return nil
	}
	declared := strings.TrimSuffix(strings.TrimPrefix(evident(f, n.Child("left")), "?"), "|null")
	if declared != "" && strings.EqualFold(declared, f.Text(n.Child("right"))) {
		return nil
	}
	return fit(f, n.Span, "is_object("+f.Text(n.Child("left"))+")")
}

// nullKeyMissed needs an array that isset() may look into.
func nullKeyMissed(f *syntax.File, n *syntax.Node) []mutate.Edit {
	name, args, ok := callTo(f, n, 2)
	if !ok || name != "array_key_exists" && name != "key_exists" || len(args) != 2 {
		return nil
	}
	array := argValue(args[1])
	if !array.Is(dereferenced...) && !array.Is("class_constant_access_expression") {
		return nil
	}
	return fit(f, n.Span, "isset("+f.Text(array)+"["+f.Text(args[0])+"])")
}

// argValue is the expression of a plain argument.
func argValue(arg *syntax.Node) *syntax.Node {
	inner := arg.NamedChildren()
	return inner[len(inner)-1]
}

// places are the expressions that isset() takes.
var places = []string{
	"variable_name", "dynamic_variable_name", "member_access_expression", "nullsafe_member_access_expression",
	"scoped_property_access_expression", "subscript_expression",
}

func onlyNullEmpty(f *syntax.File, n *syntax.Node) []mutate.Edit {
	name, args, ok := callTo(f, n, 1)
	if !ok || name != "empty" || !argValue(args[0]).Is(places...) {
		return nil
	}
	isset := "isset(" + f.Text(args[0]) + ")"
	if p := n.Parent; p.Is("unary_op_expression") && operatorText(f, p) == "!" {
		return fit(f, p.Span, isset)
	}
	return fit(f, n.Span, "!"+isset)
}

// castDropped drops casts to one of the types, but not where PHP makes the
// same conversion anyway: to string by the dot, echo and print, to bool in a
// condition, to a number in a calculation, to the type that the function returns; nor where the value evidently is of the type already.
func castDropped(types ...string) applyFunc {
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		typ := strings.ToLower(strings.TrimSpace(f.Text(n.Child("type"))))
		value := n.Child("value")
		hit := false
		for _, t := range types {
			hit = hit || t == typ
		}
		if !hit || value == nil || evident(f, value) == castTypes[typ] && castTypes[typ] != "" || value.Is("null") {
			return nil
		}
		at := n
		for at.Parent.Is("parenthesized_expression") {
			at = at.Parent
		}
		switch p := at.Parent; {
		case value.Is("assignment_expression") && p.Is("expression_statement"), // nobody sees "(int) ($x = f())"
			convertedAnyway(f, at, value, castTypes[typ]),
			types[0] == "bool" && decides(f, at),
			types[0] == "int" && reckons(f, p) && !fraction(f, value),
			types[0] == "string" && p.Is("binary_expression") && operatorText(f, p) == ".",
			types[0] == "string" && p.Is("augmented_assignment_expression") && operatorText(f, p) == ".=",
			types[0] == "string" && p.Is("echo_statement", "print_intrinsic"):
			return nil
		}
		return keep(f, n, value)
	}
}

// reckons reports whether an expression makes numbers of its sides: by
// arithmetic, or by a comparison that is not strict.
func reckons(f *syntax.File, n *syntax.Node) bool {
	switch operatorText(f, n) {
	case "+", "-", "*", "/", "%", "**", "<", "<=", ">", ">=", "==", "!=", "<>", "<=>":
		return n.Is("binary_expression")
	}
	return false
}

// fraction reports whether an expression is a calculation whose result a cast
// to int may cut off.
func fraction(f *syntax.File, n *syntax.Node) bool {
	n = n.Unwrapped()
	return n.Is("binary_expression") && reckons(f, n)
}
