package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// These operators of the call family change what a call is given.
func init() {
	register(
		&mutate.Operator{
			ID: "call/strict-dropped",
			Doc: `in_array(), array_search() or array_keys() compare loosely.

No test has a value that is equal but of another type. Look for '1' where the array has 1 or '1.0', or for 0 where it has '0' or null, and assert that it is not found.`,
			Before: `$known = in_array($id, $ids, true);`,
			After:  `$known = in_array($id, $ids);`,
			Kinds:  []string{"function_call_expression"},
			Apply:  strictDropped, Version: 1,
		},
		&mutate.Operator{
			ID: "call/option-dropped",
			Doc: `The last optional argument of a function is dropped: flags, a limit, a mode, the characters to trim.

No test has an input for which this argument matters. Find one (a "/" for JSON_UNESCAPED_SLASHES, a second separator for a limit) and assert the exact result.`,
			Input:   "Add a case in which this argument makes a difference.",
			Outcome: "Assert the exact result.",
			Hint:    optionHint,
			Before:  `$json = json_encode($row, JSON_PRETTY_PRINT);`,
			After:   `$json = json_encode($row);`,
			Kinds:   []string{"function_call_expression"},
			Apply:   optionDropped,
		},
		&mutate.Operator{
			ID: "call/operands-swapped",
			Doc: `The first two arguments of a function for which their order matters are swapped.

No test has two values here for which the order shows. Use two that differ, and assert the exact result.`,
			Input:   "Add a case with two different values for which the order shows.",
			Outcome: "Assert the exact result.",
			Before:  `$left = array_diff($all, $taken);`,
			After:   `$left = array_diff($taken, $all);`,
			Kinds:   []string{"function_call_expression"},
			Apply:   operandsSwapped,
		},
		&mutate.Operator{
			ID: "call/arguments-swapped",
			Doc: `Two neighbouring arguments are swapped.

No test has two different values here and looks at what became of them. Use two that differ and assert both.`,
			Before: `$trip->between($from, $to);`,
			After:  `$trip->between($to, $from);`,
			Kinds: []string{
				"member_call_expression", "nullsafe_member_call_expression", "scoped_call_expression",
				"object_creation_expression", "function_call_expression",
			},
			Wide:  true, // types or values of the two mostly differ so much that any test sees it
			Apply: argumentsSwapped,
		},
	)
}

// strictPlaces are the places of the flag that asks for === in comparisons;
// the default is false. The family truth leaves the flag to this one.
var strictPlaces = map[string]int{"in_array": 2, "array_search": 2, "array_keys": 2, "base64_decode": 1}

// isStrictFlag reports whether a "true" is the flag that call/strict-dropped
// drops: turning it into false would be the same mutant again.
func isStrictFlag(f *syntax.File, n *syntax.Node) bool {
	name, place := argumentIn(f, n)
	at, known := strictPlaces[name]
	return known && at == place && strings.EqualFold(f.Text(n), "true")
}

func strictDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	name, args, ok := callTo(f, n, 2)
	at, known := strictPlaces[name]
	if !ok || !known || len(args) != at+1 || !strings.EqualFold(f.Text(args[at]), "true") {
		return nil
	}
	if at == 2 && strictIsLoose(f, argValue(args[0]), argValue(args[1])) {
		return nil
	}
	return remove(args[at-1].End, args[at].End)
}

// options gives the places of last arguments that may be left out, from the
// manual. Boolean ones are not here: the family truth turns those into
// their defaults.
var options = func() map[string][]int {
	out := map[string][]int{}
	for places, names := range map[string]string{
		"1": `json_encode htmlspecialchars htmlentities html_entity_decode htmlspecialchars_decode strip_tags trim
			ltrim rtrim chop array_unique sort rsort asort arsort ksort krsort count ucwords date gmdate strtotime
			intval log str_split mb_str_split parse_str addcslashes round array_filter dirname basename`,
		"2": `explode array_slice substr mb_substr strpos stripos strrpos strripos mb_strpos preg_split array_column
			range str_pad array_filter file_put_contents number_format iterator_apply similar_text wordwrap`,
		"3": `preg_split preg_replace preg_replace_callback str_pad json_decode array_splice number_format mb_str_pad
			preg_match preg_match_all`,
	} {
		for _, name := range strings.Fields(names) {
			out[name] = append(out[name], int(places[0]-'0'))
		}
	}
	return out
}()

// optionDropped leaves integers alone where one of their own operators gives
// the default: round($x, 1), number_format($x, 1).
func optionDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	name, args, ok := callTo(f, n, 2)
	if !ok {
		return nil
	}
	last := len(args) - 1
	for _, place := range options[name] {
		if place != last {
			continue
		}
		value := argValue(args[last])
		if value.Is("boolean", "null") || value.Is("integer") && (name == "round" || name == "number_format" || name == "strpos") {
			return nil
		}
		return remove(args[last-1].End, args[last].End)
	}
	return nil
}

// ordered are functions whose first two arguments are of one kind, so that
// people do mix them up and a test may miss it. A needle for a haystack is
// noticed by any test.
var ordered = placeTable(`array_diff array_diff_key array_diff_assoc array_merge array_replace array_combine
	array_intersect_key array_merge_recursive array_replace_recursive strcmp strcasecmp strncmp strncasecmp strnatcmp
	strnatcasecmp version_compare intdiv fmod pow atan2 range bcsub bcdiv bcmod bccomp bcpow`)

func operandsSwapped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	name, args, ok := callTo(f, n, 2)
	if _, known := ordered[name]; !ok || !known {
		return nil
	}
	return exchanged(f, args[0], args[1])
}

// exchanged swaps two nodes and leaves what stands between them.
func exchanged(f *syntax.File, a, b *syntax.Node) []mutate.Edit {
	if f.Text(a) == f.Text(b) {
		return nil
	}
	between := string(f.Src[a.End:b.Start])
	return []mutate.Edit{{Span: syntax.Span{Start: a.Start, End: b.End}, New: f.Text(b) + between + f.Text(a)}}
}

// argumentsSwapped is for calls of the project's own code: methods, classes,
// and functions that the file declares. PHP's functions with two like arguments
// are in ordered.
func argumentsSwapped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	if n.Is("function_call_expression") && !declares(f, calledFunction(f, n)) {
		return nil
	}
	args, ok := plainArgs(n)
	if !ok {
		return nil
	}
	var out []mutate.Edit
	for i := 1; i < len(args); i++ {
		a, b := argValue(args[i-1]), argValue(args[i])
		if simple(a) && simple(b) {
			out = append(out, exchanged(f, args[i-1], args[i])...)
		}
	}
	return out
}

// declares reports whether a file declares a function of that lower-case name.
func declares(f *syntax.File, name string) bool {
	return f.Memo(functionsOfFile{}, func() any {
		names := map[string]bool{}
		for _, n := range f.Root.Children {
			list := []*syntax.Node{n}
			if body := n.Child("body"); n.Is("namespace_definition") && body != nil {
				list = body.Children
			}
			for _, d := range list {
				if d.Is("function_definition") {
					names[strings.ToLower(f.Text(d.Child("name")))] = true
				}
			}
		}
		return names
	}).(map[string]bool)[name]
}

type functionsOfFile struct{}

// simple reports whether an expression is a variable, a property, an element, a
// constant or a literal.
func simple(n *syntax.Node) bool {
	return n.Is("variable_name", "member_access_expression", "subscript_expression", "class_constant_access_expression",
		"scoped_property_access_expression", "integer", "float", "string", "boolean", "null", "name", "qualified_name")
}
