package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// These operators of the call family replace a call by what went into it.
func init() {
	register(
		&mutate.Operator{
			ID: "call/string-step-dropped",
			Doc: `A string is left as it was: trim(), strtolower(), ucfirst(), substr(), str_pad() and the like are not called.

No test has a string that this call changes. Add one with blanks around it, in the other case, or too long, and assert the exact result.`,
			Input:   "Add a case with a text that this call changes.",
			Outcome: "Assert the exact text that comes out with assertSame, as it is: an assertion that changes both sides in the same way first does not see the difference.",
			Hint:    callHint,
			Before:  `$key = trim($line);`,
			After:   `$key = $line;`,
			Kinds:   []string{"function_call_expression"},
			Apply:   stepDropped(textSteps), Version: 1,
		},
		&mutate.Operator{
			ID: "call/escape-dropped",
			Doc: `A string is not escaped, or not decoded: htmlspecialchars(), rawurlencode(), preg_quote(), strip_tags() and the like are not called.

No test has a character that needs it, and the code could let one through unescaped. Pass '<b>&"', 'a b/c?' or '.*' and assert the exact string.`,
			Input:   "Add a case with a character that this call escapes or decodes.",
			Outcome: "Assert the exact string that comes out.",
			Hint:    callHint,
			Before:  `$html = htmlspecialchars($name, ENT_QUOTES);`,
			After:   `$html = $name;`,
			Kinds:   []string{"function_call_expression"},
			Apply:   stepDropped(escapes),
		},
		&mutate.Operator{
			ID: "call/number-step-dropped",
			Doc: `A number is left as it was: round(), floor(), abs(), intval() and the like are not called.

No test has a number that this call changes. Add 2.5, -3 or '7', and compare with assertSame.`,
			Input:   "Add a case with a number that this call changes.",
			Outcome: "Assert the result with assertSame, which tells 3, 3.0 and '3' apart.",
			Hint:    callHint,
			Before:  `$gap = abs($a - $b);`,
			After:   `$gap = $a - $b;`,
			Kinds:   []string{"function_call_expression"},
			Apply:   stepDropped(numberSteps), Version: 1,
		},
		&mutate.Operator{
			ID: "call/array-step-dropped",
			Doc: `An array is left as it was: array_filter(), array_map(), array_unique(), array_values(), array_reverse() and the like are not called.

No test has an array that this step changes, or none looks at the result. Pass an array with something to filter, map, or reorder, and assert the whole result with assertSame, keys and all.`,
			Input:   "Add a case with an array that this call changes.",
			Outcome: "Assert the whole array that comes out with assertSame, keys and all.",
			Hint:    callHint,
			Before:  `$open = array_filter($piers);`,
			After:   `$open = $piers;`,
			Kinds:   []string{"function_call_expression"},
			Apply:   stepDropped(arraySteps), Version: 1,
		},
		&mutate.Operator{
			ID: "call/replacement-dropped",
			Doc: `Nothing is replaced in a string: str_replace(), preg_replace(), strtr() and the like are not called.

No test has a string with something to replace in it. Add one, best with two occurrences, and assert the exact result.`,
			Input:   "Add a case with something to replace in the text.",
			Outcome: "Assert the exact text that comes out.",
			Hint:    replacementHint,
			Before:  `$slug = str_replace(' ', '-', $name);`,
			After:   `$slug = $name;`,
			Kinds:   []string{"function_call_expression"},
			Apply:   stepDropped(replacements), Version: 1,
		},
		&mutate.Operator{
			ID: "call/part-dropped",
			Doc: `Only one of the things that are put together or compared is used: the other argument of min(), max(), array_merge() or array_replace() is dropped.

No test depends on the argument that is dropped. For a limit, add a case beyond it; for a merge, give both arrays an element of their own and assert both.`,
			Input:   "Add a case in which the argument that is dropped decides about the result, or has an element of its own.",
			Outcome: "Assert the exact result.",
			Hint:    partHint,
			Before:  `$fare = max(0, $fare - $rebate);`,
			After:   `$fare = $fare - $rebate;`,
			Kinds:   []string{"function_call_expression"},
			Apply:   partDropped, Version: 1,
		},
		&mutate.Operator{
			ID: "call/chain-link-dropped",
			Doc: `One call of a chain is left out.

No test sees what this link of the chain does. Assert the part of the result that only it brings about, or expect the call on a mock.`,
			Before: `$q = $db->from('pier')->where('open')->rows();`,
			After:  `$q = $db->from('pier')->rows();`,
			Kinds:  []string{"member_call_expression"},
			Apply:  chainLinkDropped,
		},
	)
}

