package operators

import (
	"strings"

	"assay/mutate/syntax"
)

// What follows are questions about steps that change nothing, by which an operator knows
// that its mutant would do the same as the original. TestNeutral asks PHP about each.

// idempotent are functions that change nothing when they are called again with the same
// other arguments.
var idempotent = wordSet(`trim ltrim rtrim chop strtolower strtoupper ucfirst lcfirst ucwords abs floor ceil intval
	floatval doubleval boolval strval array_values array_change_key_case str_pad mb_scrub`)

// absorbed are functions, by the one around them, of which nothing is left behind that one,
// if they are given the same other arguments or none.
var absorbed = map[string]map[string]bool{
	"trim":       wordSet("ltrim rtrim chop"),
	"strtolower": wordSet("ucfirst lcfirst strtoupper"),
	"strtoupper": wordSet("ucfirst lcfirst strtolower"),
	"ucfirst":    wordSet("lcfirst"),
	"lcfirst":    wordSet("ucfirst"),
}

// lists give arrays with the keys 0, 1, 2 and so on; array_values() leaves them as they are.
var lists = wordSet("array_values array_keys explode str_split range func_get_args")

// doneTwice reports whether a call may be replaced by the value that it is given because
// that value, or the call around it, has done the same already: trim(trim($x)).
func doneTwice(f *syntax.File, call *syntax.Node, value *syntax.Node) bool {
	name := builtin(f, call)
	inner := value.Unwrapped()
	typ := certain(f, inner)
	switch {
	case idempotent[name] && builtin(f, inner) == name && sameOptions(f, call, inner):
		return true
	case name == "array_values" && lists[builtin(f, inner)]:
		return true
	case name == "abs" && typ == "int" && neverNegative(f, inner):
		return true
	case typ != "" && typ == castFunctions[name]:
		return true
	}
	return undone(f, call, name)
}

// undone reports whether a call is an argument of one that leaves nothing of what it does,
// by its own name or by another one.
func undone(f *syntax.File, call *syntax.Node, name string) bool {
	outer := call.Parent
	for outer.Is("parenthesized_expression") {
		outer = outer.Parent
	}
	if !outer.Is("argument") || !outer.Parent.Is("arguments") || outer.Parent.NamedChildren()[0] != outer {
		return false
	}
	around := outer.Parent.Parent
	by := builtin(f, around)
	return (idempotent[name] && by == name || absorbed[by][name]) && sameOptions(f, around, call)
}

// castFunctions do what a cast does.
var castFunctions = map[string]string{
	"intval": "int", "floatval": "float", "doubleval": "float", "boolval": "bool", "strval": "string",
}

// sameOptions reports whether two calls have the same arguments behind the first one, and
// only such as have the same value each time.
func sameOptions(f *syntax.File, a, b *syntax.Node) bool {
	first, ok := plainArgs(a)
	second, also := plainArgs(b)
	if !ok || !also || len(first) != len(second) || len(first) == 0 {
		return false
	}
	for i := 1; i < len(first); i++ {
		if f.Text(first[i]) != f.Text(second[i]) || !fixed(f, argValue(first[i])) {
			return false
		}
	}
	return true
}

// fixed reports whether an expression is a literal without variables, or a constant.
func fixed(f *syntax.File, n *syntax.Node) bool {
	n = n.Unwrapped()
	switch n.Kind {
	case "integer", "float", "boolean", "null", "string", "nowdoc", "name", "qualified_name":
		return true
	case "encapsed_string", "heredoc":
		plain := true
		n.Walk(func(c *syntax.Node) bool {
			plain = plain && (!c.Named || c.Is("encapsed_string", "heredoc", "heredoc_body", "string_content", "escape_sequence",
				"heredoc_start", "heredoc_end"))
			return plain
		})
		return plain
	case "unary_op_expression":
		return operatorText(f, n) != "~" && argumentOf(n).Is("integer", "float")
	case "array_creation_expression":
		for _, e := range elements(n) {
			for _, v := range e.NamedChildren() {
				if !fixed(f, v) {
					return false
				}
			}
		}
		return true
	}
	return false
}

// neverNegative reports whether an expression counts something. (false, which
// preg_match() gives for an error, compares with 0 as 0 does.)
func neverNegative(f *syntax.File, n *syntax.Node) bool {
	return counts[builtin(f, n.Unwrapped())]
}

var counts = wordSet(`count sizeof strlen mb_strlen substr_count mb_substr_count func_num_args preg_match
	preg_match_all ord`)

