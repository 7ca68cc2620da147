package operators

import (
	"strings"

	"assay/mutate/syntax"
)

// evident gives the type that an expression has beyond doubt, as PHP writes it
// ("int", "?array", "int|false"), or "". It reads literals, casts, operators,
// PHP's own functions, the declarations in reach, and variables that are
// assigned to once; it knows nothing of other classes.
func evident(f *syntax.File, n *syntax.Node) string { return typer{f, 0}.of(n) }

// isArray reports whether an expression is evidently an array, or null in
// place of one.
func isArray(f *syntax.File, n *syntax.Node) bool { return typer{f, 0}.isArray(n) }

// A typer finds evident types; depth counts the variables it has gone through.
type typer struct {
	f     *syntax.File
	depth int
}

// maxDepth ends the search in "$a = $b; $b = $a".
const maxDepth = 3

func (t typer) of(n *syntax.Node) string {
	if n = n.Unwrapped(); n == nil || t.depth > maxDepth {
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
		return castTypes[strings.ToLower(strings.TrimSpace(t.f.Text(n.Child("type"))))]
	case "unary_op_expression":
		return t.unary(n)
	case "binary_expression":
		return t.binary(n)
	case "assignment_expression":
		return t.of(n.Child("right"))
	case "function_call_expression":
		return functionType(builtin(t.f, n))
	case "class_constant_access_expression":
		return evidentConstant(t.f, n)
	case "variable_name":
		return t.variable(n)
	case "member_access_expression":
		if t.isOwnObject(n.Child("object")) {
			return propertyType(t.f, n, t.f.Text(n.Child("name")))
		}
	case "scoped_property_access_expression":
		if isOwn(t.f, n.Child("scope")) {
			return propertyType(t.f, n, strings.TrimPrefix(t.f.Text(n.Child("name")), "$"))
		}
	case "member_call_expression":
		if t.isOwnObject(n.Child("object")) {
			return methodType(t.f, n, t.f.Text(n.Child("name")))
		}
	case "scoped_call_expression":
		name := t.f.Text(n.Child("name"))
		if isOwn(t.f, n.Child("scope")) {
			return methodType(t.f, n, name)
		}
		if strings.EqualFold(name, "createFromFormat") && strings.HasPrefix(lastName(t.f, n.Child("scope")), "Date") {
			return "object|false"
		}
	}
	return ""
}

func (t typer) isArray(n *syntax.Node) bool {
	if n = n.Unwrapped(); n == nil {
		return false
	}
	switch n.Kind {
	case "conditional_expression":
		return t.isArray(n.Child("alternative"))
	case "binary_expression":
		if operatorText(t.f, n) == "??" {
			return t.isArray(n.Child("left")) || t.isArray(n.Child("right"))
		}
	}
	typ := t.of(n)
	return typ == "array" || typ == "?array"
}

var castTypes = map[string]string{
	"int": "int", "integer": "int", "float": "float", "double": "float", "real": "float",
	"string": "string", "binary": "string", "bool": "bool", "boolean": "bool", "array": "array",
}

func (t typer) unary(n *syntax.Node) string {
	if isNot(t.f, n) {
		return "bool"
	}
	if arg := argumentOf(n); arg.Is("integer", "float") && operatorText(t.f, n) != "~" {
		return t.of(arg)
	}
	return ""
}

func (t typer) binary(n *syntax.Node) string {
	switch op := operatorText(t.f, n); {
	case op == ".":
		return "string"
	case op == "%" || op == "<=>":
		return "int"
	case op == "+" && (t.isArray(n.Child("left")) || t.isArray(n.Child("right"))):
		return "array"
	case equalityOps[op], relationalOps[op], logicalOps[op], op == "xor", op == "instanceof":
		return "bool"
	}
	return ""
}

// variable knows parameters that are never written to, local variables that
// are assigned to once, and those that are arrays because an array is assigned
// to them.
func (t typer) variable(n *syntax.Node) string {
	name := t.f.Text(n)
	for fn := n.Up(functionKinds...); fn != nil; fn = fn.Up(functionKinds...) {
		declared, isParameter := t.parameter(fn, name)
		w := t.writes(fn, name)
		switch {
		case w.array:
			return "array"
		case w.other || len(w.values) > 1 || isParameter && len(w.values) > 0:
			return ""
		case w.sum && declared != "array": // an array stays one, an int may not
			return ""
		case len(w.values) == 1:
			return typer{t.f, t.depth + 1}.of(w.values[0])
		case isParameter || !fn.Is("arrow_function"):
			return declared
		}
	}
	return ""
}

func (t typer) parameter(fn *syntax.Node, name string) (typ string, ok bool) {
	if fn.Child("parameters") == nil {
		return "", false
	}
	for _, p := range fn.Child("parameters").NamedChildren() {
		if t.f.Text(p.Child("name")) != name {
			continue
		}
		switch p.Kind {
		case "variadic_parameter":
			return "array", true
		case "simple_parameter", "property_promotion_parameter":
			typ := simpleType(t.f, p.Child("type"))
			if typ != "" && p.Child("default_value").Is("null") && !strings.Contains(typ, "null") && typ[0] != '?' {
				typ = "?" + typ
			}
			return typ, true
		}
	}
	return "", false
}