// textSteps, escapes and so on are the functions whose call may be replaced by
// what it was given, with the place of that argument.
var (
	textSteps = placeTable(`trim ltrim rtrim chop strtolower strtoupper ucfirst lcfirst ucwords mb_strtolower
		mb_strtoupper mb_ucfirst mb_lcfirst mb_convert_case mb_trim mb_ltrim mb_rtrim substr mb_substr mb_strimwidth
		str_pad mb_str_pad wordwrap strrev str_repeat chunk_split`)
	escapes = placeTable(`htmlspecialchars htmlentities htmlspecialchars_decode html_entity_decode strip_tags nl2br
		addslashes stripslashes addcslashes quotemeta preg_quote rawurlencode urlencode rawurldecode urldecode
		escapeshellarg escapeshellcmd`)
	numberSteps = placeTable(`round floor ceil abs intval floatval doubleval boolval strval`)
	arraySteps  = placeTable(`array_filter array_unique array_values array_reverse array_slice array_flip array_pad
		array_change_key_case array_map:1`)
	replacements = placeTable(`str_replace:2 str_ireplace:2 preg_replace:2 preg_replace_callback:2 strtr substr_replace
		mb_convert_encoding mb_scrub iconv:2`)
)

// placeTable reads "name" or "name:PLACE" words; the place is 0 where none is
// given.
func placeTable(words string) map[string]int {
	out := map[string]int{}
	for _, w := range strings.Fields(words) {
		name, place, _ := strings.Cut(w, ":")
		out[name] = 0
		if place != "" {
			out[name] = int(place[0] - '0')
		}
	}
	return out
}

// stepDropped replaces a call by the argument that the table names. Statements
// are left out (dropping those is another family's matter), calls of
// literals, and calls that do what was done already.
func stepDropped(table map[string]int) applyFunc {
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		name, args, ok := callTo(f, n, 1)
		if !ok || n.Parent.Is("expression_statement") {
			return nil
		}
		place, known := table[name]
		if !known || place >= len(args) || name == "array_map" && len(args) != 2 {
			return nil
		}
		value := argValue(args[place])
		if value.Unwrapped().Is("string", "integer", "float", "null", "boolean", "array_creation_expression") {
			return nil
		}
		if cast := n.Parent; cast.Is("cast_expression") && (name == "round" || name == "floor" || name == "ceil") &&
			castTypes[strings.ToLower(strings.TrimSpace(f.Text(cast.Child("type"))))] == "int" {
			return nil // (int) cuts off what floor() and ceil() would: call/rounding-swapped again
		}
		if name == "strval" && isBinary(f, n.Parent, map[string]bool{".": true}) {
			return nil // the dot makes a string of anything
		}
		if doneTwice(f, n, value) {
			return nil
		}
		return keep(f, n, value)
	}
}

// partDropped keeps each side of two that is no literal, which makes one
// mutant of a limit and two of a merge.
func partDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	name, args, ok := callTo(f, n, 2)
	if !ok || len(args) != 2 {
		return nil
	}
	switch name {
	case "min", "max", "array_merge", "array_replace", "array_merge_recursive", "array_replace_recursive":
	default:
		return nil
	}
	var out []mutate.Edit
	for i, a := range args {
		v := argValue(a)
		if name == "max" && certain(f, v) == "int" && neverNegative(f, v) && isLiteral(f, argValue(args[1-i]), "0") {
			continue // max(0, count($x)) is count($x)
		}
		if !v.Unwrapped().Is("integer", "float", "string", "boolean", "null", "array_creation_expression") {
			out = append(out, keep(f, n, v)...)
		}
	}
	return out
}

// chainLinkDropped takes a link out of the middle of a chain of calls. Getters
// are left alone: what follows is then called on another kind of object, and
// the error kills the mutant whatever the tests are like.
func chainLinkDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	object := n.Child("object")
	if !n.Parent.Is("member_call_expression") || n.Field != "object" ||
		!object.Is("member_call_expression", "scoped_call_expression") {
		return nil
	}
	for _, prefix := range []string{"get", "create", "make", "build", "find", "load", "fetch", "new"} {
		if first := words(f.Text(n.Child("name"))); len(first) > 0 && first[0] == prefix {
			return nil
		}
	}
	return remove(object.End, n.End)
}