// sameAtZero reports whether a comparison by order is one for equality as it stands,
// since one side is 0 and the other never negative: count($x) > 0 and count($x) != 0.
func sameAtZero(f *syntax.File, n *syntax.Node) bool {
	left, right := n.Child("left"), n.Child("right")
	switch operatorText(f, n) {
	case ">", "<=":
		return neverNegative(f, left) && isLiteral(f, right, "0")
	case "<", ">=":
		return neverNegative(f, right) && isLiteral(f, left, "0")
	}
	return false
}

// neutral reports whether an assignment such as "+= 0" or ".= ”" leaves the value as it
// was: it must be of the type that the operator makes anyway, or "+= 0" would make 0 of
// null, and 5 of '5'. A float is not meant, for -0.0 + 0 is 0.0.
func neutral(f *syntax.File, n *syntax.Node) bool {
	if !n.Is("augmented_assignment_expression") {
		return false
	}
	left, right := n.Child("left"), n.Child("right")
	switch operatorText(f, n) {
	case "+=", "-=", "|=", "^=", "<<=", ">>=":
		return isLiteral(f, right, "0") && certain(f, left) == "int"
	case "*=":
		return isLiteral(f, right, "1") && certain(f, left) == "int"
	case ".=":
		return isLiteral(f, right, nothing...) && certain(f, left) == "string"
	}
	return false
}

// convertedAnyway reports whether PHP makes the same of a value that is returned as the
// cast does: the function declares the type of the cast, is in a file without strict
// types, and the value is of a type for which conversion and cast agree. From int to
// float PHP converts under strict types as well. The rest differs: '12abc' is 12 for
// (int) and an error for ": int", as is null, and 1.5 is deprecated.
func convertedAnyway(f *syntax.File, at, value *syntax.Node, to string) bool {
	fn := at.Up(functionKinds...)
	returns := at.Parent.Is("return_statement") || at.Parent.Is("arrow_function") && at.Field == "body"
	if fn == nil || !returns || fn.Is("property_hook") || fn.First("reference_modifier") != nil || len(yields(fn)) > 0 {
		return false
	}
	typ := strings.TrimPrefix(simpleType(f, fn.Child("return_type")), "?")
	from := certain(f, value)
	if typ != to || fn.Child("return_type") == nil {
		return false
	}
	if isStrict(f) {
		return from == "int" && to == "float"
	}
	switch to {
	case "int":
		return from == "bool"
	case "float":
		return from == "int" || from == "bool"
	case "string":
		return from == "int" || from == "float" || from == "bool"
	case "bool":
		return from == "int" || from == "float" || from == "string"
	}
	return false
}

type strictKey struct{}

// isStrict reports whether a file declares strict types, on or off.
func isStrict(f *syntax.File) bool {
	return f.Memo(strictKey{}, func() any {
		strict := false
		for _, n := range f.Root.Children {
			if n.Is("declare_statement") {
				strict = strict || strings.Contains(strings.ToLower(f.Text(n)), "strict_types")
			}
		}
		return strict
	}).(bool)
}

// oneByte reports whether an expression is a text of at most one byte or character: of
// such texts two are loosely equal only when they are the same, digits too.
func oneByte(f *syntax.File, n *syntax.Node) bool {
	n = n.Unwrapped()
	switch n.Kind {
	case "string", "encapsed_string":
		return len(f.Text(n)) == 3
	case "function_call_expression":
		name, args, ok := callTo(f, n, 1)
		return ok && (name == "chr" || (name == "substr" || name == "mb_substr") && len(args) == 3 && isLiteral(f, argValue(args[2]), "1"))
	case "subscript_expression":
		parts := n.NamedChildren()
		return len(parts) == 2 && certain(f, parts[0]) == "string"
	}
	return false
}

// strictIsLoose reports whether in_array() and array_search() find the same without their
// flag: a text among texts that are no numbers, an integer among integers.
func strictIsLoose(f *syntax.File, needle, list *syntax.Node) bool {
	if list = list.Unwrapped(); list.Is("class_constant_access_expression") {
		if strings.EqualFold(f.Text(list.NamedChildren()[0]), "static") {
			return false
		}
		list = ownConstant(f, list)
	}
	if !list.Is("array_creation_expression") {
		return false
	}
	typ, bytes := certain(f, needle), oneByte(f, needle)
	for _, e := range elements(list) {
		parts := e.NamedChildren()
		if len(parts) == 0 || e.First("variadic_unpacking", "by_ref") != nil {
			return false
		}
		v := parts[len(parts)-1].Unwrapped()
		switch {
		case bytes && oneByte(f, v):
		case typ == "string" && fixed(f, v) && isWord(f, v) && !strings.ContainsRune(" \t\n\r\v\f\\", rune(f.Text(v)[1])):
		case typ == "string" && v.Is("class_constant_access_expression") && alwaysTrue(f, v): // X::class
		case typ == "int" && certain(f, v) == "int":
		default:
			return false
		}
	}
	return true
}
