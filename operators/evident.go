package operators

import (
	"strings"

	"assay/mutate/syntax"
)

// evident gives the type that an expression has beyond doubt, as PHP writes it
// ("int", "?array", "int|false"), or "". It reads literals, casts, operators,
// PHP's own functions and the declarations in reach; it follows no calls to
// other classes and no assignments, save for arrays.
func evident(f *syntax.File, n *syntax.Node) string {
	if n = n.Unwrapped(); n == nil {
		return ""
	}
	switch n.Kind {
	case "integer", "float", "boolean", "null":
		return map[string]string{"integer": "int", "float": "float", "boolean": "bool", "null": "null"}[n.Kind]
	case "string", "encapsed_string", "heredoc", "nowdoc":
		return "string"
	case "array_creation_expression":
		return "array"
	case "cast_expression":
		return castTypes[strings.ToLower(strings.TrimSpace(f.Text(n.Child("type"))))]
	case "unary_op_expression":
		return evidentUnary(f, n)
	case "binary_expression":
		return evidentBinary(f, n)
	case "function_call_expression":
		return functionType(builtin(f, n))
	case "class_constant_access_expression":
		return evidentConstant(f, n)
	case "variable_name":
		return evidentVariable(f, n)
	case "member_access_expression":
		if isThis(f, n.Child("object")) {
			return propertyType(f, n, f.Text(n.Child("name")))
		}
	case "scoped_property_access_expression":
		if isOwn(f, n.Child("scope")) {
			return propertyType(f, n, strings.TrimPrefix(f.Text(n.Child("name")), "$"))
		}
	case "member_call_expression":
		if isThis(f, n.Child("object")) {
			return methodType(f, n, f.Text(n.Child("name")))
		}
	case "scoped_call_expression":
		if isOwn(f, n.Child("scope")) {
			return methodType(f, n, f.Text(n.Child("name")))
		}
	}
	return ""
}

// isArray reports whether an expression is evidently an array, or null in
// place of one.
func isArray(f *syntax.File, n *syntax.Node) bool {
	if n = n.Unwrapped(); n == nil {
		return false
	}
	switch n.Kind {
	case "conditional_expression":
		return isArray(f, n.Child("alternative"))
	case "binary_expression":
		if operatorText(f, n) == "??" {
			return isArray(f, n.Child("left")) || isArray(f, n.Child("right"))
		}
	}
	t := evident(f, n)
	return t == "array" || t == "?array"
}

var castTypes = map[string]string{
	"int": "int", "integer": "int", "float": "float", "double": "float", "real": "float",
	"string": "string", "binary": "string", "bool": "bool", "boolean": "bool", "array": "array",
}

func evidentUnary(f *syntax.File, n *syntax.Node) string {
	if isNot(f, n) {
		return "bool"
	}
	if arg := argumentOf(n); arg.Is("integer", "float") && operatorText(f, n) != "~" {
		return evident(f, arg)
	}
	return ""
}

func evidentBinary(f *syntax.File, n *syntax.Node) string {
	switch op := operatorText(f, n); {
	case op == ".":
		return "string"
	case op == "%" || op == "<=>":
		return "int"
	case op == "+" && (isArray(f, n.Child("left")) || isArray(f, n.Child("right"))):
		return "array"
	case equalityOps[op], relationalOps[op], logicalOps[op], op == "xor", op == "instanceof":
		return "bool"
	}
	return ""
}

// evidentConstant knows X::class, and the array constants of the same class.
func evidentConstant(f *syntax.File, n *syntax.Node) string {
	parts := n.NamedChildren()
	if len(parts) != 2 {
		return ""
	}
	name := f.Text(parts[1])
	if strings.EqualFold(name, "class") {
		return "string"
	}
	body := classBody(f, n)
	if body == nil || !isOwn(f, parts[0]) {
		return ""
	}
	for _, decl := range body.Children {
		if !decl.Is("const_declaration") {
			continue
		}
		for _, el := range decl.Children {
			if v := el.NamedChildren(); el.Is("const_element") && len(v) == 2 && f.Text(v[0]) == name {
				if v[1].Is("array_creation_expression") {
					return "array"
				}
			}
		}
	}
	return ""
}

func isThis(f *syntax.File, n *syntax.Node) bool {
	return n.Is("variable_name") && f.Text(n) == "$this"
}

// isOwn reports whether a scope is self or static.
func isOwn(f *syntax.File, n *syntax.Node) bool {
	text := strings.ToLower(f.Text(n))
	return text == "self" || text == "static"
}

// classBody is the declaration list of the class around a node, or nil.
func classBody(f *syntax.File, n *syntax.Node) *syntax.Node {
	return f.Scope(n).ClassNode.Child("body")
}

// simpleType gives a declared type in lower case, "" for none.
func simpleType(f *syntax.File, n *syntax.Node) string {
	if n == nil {
		return ""
	}
	return strings.ToLower(f.Text(n))
}

