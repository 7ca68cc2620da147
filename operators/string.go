package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	kinds := []string{"string", "encapsed_string"}
	register(
		&mutate.Operator{
			ID: "string/emptied",
			Doc: `A string becomes empty.

No test depends on this string. Assert the whole result in which it appears, with assertSame rather than a check for one part of it.`,
			Input:   "Add a case in which this string makes a difference.",
			Outcome: "Assert the whole result in which the string appears, with assertSame rather than a check for one part of it.",
			Hint:    textHint,
			Before:  `$label = 'Pier 4';`, After: `$label = '';`,
			Kinds: kinds, Apply: emptyString,
		},
		&mutate.Operator{
			ID: "string/filled",
			Doc: `An empty string becomes 'not empty'.

No test depends on whether this string is empty. Assert the whole result in which it appears, or the case that relies on there being nothing.`,
			Input:   "Add a case in which it makes a difference that the string is empty.",
			Outcome: "Assert the whole result in which the string is used, with assertSame rather than a check for one part of it.",
			Before:  `$label = '';`, After: `$label = 'not empty';`,
			Kinds: kinds, Apply: fillString,
		},
	)
}

// namingArguments are functions whose texts name things of the program or a
// format without which they only fail: another text tests PHP, not the code.
var namingArguments = map[string]bool{
	"define": true, "defined": true, "constant": true, "class_exists": true, "interface_exists": true,
	"enum_exists": true, "trait_exists": true, "function_exists": true, "method_exists": true,
	"property_exists": true, "is_a": true, "is_subclass_of": true, "is_callable": true, "class_alias": true,
	"ini_get": true, "ini_set": true, "extension_loaded": true, "version_compare": true, "getenv": true,
	"call_user_func": true, "call_user_func_array": true, "array_map": true, "array_filter": true,
	"usort": true, "uasort": true, "uksort": true, "array_walk": true, "spl_autoload_register": true,
	"compact": true, "extract": true, "explode": true, "hash": true, "iconv": true, "setlocale": true,
	"mb_convert_encoding": true, "mb_internal_encoding": true, "mb_strlen": true, "mb_substr": true,
	"mb_strtolower": true, "mb_strtoupper": true, "fopen": true, "header": true, "pack": true, "unpack": true,
	"stream_wrapper_register": true, "date_default_timezone_set": true,
}

// idleWhenEmpty gives the place of the argument without which a function
// changes nothing, which the family call drops, or only fails.
var idleWhenEmpty = map[string]int{
	"trim": 1, "ltrim": 1, "rtrim": 1, "chop": 1, "str_replace": 0, "str_ireplace": 0, "str_pad": 2,
	"substr_count": 1, "chunk_split": 2, "wordwrap": 2,
}

// stringIsFree reports whether a text may be emptied or filled. Beyond what
// holds for all literals it leaves alone: parts of a concatenation (the family
// concat drops them) and elements of a list (the family array does), numbers
// in a calculation, patterns, paths of include, names of classes, functions,
// members and keys.
func stringIsFree(f *syntax.File, n *syntax.Node) bool {
	p := n.Parent
	if !literalIsFree(f, n) || p.Is("subscript_expression", "include_expression", "include_once_expression",
		"require_expression", "require_once_expression", "echo_statement", "expression_statement") {
		return false
	}
	if p.Is("array_element_initializer") && len(p.NamedChildren()) == 1 {
		return false
	}
	if n.Field == "name" || n.Field == "function" || n.Field == "scope" {
		return false
	}
	if p.Is("binary_expression") && operatorText(f, p) != "??" {
		return false
	}
	if p.Is("unary_op_expression", "parenthesized_expression") {
		return false
	}
	if p.Is("argument") && p.Parent.Parent.Is("object_creation_expression") && isDateClass(f, p.Parent.Parent) {
		return false
	}
	name, at := argumentIn(f, n)
	if namingArguments[name] || strings.HasPrefix(name, "preg_") && at == 0 {
		return false
	}
	if place, ok := idleWhenEmpty[name]; ok && place == at {
		return false
	}
	return !isClassName(f.Text(n))
}

// isDateClass reports whether "new" makes a date, time or zone; ” is now, and
// other wrong texts throw.
func isDateClass(f *syntax.File, n *syntax.Node) bool {
	name := lastName(f, n.First("name", "qualified_name"))
	return strings.HasPrefix(name, "Date")
}

// isClassName reports whether a text looks like a name with a namespace.
func isClassName(text string) bool {
	text = strings.Trim(text, `'"`)
	if !strings.Contains(text, `\`) {
		return false
	}
	for _, part := range strings.Split(strings.ReplaceAll(text, `\\`, `\`), `\`) {
		for i := range len(part) {
			if !wordByte(part[i]) {
				return false
			}
		}
		if part != "" && !(part[0] >= 'A' && part[0] <= 'Z') {
			return false
		}
	}
	return true
}

func emptyString(f *syntax.File, n *syntax.Node) []mutate.Edit {
	text := f.Text(n)
	if len(strings.TrimLeft(text, "bB")) <= 2 || !stringIsFree(f, n) {
		return nil
	}
	quote := text[len(text)-1:]
	return fit(f, n.Span, quote+quote)
}

func fillString(f *syntax.File, n *syntax.Node) []mutate.Edit {
	text := f.Text(n)
	if len(strings.TrimLeft(text, "bB")) > 2 || !stringIsFree(f, n) {
		return nil
	}
	quote := text[len(text)-1:]
	return fit(f, n.Span, quote+"not empty"+quote)
}
