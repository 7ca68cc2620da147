package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The call family calls PHP's own functions by a neighbour's name here, drops
// calls that wrap a value in call_drop.go, and arguments in call_args.go.
func init() {
	register(
		&mutate.Operator{
			ID: "call/bounds-swapped",
			Doc: `min() and max() are swapped.

No test has two values here that differ and a result that depends on which is taken. Add a case on each side of the limit and assert the exact result.`,
			Before: `$fare = min($fare, $cap);`,
			After:  `$fare = max($fare, $cap);`,
			Kinds:  []string{"function_call_expression"},
			Apply:  renames(0, map[string]string{"min": "max", "max": "min"}),
		},
		&mutate.Operator{
			ID: "call/rounding-swapped",
			Doc: `A number is rounded the other way: floor() and ceil() are swapped, round() becomes floor().

No test has a fraction here. Add one (for round(): of one half or more) and assert the exact result.`,
			Input:   "Add a case with a fraction (for round(): of one half or more).",
			Outcome: "Assert the exact result.",
			Hint:    callHint,
			Before:  `$pages = ceil($n / 20);`,
			After:   `$pages = floor($n / 20);`,
			Kinds:   []string{"function_call_expression"},
			Apply:   renames(1, map[string]string{"ceil": "floor", "floor": "ceil", "round": "floor"}),
		},
		&mutate.Operator{
			ID: "call/end-swapped",
			Doc: `The other end is meant: ltrim() and rtrim(), str_starts_with() and str_ends_with(), strpos() and strrpos(), array_shift() and array_pop() are swapped.

No test has an input whose two ends differ. Add one (' a', 'a/b/c', [1, 2, 3]) and assert the exact result.`,
			Input:   "Add a case with an input whose two ends differ.",
			Outcome: "Assert the exact result.",
			Hint:    callHint,
			Before:  `$last = array_pop($stops);`,
			After:   `$last = array_shift($stops);`,
			Kinds:   []string{"function_call_expression"},
			Version: 1,
			Apply: endSwapped(both(map[string]string{
				"ltrim": "rtrim", "str_starts_with": "str_ends_with", "array_key_first": "array_key_last",
				"array_shift": "array_pop", "array_unshift": "array_push", "reset": "end",
				"strpos": "strrpos", "stripos": "strripos", "mb_strpos": "mb_strrpos", "mb_stripos": "mb_strripos",
				"array_find": "array_find_last", "array_first": "array_last", "mb_ltrim": "mb_rtrim",
			})),
		},
		&mutate.Operator{
			ID: "call/order-reversed",
			Doc: `The order is reversed: sort() and rsort(), asort() and arsort(), ksort() and krsort() are swapped.

No test checks the order, or sorts two different elements. Assert the whole sorted array with assertSame; assertEqualsCanonicalizing does not see the order.`,
			Before: `ksort($fares);`,
			After:  `krsort($fares);`,
			Kinds:  []string{"function_call_expression"},
			Apply:  renames(0, both(map[string]string{"sort": "rsort", "asort": "arsort", "ksort": "krsort"})),
		},
		&mutate.Operator{
			ID: "call/keys-swapped",
			Doc: `Sorting keeps the keys, or no longer keeps them: usort() and uasort(), sort() and asort() are swapped.

No test looks at the keys after sorting. Assert the array with assertSame, keys and all, for an input that is out of order.`,
			Before: `usort($fares, $byPrice);`,
			After:  `uasort($fares, $byPrice);`,
			Kinds:  []string{"function_call_expression"},
			Apply:  renames(0, both(map[string]string{"sort": "asort", "rsort": "arsort", "usort": "uasort"})),
		},
		&mutate.Operator{
			ID: "call/letter-case-swapped",
			Doc: `Upper and lower case are no longer told apart, or are now: strpos() and stripos(), strcmp() and strcasecmp() are swapped.

No test has a string that differs from the one looked for in its case only. Add 'PIER' where the code looks for 'pier' and assert what should happen.`,
			Input:   "Add a case in which the text differs from the one looked for in upper and lower case only.",
			Outcome: "Assert what comes of a text that differs in upper and lower case only.",
			Before:  `$at = strpos($name, 'pier');`,
			After:   `$at = stripos($name, 'pier');`,
			Kinds:   []string{"function_call_expression"},
			Apply: letterCaseSwapped(both(map[string]string{
				"strpos": "stripos", "strrpos": "strripos", "strstr": "stristr", "str_replace": "str_ireplace",
				"strcmp": "strcasecmp", "strncmp": "strncasecmp", "strnatcmp": "strnatcasecmp",
				"mb_strpos": "mb_stripos", "mb_strrpos": "mb_strripos", "mb_strstr": "mb_stristr",
			})),
		},
		&mutate.Operator{
			ID: "call/multibyte-dropped",
			Doc: `A mb_ function is replaced by the one that counts bytes.

No test has more than ASCII here. Add one with 'Zoë', 'Łódź' or '港' and assert the exact length, part or case.`,
			Input:   "Add a case with characters that are not ASCII, such as those of 'Łódź', where the call looks at them.",
			Outcome: "Assert the exact length, part or case that comes out.",
			Hint:    comparedHint,
			Before:  `$n = mb_strlen($name, 'UTF-8');`,
			After:   `$n = strlen($name);`,
			Kinds:   []string{"function_call_expression"},
			Apply:   multibyteDropped,
		},
		&mutate.Operator{
			ID: "call/set-swapped",
			Doc: `The other set or total is taken: array_diff() and array_intersect(), array_sum() and array_product(), array_any() and array_all() are swapped.

No test has an input for which the two differ. Use two lists that share some elements and not others (for sums: other numbers than 0, 2 and 2), and assert the exact result.`,
			Input:   "Add a case for which the two functions differ: lists that share some elements and not others, or (for sums) other numbers than 0, 2 and 2.",
			Outcome: "Assert the exact result.",
			Before:  `$left = array_diff($all, $taken);`,
			After:   `$left = array_intersect($all, $taken);`,
			Kinds:   []string{"function_call_expression"},
			Apply: renames(0, both(map[string]string{
				"array_diff": "array_intersect", "array_diff_key": "array_intersect_key",
				"array_diff_assoc": "array_intersect_assoc", "array_udiff": "array_uintersect",
				"array_diff_ukey": "array_intersect_ukey", "array_sum": "array_product", "array_any": "array_all",
			})),
		},
		&mutate.Operator{
			ID: "call/encoding-swapped",
			Doc: `Another encoding is used: rawurlencode() and urlencode(), htmlspecialchars() and htmlentities(), and their inverses are swapped.

No test has a character that the two treat differently. Add a space (%20 or +) to a URL, an 'é' to HTML, and assert the exact string.`,
			Input:   "Add a case with a character that the two functions treat differently.",
			Outcome: "Assert the exact string that comes out.",
			Hint:    callHint,
			Before:  `$url .= rawurlencode($name);`,
			After:   `$url .= urlencode($name);`,
			Kinds:   []string{"function_call_expression"},
			Apply: renames(0, both(map[string]string{
				"rawurlencode": "urlencode", "rawurldecode": "urldecode",
				"htmlspecialchars": "htmlentities", "htmlspecialchars_decode": "html_entity_decode",
			})),
		},
		&mutate.Operator{
			ID: "call/zone-dropped",
			Doc: `A date is made in UTC instead of the zone that is set: date() becomes gmdate(), mktime() becomes gmmktime().

No test runs in another zone than UTC. Set one in a test, date_default_timezone_set('Pacific/Auckland') for instance, and assert the date there.`,
			Before: `$day = date('Y-m-d', $at);`,
			After:  `$day = gmdate('Y-m-d', $at);`,
			Kinds:  []string{"function_call_expression"},
			Wide:   true, // few people act on it
			Apply:  renames(0, map[string]string{"date": "gmdate", "mktime": "gmmktime"}),
		},
	)
}