// propertyType gives the declared type of a property of the class around a
// node, which PHP enforces; an array default will do where there is no type.
func propertyType(f *syntax.File, n *syntax.Node, name string) string {
	body := classBody(f, n)
	if body == nil {
		return ""
	}
	for _, decl := range body.Children {
		switch decl.Kind {
		case "property_declaration":
			for _, el := range decl.Children {
				if !el.Is("property_element") || f.Text(el.Child("name")) != "$"+name {
					continue
				}
				if t := decl.Child("type"); t != nil {
					return simpleType(f, t)
				}
				if el.Child("default_value").Is("array_creation_expression") {
					return "array"
				}
				return ""
			}
		case "method_declaration":
			if !strings.EqualFold(f.Text(decl.Child("name")), "__construct") {
				continue
			}
			for _, p := range decl.Child("parameters").NamedChildren() {
				if p.Is("property_promotion_parameter") && f.Text(p.Child("name")) == "$"+name {
					return simpleType(f, p.Child("type"))
				}
			}
		}
	}
	return ""
}

// methodType gives the declared return type of a method of the class around a
// node.
func methodType(f *syntax.File, n *syntax.Node, name string) string {
	body := classBody(f, n)
	if body == nil {
		return ""
	}
	for _, decl := range body.Children {
		if decl.Is("method_declaration") && strings.EqualFold(f.Text(decl.Child("name")), name) {
			return simpleType(f, decl.Child("return_type"))
		}
	}
	return ""
}

// evidentVariable knows parameters that are never assigned to, and local
// variables that are arrays because an array is assigned to them.
func evidentVariable(f *syntax.File, n *syntax.Node) string {
	name := f.Text(n)
	for fn := n.Up(functionKinds...); fn != nil; fn = fn.Up(functionKinds...) {
		declared := ""
		if params := fn.Child("parameters"); params != nil {
			for _, p := range params.NamedChildren() {
				if p.Is("simple_parameter", "property_promotion_parameter") && f.Text(p.Child("name")) == name {
					declared = simpleType(f, p.Child("type"))
				}
			}
		}
		assigned, array := assignments(f, fn, name)
		switch {
		case array:
			return "array"
		case assigned:
			return ""
		case declared != "" || !fn.Is("arrow_function"):
			return declared
		}
	}
	return ""
}

// assignments reports whether a function assigns to a variable, and whether it
// makes it an array: "$x = [...]" or "$x[] = ...".
func assignments(f *syntax.File, fn *syntax.Node, name string) (assigned, array bool) {
	fn.Walk(func(n *syntax.Node) bool {
		if n.Is("assignment_expression", "augmented_assignment_expression", "reference_assignment_expression") {
			left := n.Child("left")
			switch {
			case left.Is("variable_name") && f.Text(left) == name:
				assigned = true
				array = array || n.Child("right").Unwrapped().Is("array_creation_expression")
			case left.Is("subscript_expression") && len(left.NamedChildren()) == 1 && f.Text(left.NamedChildren()[0]) == name:
				array = true
			}
		}
		return true
	})
	return assigned, array
}

// functionType gives the type that a function of PHP's own returns, from the
// PHP manual.
func functionType(name string) string {
	if t, ok := functionTypes[name]; ok {
		return t
	}
	switch {
	case strings.HasPrefix(name, "is_"), strings.HasPrefix(name, "ctype_"):
		return "bool"
	case strings.HasPrefix(name, "array_") && !notArrays[name]:
		return "array"
	}
	return ""
}

var notArrays = map[string]bool{
	"array_all": true, "array_any": true, "array_find": true, "array_find_key": true, "array_first": true,
	"array_last": true, "array_is_list": true, "array_key_exists": true, "array_key_first": true,
	"array_key_last": true, "array_multisort": true, "array_pop": true, "array_product": true,
	"array_push": true, "array_rand": true, "array_reduce": true, "array_search": true, "array_shift": true,
	"array_sum": true, "array_unshift": true, "array_walk": true, "array_walk_recursive": true,
}

var functionTypes = func() map[string]string {
	out := map[string]string{}
	for t, names := range map[string]string{
		"int": `count sizeof strlen mb_strlen ord mb_ord time intdiv crc32 strcmp strcasecmp strncmp strncasecmp
			strnatcmp strnatcasecmp substr_count mb_substr_count levenshtein similar_text func_num_args
			array_push array_unshift random_int mt_rand rand`,
		"int|false": `strpos stripos strrpos strripos mb_strpos mb_stripos mb_strrpos preg_match preg_match_all
			strtotime file_put_contents fwrite filesize filemtime`,
		"string": `substr mb_substr trim ltrim rtrim strtolower strtoupper mb_strtolower mb_strtoupper ucfirst lcfirst
			ucwords implode join sprintf vsprintf number_format str_repeat str_pad strrev nl2br htmlspecialchars
			addslashes md5 sha1 bin2hex dirname basename gettype get_class get_debug_type php_sapi_name strtr date
			serialize chr`,
		"bool": `in_array array_key_exists key_exists str_contains str_starts_with str_ends_with file_exists
			method_exists property_exists class_exists interface_exists function_exists isset empty array_is_list
			checkdate`,
		"array": `range explode compact func_get_args get_object_vars iterator_to_array str_split mb_str_split
			get_class_methods get_class_vars`,
	} {
		for _, name := range strings.Fields(names) {
			out[name] = t
		}
	}
	return out
}()
