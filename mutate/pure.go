package mutate

import (
	"strings"

	"assay/mutate/syntax"
)

// isPure reports whether to evaluate a node has no effect but its value. What objects do when
// PHP asks them for properties, elements or texts is not known here; see Points.Observe.
func (p *placer) isPure(n *syntax.Node) bool {
	pure, known := p.pure[n]
	if known {
		return pure
	}
	pure = true
	defer func() { p.pure[n] = pure }()
	n.Walk(func(c *syntax.Node) bool {
		switch {
		case !pure:
		case c != n && p.isKnownPure(c):
			return false
		case c.Bad:
			pure = false
		case !c.Named || c.Kind == "comment":
		case c.Is("function_call_expression"):
			pure = p.isPureCall(c)
		case c.Is("scoped_call_expression"): // written by us
			pure = strings.HasPrefix(p.file.Text(c), observerClass)
		case c.Is("name", "qualified_name"):
			pure = !isMagic(p.file.Text(c))
		default:
			pure = composite[c.Kind] || plain[c.Kind] || between[c.Kind]
		}
		return pure
	})
	return pure
}

func (p *placer) isKnownPure(n *syntax.Node) bool {
	pure, known := p.pure[n]
	return known && pure
}

func (p *placer) isPureCall(n *syntax.Node) bool {
	name := n.Child("function")
	if !name.Is("name", "qualified_name") || !pureFunctions[strings.ToLower(strings.TrimPrefix(p.file.Text(name), `\`))] {
		return false
	}
	arguments := n.First("arguments").NamedChildren()
	if strict := strictWith[strings.ToLower(strings.TrimPrefix(p.file.Text(name), `\`))]; strict > 0 && len(arguments) >= min(strict, 2) &&
		(len(arguments) != strict || !strings.EqualFold(p.file.Text(arguments[strict-1]), "true")) {
		return false
	}
	for _, a := range arguments {
		if a.First("variadic_unpacking", "variadic_placeholder", "reference_modifier") != nil || a.Is("variadic_placeholder", "variadic_unpacking") {
			return false
		}
	}
	return true
}

// pureFunctions are functions of PHP that take no references and call nothing back, whose
// value comes of their arguments alone, and is not much larger than these. From the manual
// of PHP.
var pureFunctions = words(`isset empty count sizeof strlen is_null is_bool is_int is_integer is_long is_float is_double is_string is_array
	is_object is_numeric is_scalar is_iterable is_countable is_resource is_nan is_finite is_infinite boolval intval floatval doubleval strval
	gettype get_debug_type get_class is_a in_array array_search array_key_exists key_exists array_keys array_values array_merge array_replace
	array_slice array_reverse array_flip array_unique array_combine array_diff array_diff_key array_diff_assoc array_intersect
	array_intersect_key array_intersect_assoc array_sum array_product array_key_first array_key_last array_is_list array_column
	array_chunk array_change_key_case array_count_values
	substr substr_count strpos stripos strrpos strripos strstr stristr strrchr str_contains str_starts_with str_ends_with strcmp strncmp
	strcasecmp strncasecmp strnatcmp strnatcasecmp substr_compare trim ltrim rtrim chop ucfirst lcfirst ucwords strtolower strtoupper strrev
	str_split explode implode join nl2br addslashes stripslashes strtr substr_replace wordwrap ctype_alnum ctype_alpha ctype_cntrl
	ctype_digit ctype_graph ctype_lower ctype_print ctype_punct ctype_space ctype_upper ctype_xdigit
	strspn strcspn strpbrk ord chr dechex hexdec bindec decbin octdec decoct bin2hex md5 sha1 crc32 hash base64_encode base64_decode
	urlencode rawurlencode urldecode rawurldecode htmlspecialchars htmlentities html_entity_decode htmlspecialchars_decode strip_tags
	addcslashes stripcslashes quotemeta preg_quote sprintf vsprintf number_format levenshtein soundex metaphone
	abs floor ceil round intdiv fmod sqrt exp log log10 log2 sin cos tan asin acos atan atan2 pi hypot deg2rad rad2deg
	mb_strlen mb_substr mb_strpos mb_strrpos mb_stripos mb_strtolower mb_strtoupper mb_substr_count mb_strwidth
	dirname basename pathinfo version_compare checkdate array_fill_keys spl_object_id spl_object_hash`)

// strictWith has the functions that compare loosely, and look into objects and arrays however
// deep they are, unless an argument says that they are not to: its number.
var strictWith = map[string]int{"in_array": 3, "array_search": 3, "array_keys": 3}
