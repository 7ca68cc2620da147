package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The flag family takes a constant of PHP's for one of its siblings.
func init() {
	register(&mutate.Operator{
		ID: "flag/sibling",
		Doc: `A constant of PHP's is replaced by a sibling: JSON_UNESCAPED_SLASHES by JSON_UNESCAPED_UNICODE, ENT_QUOTES by ENT_COMPAT, PHP_URL_PATH by PHP_URL_QUERY.

No test has an input for which the two constants differ. Find one in the manual of the function, and assert the exact result.`,
		Input:   "Add a case for which the two constants make a difference.",
		Outcome: "Assert the exact result.",
		Hint:    siblingHint,
		Before:  `return json_encode($row, JSON_UNESCAPED_SLASHES);`,
		After:   `return json_encode($row, JSON_UNESCAPED_UNICODE);`,
		Kinds:   []string{"name", "qualified_name", "class_constant_access_expression"},
		Apply:   siblingTaken,
	})
}

// A sibling is a constant that is taken for another one, and an input for which they differ.
type sibling struct{ name, shows string }

// siblings are those that people take for each other. From the manual of PHP; TestSiblings asks
// PHP whether they differ. Not among them is what comes to the same as to leave the constant
// out, which other families do: PREG_PATTERN_ORDER for PREG_SET_ORDER, COUNT_NORMAL for
// COUNT_RECURSIVE, ENT_HTML401 for ENT_HTML5, STR_PAD_RIGHT for STR_PAD_LEFT, and
// ARRAY_FILTER_USE_BOTH for ARRAY_FILTER_USE_KEY where the function has one parameter.
var siblings = map[string]sibling{
	"JSON_UNESCAPED_SLASHES":       {"JSON_UNESCAPED_UNICODE", "a text that has a '/' or an 'é', and not both"},
	"JSON_UNESCAPED_UNICODE":       {"JSON_UNESCAPED_SLASHES", "a text that has a '/' or an 'é', and not both"},
	"JSON_HEX_TAG":                 {"JSON_HEX_AMP", "a text that has a '<' or a '&', and not both"},
	"JSON_HEX_AMP":                 {"JSON_HEX_TAG", "a text that has a '<' or a '&', and not both"},
	"JSON_HEX_APOS":                {"JSON_HEX_QUOT", `a text that has one kind of quotes`},
	"JSON_HEX_QUOT":                {"JSON_HEX_APOS", `a text that has one kind of quotes`},
	"JSON_PRESERVE_ZERO_FRACTION":  {"JSON_NUMERIC_CHECK", "the number 1.0"},
	"JSON_NUMERIC_CHECK":           {"JSON_PRESERVE_ZERO_FRACTION", "the text '1'"},
	"JSON_INVALID_UTF8_IGNORE":     {"JSON_INVALID_UTF8_SUBSTITUTE", "a text that is not UTF-8"},
	"JSON_INVALID_UTF8_SUBSTITUTE": {"JSON_INVALID_UTF8_IGNORE", "a text that is not UTF-8"},
	"JSON_OBJECT_AS_ARRAY":         {"JSON_BIGINT_AS_STRING", "an object"},
	"JSON_BIGINT_AS_STRING":        {"JSON_OBJECT_AS_ARRAY", "a number of 20 digits"},

	"PREG_SPLIT_NO_EMPTY":       {"PREG_SPLIT_DELIM_CAPTURE", "a text in which two separators follow each other"},
	"PREG_SPLIT_DELIM_CAPTURE":  {"PREG_SPLIT_NO_EMPTY", "a text in which two separators follow each other"},
	"PREG_SPLIT_OFFSET_CAPTURE": {"PREG_SPLIT_DELIM_CAPTURE", "a text with a separator"},
	"PREG_OFFSET_CAPTURE":       {"PREG_UNMATCHED_AS_NULL", "a text that matches"},
	"PREG_UNMATCHED_AS_NULL":    {"PREG_OFFSET_CAPTURE", "a text that matches"},
	"PREG_PATTERN_ORDER":        {"PREG_SET_ORDER", "a text that matches twice"},

	"ENT_QUOTES":     {"ENT_COMPAT", `a text that has a "'"`},
	"ENT_COMPAT":     {"ENT_QUOTES", `a text that has a "'"`},
	"ENT_NOQUOTES":   {"ENT_COMPAT", `a text that has a '"'`},
	"ENT_SUBSTITUTE": {"ENT_IGNORE", "a text that is not UTF-8"},
	"ENT_IGNORE":     {"ENT_SUBSTITUTE", "a text that is not UTF-8"},
	"ENT_HTML401":    {"ENT_HTML5", `a text that has a "'"`},

	"FILTER_VALIDATE_INT":                {"FILTER_VALIDATE_FLOAT", "a fraction"},
	"FILTER_VALIDATE_FLOAT":              {"FILTER_VALIDATE_INT", "a fraction"},
	"FILTER_VALIDATE_URL":                {"FILTER_VALIDATE_DOMAIN", "a name of a host, without a scheme"},
	"FILTER_VALIDATE_DOMAIN":             {"FILTER_VALIDATE_URL", "a name of a host, without a scheme"},
	"FILTER_SANITIZE_NUMBER_INT":         {"FILTER_SANITIZE_NUMBER_FLOAT", "a text with an 'e' among digits, and the flag for it"},
	"FILTER_SANITIZE_SPECIAL_CHARS":      {"FILTER_SANITIZE_FULL_SPECIAL_CHARS", "a text that has a '<'"},
	"FILTER_SANITIZE_FULL_SPECIAL_CHARS": {"FILTER_SANITIZE_SPECIAL_CHARS", "a text that has a '<'"},
	"FILTER_FLAG_IPV4":                   {"FILTER_FLAG_IPV6", "an address of one of the two kinds"},
	"FILTER_FLAG_IPV6":                   {"FILTER_FLAG_IPV4", "an address of one of the two kinds"},
	"FILTER_FLAG_NO_PRIV_RANGE":          {"FILTER_FLAG_NO_RES_RANGE", "the address 10.0.0.1 or 127.0.0.1"},
	"FILTER_FLAG_NO_RES_RANGE":           {"FILTER_FLAG_NO_PRIV_RANGE", "the address 10.0.0.1 or 127.0.0.1"},
	"FILTER_FLAG_ALLOW_OCTAL":            {"FILTER_FLAG_ALLOW_HEX", "the text '0x1f' or '017'"},
	"FILTER_FLAG_ALLOW_HEX":              {"FILTER_FLAG_ALLOW_OCTAL", "the text '0x1f' or '017'"},
	"FILTER_FLAG_STRIP_LOW":              {"FILTER_FLAG_STRIP_HIGH", "a text that has a tab or an 'é', and not both"},
	"FILTER_FLAG_STRIP_HIGH":             {"FILTER_FLAG_STRIP_LOW", "a text that has a tab or an 'é', and not both"},
	"FILTER_REQUIRE_ARRAY":               {"FILTER_FORCE_ARRAY", "a value that is no array"},
	"FILTER_FORCE_ARRAY":                 {"FILTER_REQUIRE_ARRAY", "a value that is no array"},

	"SORT_REGULAR":        {"SORT_STRING", "the numbers 10 and 9"},
	"SORT_NUMERIC":        {"SORT_STRING", "the numbers 10 and 9"},
	"SORT_STRING":         {"SORT_NATURAL", "the texts 'a10' and 'a9'"},
	"SORT_NATURAL":        {"SORT_STRING", "the texts 'a10' and 'a9'"},
	"SORT_ASC":            {"SORT_DESC", "two values that differ"},
	"SORT_DESC":           {"SORT_ASC", "two values that differ"},
	"STR_PAD_LEFT":        {"STR_PAD_BOTH", "a text that is two characters shorter than the length"},
	"STR_PAD_RIGHT":       {"STR_PAD_LEFT", "a text that is shorter than the length"},
	"STR_PAD_BOTH":        {"STR_PAD_LEFT", "a text that is two characters shorter than the length"},
	"CASE_LOWER":          {"CASE_UPPER", "a key that has letters"},
	"CASE_UPPER":          {"CASE_LOWER", "a key that has letters"},
	"MB_CASE_UPPER":       {"MB_CASE_TITLE", "a word of two letters or more"},
	"MB_CASE_TITLE":       {"MB_CASE_UPPER", "a word of two letters or more"},
	"MB_CASE_LOWER":       {"MB_CASE_TITLE", "a word"},
	"PHP_ROUND_HALF_UP":   {"PHP_ROUND_HALF_DOWN", "a number that ends with a half"},
	"PHP_ROUND_HALF_DOWN": {"PHP_ROUND_HALF_UP", "a number that ends with a half"},
	"PHP_ROUND_HALF_EVEN": {"PHP_ROUND_HALF_UP", "the number 2.5"},
	"PHP_ROUND_HALF_ODD":  {"PHP_ROUND_HALF_EVEN", "a number that ends with a half"},

	"PATHINFO_DIRNAME":   {"PATHINFO_BASENAME", "a path with a folder"},
	"PATHINFO_BASENAME":  {"PATHINFO_FILENAME", "a file with an extension"},
	"PATHINFO_FILENAME":  {"PATHINFO_BASENAME", "a file with an extension"},
	"PATHINFO_EXTENSION": {"PATHINFO_FILENAME", "a file with an extension"},
	"PHP_URL_SCHEME":     {"PHP_URL_HOST", "a URL"},
	"PHP_URL_HOST":       {"PHP_URL_PATH", "a URL with a path"},
	"PHP_URL_PORT":       {"PHP_URL_HOST", "a URL"},
	"PHP_URL_USER":       {"PHP_URL_PASS", "a URL with a user"},
	"PHP_URL_PASS":       {"PHP_URL_USER", "a URL with a user"},
	"PHP_URL_PATH":       {"PHP_URL_QUERY", "a URL with a path and a query"},
	"PHP_URL_QUERY":      {"PHP_URL_FRAGMENT", "a URL with a query"},
	"PHP_URL_FRAGMENT":   {"PHP_URL_QUERY", "a URL with a query"},
	"PHP_QUERY_RFC1738":  {"PHP_QUERY_RFC3986", "a value with a blank"},
	"PHP_QUERY_RFC3986":  {"PHP_QUERY_RFC1738", "a value with a blank"},

	"FILE_IGNORE_NEW_LINES": {"FILE_SKIP_EMPTY_LINES", "a file of two lines"},
	"FILE_SKIP_EMPTY_LINES": {"FILE_IGNORE_NEW_LINES", "a file of two lines"},

	"DATE_ATOM":             {"DATE_ISO8601", "any date: the offset has a colon, or has none"},
	"DATE_RFC3339":          {"DATE_RFC3339_EXTENDED", "any date"},
	"DATE_RFC3339_EXTENDED": {"DATE_RFC3339", "any date"},
	"DATE_ISO8601":          {"DATE_ATOM", "any date: the offset has a colon, or has none"},
	"DATE_RFC822":           {"DATE_RFC2822", "any date: the year has two digits or four"},
	"DATE_RFC2822":          {"DATE_RFC822", "any date: the year has two digits or four"},
	"DATE_RFC7231":          {"DATE_RFC2822", "any date"},
}

