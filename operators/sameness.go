package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// equalityOps compare for equality.
var equalityOps = map[string]bool{"==": true, "!=": true, "<>": true, "===": true, "!==": true}

// Of the fault hierarchy's mutants for == (<=, >=, false) and != (<, >, true)
// only the constants are made: PHP compares anything for equality, and order
// means little between most of it. Source: Kaminski, Ammann, Offutt, "Better
// predicate testing", AST 2011. The negation is subsumed by the constant, but
// stays, because it is the slip that people make.
func init() {
	binary := []string{"binary_expression"}
	register(
		&mutate.Operator{
			ID: "sameness/outcome-reversed",
			Doc: `Equal becomes unequal and the other way round: == and !=, === and !== are swapped.

No test depends on the outcome of this comparison at all. Add one case in which the sides are equal and one in which they are not, and assert what differs.`,
			Input:   "Add one case in which the sides are equal and one in which they are not.",
			Outcome: "Assert what differs between a case in which the sides are equal and one in which they are not.",
			Before:  `return $port === $home;`, After: `return $port !== $home;`,
			Kinds: binary,
			Apply: swap(map[string]string{"==": "!=", "!=": "==", "<>": "==", "===": "!==", "!==": "==="}, nil),
		},
		&mutate.Operator{
			ID: "sameness/loosened",
			Doc: `The types no longer count: === becomes ==, and !== becomes !=.

No test has a value that is only loosely equal, such as 0, '', '0', null or false in place of each other. Add one with the value that must not be mistaken, for example a match at position 0 beside false.`,
			Input:   "Add a case with a value that is only loosely equal, such as 0, '', '0', null or false in place of each other.",
			Outcome: "Assert what becomes of a value that is only loosely equal.",
			Hint:    loosenedHint,
			Before:  `return $position === false;`, After: `return $position == false;`,
			Kinds: binary, Apply: swap(map[string]string{"===": "==", "!==": "!="}, typesMatter), Version: 1,
		},
		&mutate.Operator{
			ID: "sameness/never-equal",
			Doc: `The sides never count as equal: == and === become false, != and !== become true.

No test depends on what happens when both sides are equal. Add that case, and assert what happens then.`,
			Input:   "Add a case in which both sides are equal.",
			Outcome: "Assert what happens when both sides are equal.",
			Hint:    forcedHint,
			Before:  `return $cargo === null;`, After: `return false;`,
			Kinds: binary,
			Apply: constantFor(map[string]string{"==": "false", "===": "false", "!=": "true", "<>": "true", "!==": "true"}),
		},
		&mutate.Operator{
			ID: "sameness/always-equal",
			Doc: `The sides always count as equal: == and === become true, != and !== become false.

No test depends on what happens when the sides differ. Add that case, and assert what happens then.`,
			Input:   "Add a case in which the sides differ.",
			Outcome: "Assert what happens when the sides differ.",
			Hint:    forcedHint,
			Before:  `return $cargo === null;`, After: `return true;`,
			Kinds: binary, Wide: true,
			Apply: constantFor(map[string]string{"==": "true", "===": "true", "!=": "false", "<>": "false", "!==": "false"}),
		},
	)
}

// typesMatter leaves alone the comparisons that come out the same when the
// types do not count: anything with a word, integers with integers,
// booleans with booleans, floats with floats, texts of one byte, an array with [], an object or nothing with null. So
// do two texts, unless one is a number in quotes: '1e3' for '1000' is too
// far-fetched.
func typesMatter(f *syntax.File, n *syntax.Node) bool {
	left, right := n.Child("left"), n.Child("right")
	a, b := evident(f, left), evident(f, right)
	if isWord(f, left) || isWord(f, right) || comparesCases(f, left, right) {
		return false
	}
	if oneByte(f, left) && oneByte(f, right) {
		return false
	}
	if a == "" || b == "" {
		return true
	}
	switch {
	case a == "int" && b == "int", a == "bool" && b == "bool", a == "float" && b == "float":
		return false
	case a == "null":
		return !isObjectOrNull(b)
	case b == "null":
		return !isObjectOrNull(a)
	case a == "object|false" && b == "bool", a == "bool" && b == "object|false":
		return false
	case a == "int|false" && b == "int":
		return isLiteral(f, right, zeros...) || !right.Unwrapped().Is("integer")
	case a == "int" && b == "int|false":
		return isLiteral(f, left, zeros...) || !left.Unwrapped().Is("integer")
	case a == "string" && b == "string":
		return isNumeric(f, left) || isNumeric(f, right)
	case a == "array" && b == "array":
		return !isLiteral(f, left, "[]", "array()") && !isLiteral(f, right, "[]", "array()")
	}
	return true
}

// comparesCases reports whether an enum compares itself with one of its cases:
// of each case there is one object, so == and === are the same.
func comparesCases(f *syntax.File, left, right *syntax.Node) bool {
	if left.Up("enum_declaration") == nil {
		return false
	}
	own := func(n *syntax.Node) bool {
		text := f.Text(n)
		return strings.HasPrefix(text, "self::") || strings.HasPrefix(text, "static::")
	}
	return f.Text(left) == "$this" && own(right) || f.Text(right) == "$this" && own(left)
}

// isObjectOrNull reports whether a declared type is that of an object, null
// included: no object is loosely equal to null.
func isObjectOrNull(typ string) bool {
	for _, part := range strings.Split(strings.TrimPrefix(typ, "?"), "|") {
		if part = strings.Trim(part, " ()"); notObjects[part] {
			return false
		}
	}
	return true
}

// notObjects are the types of PHP's own, from the manual, that can hold other
// things than objects.
var notObjects = map[string]bool{
	"int": true, "float": true, "string": true, "bool": true, "false": true, "true": true, "array": true,
	"iterable": true, "callable": true, "mixed": true, "void": true, "never": true, "": true,
}

// isWord reports whether an expression is what nothing but itself is loosely
// equal to, true and objects with __toString aside: a text that is no number,
// X::class, an enum case. A constant of another class counts as one, as it is
// a text or an enum case far more often than a number.
func isWord(f *syntax.File, n *syntax.Node) bool {
	n = n.Unwrapped()
	if n.Is("class_constant_access_expression") {
		if !isOwn(f, n.NamedChildren()[0]) || evident(f, n) == "string" && ownConstant(f, n) == nil {
			return true
		}
		if n = ownConstant(f, n); n == nil {
			return false
		}
	}
	content := strings.Trim(f.Text(n), `'"`)
	return n.Is("string", "encapsed_string") && content != "" && !isNumeric(f, n) &&
		!strings.ContainsRune("${ ", rune(content[0]))
}

// isNumeric reports whether an expression is a literal text that begins like a
// number.
func isNumeric(f *syntax.File, n *syntax.Node) bool {
	n = n.Unwrapped()
	content := strings.TrimLeft(strings.Trim(f.Text(n), `'"`), " +-.")
	return n.Is("string", "encapsed_string") && content != "" && content[0] >= '0' && content[0] <= '9'
}
