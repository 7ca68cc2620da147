package operators

import (
	"strings"

	"assay/mutate/syntax"
)

// certain gives the scalar type ("int", "float", "string", "bool") or "array" that an
// expression has whenever it has a value at all, or "". Unlike evident it trusts no
// variable that is assigned to, and no declaration that PHP does not enforce.
// Where it is said, a mutant that only another type could tell is no mutant.
func certain(f *syntax.File, n *syntax.Node) string {
	n = n.Unwrapped()
	switch n.Kind {
	case "integer", "float", "boolean", "string", "encapsed_string", "heredoc", "nowdoc", "array_creation_expression",
		"cast_expression", "unary_op_expression":
		return certainOf(evident(f, n))
	case "binary_expression":
		// PHP's numbers as objects (GMP) overload arithmetic, but not these.
		switch op := operatorText(f, n); {
		case op == ".":
			return "string"
		case op == "<=>":
			return "int"
		case equalityOps[op], relationalOps[op], logicalOps[op], op == "xor", op == "instanceof":
			return "bool"
		}
	case "function_call_expression":
		return certainFunctions[builtin(f, n)]
	case "class_constant_access_expression":
		if parts := n.NamedChildren(); len(parts) == 2 && !strings.EqualFold(f.Text(parts[0]), "static") {
			return certainOf(evidentConstant(f, n))
		}
	case "variable_name":
		return certainParameter(f, n)
	case "member_access_expression", "scoped_property_access_expression":
		// An array may be no more than the default of an untyped property.
		if typ := certainOf(evident(f, n)); typ != "array" {
			return typ
		}
	case "member_call_expression":
		if f.Text(n.Child("object")) == "$this" {
			return certainOf(evident(f, n))
		}
	case "scoped_call_expression":
		if isOwn(f, n.Child("scope")) {
			return certainOf(evident(f, n))
		}
	}
	return ""
}

func certainOf(typ string) string {
	switch typ {
	case "int", "float", "string", "bool", "array":
		return typ
	}
	return ""
}

// certainFunctions give the type whatever they are given, or throw; from the manual of
// PHP 8, and TestCertainFunctions asks PHP.
var certainFunctions = func() map[string]string {
	out := map[string]string{}
	for t, names := range map[string]string{
		"int":   "count sizeof strlen mb_strlen ord time crc32 strcmp strcasecmp substr_count mb_substr_count func_num_args intval",
		"float": "floatval doubleval",
		"string": `trim ltrim rtrim strtolower strtoupper ucfirst lcfirst ucwords implode join sprintf str_repeat strrev
			addslashes md5 sha1 bin2hex gettype get_class get_debug_type chr strval dirname basename substr mb_substr
			mb_strtolower mb_strtoupper str_pad strtr nl2br number_format htmlspecialchars preg_quote rawurlencode
			urlencode`,
		"bool": `isset empty in_array array_key_exists is_int is_integer is_long is_float is_double is_string is_bool
			is_array is_object is_null is_numeric is_scalar is_iterable is_countable is_callable is_resource
			str_contains str_starts_with str_ends_with boolval file_exists is_file is_dir method_exists
			property_exists class_exists interface_exists`,
		"array": "array_keys array_values array_merge array_unique array_reverse array_flip array_slice func_get_args explode str_split range",
	} {
		for _, name := range strings.Fields(names) {
			out[name] = t
		}
	}
	return out
}()

// certainParameter gives the declared type of a parameter that nothing but a call can
// give a value.
func certainParameter(f *syntax.File, n *syntax.Node) string {
	fn := n.Up(functionKinds...)
	if fn == nil || !steady(f, fn, f.Text(n)) {
		return ""
	}
	typ, _ := typer{f, 0}.parameter(fn, f.Text(n))
	return certainOf(typ)
}

type movedKey struct{ function *syntax.Node }