// endSwapped leaves "strpos(...) !== false" alone: a first occurrence is there
// when a last one is.
func endSwapped(table map[string]string) applyFunc {
	rename := renames(2, table)
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		if p := n.Parent; strings.Contains(builtin(f, n), "pos") && isBinary(f, p, equalityOps) {
			for _, side := range p.NamedChildren() {
				if isLiteral(f, side, "false", "FALSE", "False") {
					return nil
				}
			}
		}
		if name := builtin(f, n); undone(f, n, name) && undone(f, n, table[name]) {
			return nil // trim(ltrim($x))
		}
		return rename(f, n)
	}
}

// letterCaseSwapped leaves calls alone that look for a literal without letters.
func letterCaseSwapped(table map[string]string) applyFunc {
	rename := renames(0, table)
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		args, _ := plainArgs(n)
		for i, a := range args {
			switch name := builtin(f, n); {
			case i > 1, i == 0 && strings.Contains(name, "str") && !strings.Contains(name, "cmp") && !strings.Contains(name, "replace"),
				i == 1 && strings.Contains(name, "replace"):
				// the text that is searched, and what is put in
			case letterless(f, argValue(a)):
				return nil
			}
		}
		return rename(f, n)
	}
}

// letterless reports whether an expression is a text without letters, or a
// list of such.
func letterless(f *syntax.File, n *syntax.Node) bool {
	switch n.Kind {
	case "string", "encapsed_string":
		for _, c := range n.NamedChildren() {
			letter := strings.ContainsFunc(f.Text(c), func(r rune) bool { return r > 0x7f || r|0x20 >= 'a' && r|0x20 <= 'z' })
			if letter && !c.Is("escape_sequence") {
				return false
			}
		}
		return true
	case "array_creation_expression":
		for _, el := range elements(n) {
			if v := el.NamedChildren(); len(v) != 1 || !letterless(f, v[0]) {
				return false
			}
		}
		return true
	}
	return false
}

// byteFunctions gives, for functions of the mbstring extension, the most
// arguments that the function of the same name without "mb_" takes; from the
// manual. One more is the encoding.
var byteFunctions = map[string]int{
	"mb_strlen": 1, "mb_substr": 3, "mb_strpos": 3, "mb_strrpos": 3, "mb_stripos": 3, "mb_strripos": 3,
	"mb_strtolower": 1, "mb_strtoupper": 1, "mb_substr_count": 2, "mb_strstr": 3, "mb_stristr": 3,
	"mb_str_split": 2, "mb_str_pad": 4, "mb_ucfirst": 1, "mb_lcfirst": 1, "mb_trim": 2, "mb_ltrim": 2, "mb_rtrim": 2,
	"mb_ord": 1, "mb_chr": 1,
}

func multibyteDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	name, args, ok := callTo(f, n, 1)
	most := byteFunctions[name]
	if !ok || most == 0 || len(args) > most+1 {
		return nil
	}
	to := strings.TrimPrefix(name, "mb_")
	edit := renamed(f, n, to)
	if len(args) > most {
		list := n.Child("arguments")
		edit[0].End = args[most].End
		edit[0].New = to + string(f.Src[list.Start:args[most-1].End])
	}
	return edit
}