// constantPlaces are where the value of a constant is taken.
var constantPlaces = []string{
	"argument", "binary_expression", "parenthesized_expression", "array_element_initializer", "assignment_expression",
	"augmented_assignment_expression", "conditional_expression", "return_statement", "arrow_function", "unary_op_expression",
	"match_conditional_expression", "match_default_expression", "const_element", "property_element", "simple_parameter",
	"property_promotion_parameter",
}

// siblingTaken leaves constants alone beside which the sibling stands already: that makes the
// same as to leave one of the two out.
func siblingTaken(f *syntax.File, n *syntax.Node) []mutate.Edit {
	name, span := constantAt(f, n)
	to := siblings[name].name
	if to == "" || !n.Parent.Is(constantPlaces...) || n.Parent.Is("const_element") && n.Prev() == nil {
		return nil
	}
	if call, _ := argumentIn(f, n); call == "array_unique" && to == "SORT_STRING" {
		return nil // the default, which call/option-dropped makes
	}
	top := n
	for top.Parent.Is("binary_expression", "parenthesized_expression", "unary_op_expression") {
		top = top.Parent
	}
	beside := false
	top.Walk(func(c *syntax.Node) bool {
		other, _ := constantAt(f, c)
		beside = beside || other == to
		return !beside
	})
	if beside {
		return nil
	}
	if n.Is("class_constant_access_expression") {
		to = strings.TrimPrefix(to, "DATE_")
	}
	return []mutate.Edit{{Span: span, New: to}}
}

// constantAt gives the name of the constant of PHP's that a node stands for, and where that is
// written. DateTimeInterface::ATOM is DATE_ATOM.
func constantAt(f *syntax.File, n *syntax.Node) (name string, span syntax.Span) {
	switch {
	case n.Is("name") && !n.Parent.Is("qualified_name", "class_constant_access_expression"):
		return f.Text(n), n.Span
	case n.Is("qualified_name") && strings.LastIndexByte(f.Text(n), '\\') == 0:
		return f.Text(n)[1:], syntax.Span{Start: n.Start + 1, End: n.End}
	case n.Is("class_constant_access_expression"):
		parts := n.NamedChildren()
		if len(parts) == 2 && strings.HasPrefix(lastName(f, parts[0]), "DateTime") {
			return "DATE_" + f.Text(parts[1]), parts[1].Span
		}
	}
	return "", syntax.Span{}
}

// siblingHint says for which input the two differ.
func siblingHint(f *syntax.File, n *syntax.Node, _ mutate.Edit) mutate.Hints {
	name, _ := constantAt(f, n)
	shows := siblings[name].shows
	if shows == "" {
		return mutate.Hints{}
	}
	return mutate.Hints{Input: "Add a case with " + shows + "."}
}