// written says how a function writes to a variable.
type written struct {
	values []*syntax.Node // what is assigned with a plain "="
	array  bool           // an array is among it, or "$x[] = ..."
	sum    bool           // "$x += ..."
	other  bool           // by reference, by foreach, list(), .= and the like
}

func (t typer) writes(fn *syntax.Node, name string) written {
	return t.f.Memo(writesKey{fn}, func() any { return t.allWrites(fn) }).(map[string]written)[name]
}

type writesKey struct{ function *syntax.Node }

// allWrites finds what is written to each variable of a function, by name.
func (t typer) allWrites(fn *syntax.Node) map[string]written {
	all := map[string]written{}
	fn.Walk(func(n *syntax.Node) bool {
		if !n.Is("variable_name") || n.Parent == nil {
			return true
		}
		name := t.f.Text(n)
		w := all[name]
		defer func() { all[name] = w }()
		switch p := n.Parent; p.Kind {
		case "assignment_expression":
			if n.Field == "left" {
				w.values = append(w.values, p.Child("right"))
				w.array = w.array || p.Child("right").Unwrapped().Is("array_creation_expression")
			}
		case "subscript_expression":
			if len(p.NamedChildren()) == 1 && p.Field == "left" && p.Parent.Is("assignment_expression") {
				w.array = true
			}
		case "augmented_assignment_expression":
			sum := operatorText(t.f, p) == "+="
			w.sum = w.sum || sum && n.Field == "left"
			w.other = w.other || !sum && n.Field == "left"
		case "foreach_statement":
			w.other = w.other || n.Index > 2 // not what is gone through
		case "reference_assignment_expression", "update_expression", "by_ref", "list_literal", "pair", "catch_clause",
			"global_declaration", "static_variable_declaration":
			w.other = true
		}
		return true
	})
	return all
}

// isOwnObject reports whether an expression is an object of the class around
// it: $this, or a parameter declared as self or by the class's name.
func (t typer) isOwnObject(n *syntax.Node) bool {
	if !n.Is("variable_name") {
		return false
	}
	if t.f.Text(n) == "$this" {
		return true
	}
	switch typ := strings.TrimPrefix(t.variable(n), "?"); typ {
	case "":
		return false
	case "self", "static":
		return true
	default:
		class := strings.ToLower(t.f.Scope(n).Class)
		return typ == class[strings.LastIndexByte(class, '\\')+1:] || typ == `\`+class
	}
}

// evidentConstant knows X::class, and constants of the same class whose value
// is a literal.
func evidentConstant(f *syntax.File, n *syntax.Node) string {
	if parts := n.NamedChildren(); len(parts) == 2 && strings.EqualFold(f.Text(parts[1]), "class") {
		return "string"
	}
	value := ownConstant(f, n)
	if value.Is("array_creation_expression", "string", "integer", "float", "boolean", "null") {
		return evident(f, value)
	}
	return ""
}

// ownConstant gives the value of self::X or static::X where the class around it
// declares X, or nil.
func ownConstant(f *syntax.File, n *syntax.Node) *syntax.Node {
	parts, body := n.NamedChildren(), classBody(f, n)
	if len(parts) != 2 || body == nil || !isOwn(f, parts[0]) {
		return nil
	}
	name := f.Text(parts[1])
	for _, decl := range body.Children {
		if !decl.Is("const_declaration") {
			continue
		}
		for _, el := range decl.Children {
			if v := el.NamedChildren(); el.Is("const_element") && len(v) == 2 && f.Text(v[0]) == name {
				return v[1]
			}
		}
	}
	return nil
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
	return f.Memo(propertiesKey{body}, func() any { return propertyTypes(f, body) }).(map[string]string)["$"+name]
}

type propertiesKey struct{ class *syntax.Node }

// propertyTypes gives the types of all properties that the body of a class declares, by
// name with "$"; of two with a name it is the first that counts.
func propertyTypes(f *syntax.File, body *syntax.Node) map[string]string {
	types := map[string]string{}
	put := func(name *syntax.Node, typ string) {
		if _, there := types[f.Text(name)]; !there {
			types[f.Text(name)] = typ
		}
	}
	for _, decl := range body.Children {
		switch decl.Kind {
		case "property_declaration":
			for _, el := range decl.Children {
				switch t := decl.Child("type"); {
				case !el.Is("property_element"):
				case t != nil:
					put(el.Child("name"), simpleType(f, t))
				case el.Child("default_value").Is("array_creation_expression"):
					put(el.Child("name"), "array")
				default:
					put(el.Child("name"), "")
				}
			}
		case "method_declaration":
			if !strings.EqualFold(f.Text(decl.Child("name")), "__construct") {
				continue
			}
			for _, p := range decl.Child("parameters").NamedChildren() {
				if p.Is("property_promotion_parameter") {
					put(p.Child("name"), simpleType(f, p.Child("type")))
				}
			}
		}
	}
	return types
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
		// Neither an object nor a resource is ever loosely equal to false.
		"object|false": `fopen opendir popen proc_open tmpfile gzopen curl_init date_create date_create_immutable
			stream_socket_client stream_socket_server fsockopen realpath getcwd tempnam`,
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