// steady reports whether a parameter keeps the value that the function was called with:
// all places that name it are known to read it, and there is no way to it besides its name.
func steady(f *syntax.File, fn *syntax.Node, name string) bool {
	u := usesIn(f, fn)
	if u.open || u.shared[name] {
		return false
	}
	moved := f.Memo(movedKey{fn}, func() any {
		moved := map[string]bool{}
		variables(f, fn, func(v *syntax.Node, name string) {
			if !justRead(f, v) {
				moved[name] = true
			}
		})
		return moved
	}).(map[string]bool)
	return !moved[name]
}

// justRead reports whether a variable, or an element of one, stands where PHP reads it
// or, as a parameter, where it is declared.
func justRead(f *syntax.File, v *syntax.Node) bool {
	switch p := v.Parent; p.Kind {
	case "binary_expression", "unary_op_expression", "parenthesized_expression", "cast_expression", "return_statement",
		"echo_statement", "conditional_expression", "encapsed_string", "heredoc_body", "simple_parameter",
		"property_promotion_parameter", "match_condition_list", "match_conditional_expression", "clone_expression",
		"member_access_expression", "member_call_expression", "nullsafe_member_access_expression",
		"nullsafe_member_call_expression", "throw_expression":
		return true
	case "assignment_expression", "augmented_assignment_expression":
		return v.Field == "right"
	case "subscript_expression":
		return v != p.NamedChildren()[0] || justRead(f, p)
	case "argument":
		name, at := argumentIn(f, v)
		_, known := certainFunctions[name]
		return known || at < 2 && byValue[name]
	}
	return false
}

// byValue are other functions that take their first two arguments by value; from the manual.
var byValue = wordSet(`array_search strpos stripos strrpos mb_strpos preg_match preg_match_all preg_split preg_replace
	str_replace json_encode`)

// alwaysTrue reports whether an expression is true as a condition whatever happens: PHP
// has no empty object but those of a few classes of extensions (see isTrueObject).
func alwaysTrue(f *syntax.File, n *syntax.Node) bool {
	n = n.Unwrapped()
	switch n.Kind {
	case "anonymous_function", "arrow_function":
		return true
	case "string", "encapsed_string", "heredoc", "nowdoc":
		return writesLetter(f, n)
	case "integer":
		x, ok := numberAt(f, n)
		return ok && x.value != 0
	case "boolean":
		return strings.EqualFold(f.Text(n), "true")
	case "array_creation_expression":
		for _, e := range elements(n) {
			if e.First("variadic_unpacking") == nil {
				return true
			}
		}
	case "class_constant_access_expression":
		parts := n.NamedChildren()
		return len(parts) == 2 && strings.EqualFold(f.Text(parts[1]), "class")
	case "binary_expression":
		return operatorText(f, n) == "." && (writesLetter(f, n.Child("left")) || writesLetter(f, n.Child("right")))
	case "clone_expression":
		inner := n.NamedChildren()
		return len(inner) == 1 && alwaysTrue(f, inner[0])
	case "variable_name":
		fn := n.Up(functionKinds...)
		return f.Text(n) == "$this" && fn.Is("method_declaration") && fn.First("static_modifier") == nil && ownIsPlain(f, n)
	case "object_creation_expression":
		if class := n.First("anonymous_class"); class != nil {
			return class.First("base_clause") == nil
		}
		class := n.First("name", "qualified_name")
		return class != nil && (isOwn(f, class) && ownIsPlain(f, n) || trueClasses[strings.ToLower(className(f, class))])
	}
	return false
}

// trueClasses are classes of PHP's own whose objects are never empty; from memory, and
// TestAlwaysTrue asks PHP.
var trueClasses = wordSet(`stdclass datetime datetimeimmutable datetimezone dateinterval arrayobject arrayiterator
	splobjectstorage splqueue splstack exception runtimeexception logicexception invalidargumentexception`)

func wordSet(words string) map[string]bool {
	out := map[string]bool{}
	for _, w := range strings.Fields(words) {
		out[w] = true
	}
	return out
}

// ownIsPlain reports whether the class around a node is a class without a parent, so that
// its objects are not what PHP takes for empty.
func ownIsPlain(f *syntax.File, n *syntax.Node) bool {
	class := f.Scope(n).ClassNode
	return class.Is("class_declaration", "enum_declaration", "anonymous_class") && class.First("base_clause") == nil
}

// writesLetter reports whether a text holds a letter that is written out, outside of escape
// sequences: it is neither ” nor '0'.
func writesLetter(f *syntax.File, n *syntax.Node) bool {
	n = n.Unwrapped()
	if !n.Is("string", "encapsed_string", "heredoc", "nowdoc") {
		return false
	}
	found := false
	n.Walk(func(c *syntax.Node) bool {
		if c.Is("string_content", "nowdoc_string") {
			found = found || strings.ContainsFunc(f.Text(c), func(r rune) bool { return r|0x20 >= 'a' && r|0x20 <= 'z' })
		}
		return !found && (c == n || c.Is("heredoc_body", "nowdoc_body"))
	})
	return found
}

// neverNull reports whether an expression, where it has a value, has another than null,
// and is not asked for a variable or property that may be missing.
func neverNull(f *syntax.File, n *syntax.Node) bool {
	n = n.Unwrapped()
	if n.Is("member_access_expression", "scoped_property_access_expression") {
		return false // "??" hides that a property has no value yet
	}
	return n.Is("object_creation_expression", "clone_expression") || alwaysTrue(f, n) || certain(f, n) != ""
}

// trueOrNull reports whether null is the only value of an expression that counts as
// empty: it is an object else, by a declaration that PHP enforces.
func trueOrNull(f *syntax.File, n *syntax.Node) bool {
	if n = n.Unwrapped(); alwaysTrue(f, n) {
		return true
	}
	switch n.Kind {
	case "variable_name":
		fn := n.Up(functionKinds...)
		if fn == nil || !steady(f, fn, f.Text(n)) {
			return false
		}
		typ, ok := typer{f, 0}.parameter(fn, f.Text(n))
		return ok && isTrueObject(typ)
	case "member_access_expression":
		return f.Text(n.Child("object")) == "$this" && hasValue(f, n) && isTrueObject(evident(f, n))
	case "member_call_expression":
		return f.Text(n.Child("object")) == "$this" && isTrueObject(evident(f, n))
	case "scoped_call_expression":
		return isOwn(f, n.Child("scope")) && isTrueObject(evident(f, n))
	}
	return false
}

// isTrueObject reports whether a declared type is that of objects, or null, of which PHP
// takes none for empty: SimpleXMLElement, GMP and BcMath\Number have such, so names that
// one of them may hide behind do not count.
func isTrueObject(typ string) bool {
	if !isObjectOrNull(typ) {
		return false
	}
	for _, part := range strings.Split(strings.TrimPrefix(typ, "?"), "|") {
		part = strings.Trim(part, " ()")
		name := part[strings.LastIndexByte(part, '\\')+1:]
		if maybeEmpty[name] || strings.Contains(name, "xml") || strings.ContainsAny(part, "&") {
			return false
		}
	}
	return true
}

// maybeEmpty are what an object of a class may be that PHP takes for empty: those classes,
// the interfaces that they implement, and words that may stand for a class of one's own
// that extends them. (Such a class by its name is not thought of: it is named for XML.)
var maybeEmpty = wordSet(`gmp number object traversable iterator recursiveiterator countable stringable arrayaccess
	iteratoraggregate outeriterator seekableiterator self static parent`)

// hasValue reports whether a property of the class around has a value from the beginning,
// and is nowhere in that class unset.
func hasValue(f *syntax.File, n *syntax.Node) bool {
	body, name := classBody(f, n), f.Text(n.Child("name"))
	if body == nil {
		return false
	}
	there := false
	for _, decl := range body.Children {
		for _, el := range decl.Children {
			there = there || el.Is("property_element") && f.Text(el.Child("name")) == "$"+name && el.Child("default_value") != nil
		}
	}
	return there && !f.Memo(unsetKey{body}, func() any {
		unset := map[string]bool{}
		body.Walk(func(n *syntax.Node) bool {
			if n.Is("member_access_expression") && n.Parent.Is("unset_statement") {
				unset[f.Text(n.Child("name"))] = true
			}
			return true
		})
		return unset
	}).(map[string]bool)[name]
}

type unsetKey struct{ class *syntax.Node }
