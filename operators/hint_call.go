package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// shows has, by function of PHP's, the value of the argument in question for which it makes a
// difference that the call is left out, or replaced by the one that the operator puts in its
// place. From the manual. What to trim may be an argument; see trimmed.
var shows = eachName(map[string]string{
	"strtolower mb_strtolower":                   "a text that has a capital letter",
	"strtoupper mb_strtoupper":                   "a text that has a small letter",
	"ucfirst mb_ucfirst":                         "a text that begins with a small letter",
	"lcfirst mb_lcfirst":                         "a text that begins with a capital letter",
	"ucwords":                                    "a text in which a word begins with a small letter",
	"mb_convert_case":                            "a text that has letters in the other case",
	"substr mb_substr":                           "a text that has more than the part that is taken",
	"mb_strimwidth wordwrap chunk_split":         "a text that is longer than the width",
	"str_pad mb_str_pad":                         "a text that is shorter than the length",
	"strrev":                                     "a text that reads otherwise backwards",
	"str_repeat":                                 "a text that is not empty and is repeated another number of times than once",
	"htmlspecialchars htmlentities":              "a text that has '<' or '&'",
	"htmlspecialchars_decode html_entity_decode": "a text that has '&lt;' or '&amp;'",
	"strip_tags":                                 "a text that has a tag, such as '<b>'",
	"nl2br":                                      "a text that has a line break",
	"addslashes":                                 "a text that has a quote or a backslash",
	"stripslashes":                               "a text that has a backslash",
	"addcslashes":                                "a text that has one of the characters to be escaped",
	"quotemeta preg_quote":                       "a text that has '.' or '*'",
	"rawurlencode urlencode":                     "a text that has a blank, '/' or '?'",
	"rawurldecode urldecode":                     "a text that has '%20'",
	"escapeshellarg":                             "any text",
	"escapeshellcmd":                             "a text that has ';' or '|'",
	"round floor ceil":                           "a fraction, such as 2.5",
	"abs":                                        "a negative number",
	"intval":                                     "a numeric text or a fraction",
	"floatval doubleval":                         "a numeric text or an integer",
	"boolval":                                    "a value that is no bool yet",
	"strval":                                     "a number",
	"array_filter":                               "an array that has an element that is to be left out",
	"array_unique":                               "an array that has two equal elements",
	"array_values":                               "an array whose keys are others than 0, 1, 2 and so on",
	"array_reverse":                              "an array that has two different elements",
	"array_slice":                                "an array that has an element outside of the part that is taken",
	"array_flip":                                 "an array that is not empty",
	"array_pad":                                  "an array that is shorter than the length",
	"array_change_key_case":                      "an array that has a key in the other case",
	"array_map":                                  "an array that has an element that the function changes",
	"str_starts_with str_ends_with":              "a text that has what is looked for at one end and not at the other",
	"strpos strrpos mb_strpos mb_strrpos":        "a text in which what is looked for comes twice",
	"stripos strripos mb_stripos mb_strripos":                   "a text in which what is looked for comes twice",
	"array_shift array_pop reset end array_first array_last":    "an array that has two different elements",
	"array_key_first array_key_last array_find array_find_last": "an array that has two elements to choose from",
	"array_unshift array_push":                                  "an array that is not empty",
})

// callHint says for which argument the call makes a difference.
func callHint(f *syntax.File, n *syntax.Node, e mutate.Edit) mutate.Hints {
	name := builtin(f, n)
	if strings.HasSuffix(name, "trim") || name == "chop" {
		return mutate.Hints{Input: "Add a case with " + trimmed(f, n, name, e.Span == n.Child("function").Span) + "."}
	}
	to := strings.ToLower(strings.TrimSpace(e.New))
	if at := strings.IndexByte(to, '('); at >= 0 {
		to = to[:at]
	}
	text := shows[name]
	switch {
	case to == "urlencode" || to == "rawurlencode":
		text = "a text that has a blank, which becomes %20 or +"
	case to == "urldecode" || to == "rawurldecode":
		text = "a text that has a '+'"
	case to == "htmlentities" || to == "htmlspecialchars":
		text = "a text that has an 'é'"
	case to == "html_entity_decode" || to == "htmlspecialchars_decode":
		text = "a text that has an '&eacute;'"
	}
	if text == "" {
		return mutate.Hints{}
	}
	return mutate.Hints{Input: "Add a case with " + text + "."}
}

// trimmed says for which text trim(), or one of its kind, makes a difference; swapped is set
// where the other end is trimmed instead.
func trimmed(f *syntax.File, n *syntax.Node, name string, swapped bool) string {
	what := "white space"
	if args, _ := plainArgs(n); len(args) > 1 {
		what = "a character of " + named(f, args[1], "those that are trimmed")
	}
	switch left := strings.HasSuffix(name, "ltrim"); {
	case left && swapped:
		return "a text that has " + what + " at its beginning or at its end, and not at both"
	case left:
		return "a text that has " + what + " at its beginning"
	case swapped:
		return "a text that has " + what + " at its beginning or at its end, and not at both"
	case strings.HasSuffix(name, "rtrim"), name == "chop":
		return "a text that has " + what + " at its end"
	}
	return "a text that has " + what + " at its beginning or end"
}

// optional has, by function and place of an argument, for which input it makes a difference.
// From the manual.
var optional = map[string]string{
	"explode 2": "a text that has more separators than the limit allows", "preg_split 2": "a text that has more separators than the limit allows",
	"preg_replace 3": "a text that has more to replace than the limit allows", "preg_replace_callback 3": "a text that has more to replace than the limit allows",
	"array_slice 2": "an array that goes on behind the part that is taken", "substr 2": "a text that goes on behind the part that is taken",
	"mb_substr 2": "a text that goes on behind the part that is taken",
	"strpos 2":    "a text in which what is looked for also comes before the offset", "stripos 2": "a text in which what is looked for also comes before the offset",
	"mb_strpos 2": "a text in which what is looked for also comes before the offset",
	"str_pad 2":   "a text that is shorter than the length", "str_pad 3": "a text that is shorter than the length", "mb_str_pad 3": "a text that is shorter than the length",
	"round 1": "a fraction", "number_format 2": "a fraction", "number_format 3": "a number of a thousand or more",
	"count 1": "an array within the array", "basename 1": "a path that ends with the suffix", "wordwrap 2": "a text that is longer than the width",
	"array_column 2": "an array that is not empty", "intval 1": "a text that is another number in base 10",
	"str_split 1": "a text of two characters or more", "mb_str_split 1": "a text of two characters or more",
	"log 1": "a number that is not 1",
}

// flags has, by the name of a flag, the same.
var flags = map[string]string{
	"JSON_PRETTY_PRINT": "an array that is not empty", "JSON_UNESCAPED_SLASHES": "a text that has a '/'", "JSON_UNESCAPED_UNICODE": "a text that has an 'é'",
	"JSON_THROW_ON_ERROR": "a value that cannot be encoded, or a text that is no JSON", "JSON_PRESERVE_ZERO_FRACTION": "the number 1.0", "JSON_FORCE_OBJECT": "a list",
	"PREG_SPLIT_NO_EMPTY": "a text in which two separators follow each other",
	"COUNT_RECURSIVE":     "an array that has an array in it", "STR_PAD_LEFT": "a text that is shorter than the length", "STR_PAD_BOTH": "a text that is shorter than the length",
	"FILE_APPEND": "a file that has content already", "SORT_NUMERIC": "the numbers '10' and '9a'", "SORT_STRING": "the numbers 10 and 9",
	"SORT_NATURAL": "the texts 'a10' and 'a9'", "SORT_FLAG_CASE": "the texts 'B' and 'a'",
}

// optionHint is for the last argument of a call.
func optionHint(f *syntax.File, n *syntax.Node, _ mutate.Edit) mutate.Hints {
	name := builtin(f, n)
	args, ok := plainArgs(n)
	if !ok || len(args) < 2 {
		return mutate.Hints{}
	}
	last := args[len(args)-1]
	switch text := optional[name+" "+string('0'+rune(len(args)-1))]; {
	case strings.HasSuffix(name, "trim") || name == "chop":
		text = trimmed(f, n, name, false)
		if !strings.Contains(f.Text(last), " ") {
			text += ", or has white space there"
		}
		return mutate.Hints{Input: "Add a case with " + text + "."}
	case text != "":
		return mutate.Hints{Input: "Add a case with " + text + "."}
	}
	for _, flag := range strings.FieldsFunc(f.Text(last), func(r rune) bool { return strings.ContainsRune("| ()\\\r\n\t", r) }) {
		if text := flags[flag]; text != "" {
			return mutate.Hints{Input: "Add a case with " + text + "."}
		}
	}
	return mutate.Hints{}
}

// partHint says which of two decides.
func partHint(f *syntax.File, n *syntax.Node, e mutate.Edit) mutate.Hints {
	args, ok := plainArgs(n)
	if !ok || len(args) != 2 {
		return mutate.Hints{}
	}
	bare := func(text string) string { return strings.Trim(text, "() \t\r\n") }
	kept, dropped := args[0], args[1]
	if bare(e.New) == bare(f.Text(args[1])) {
		kept, dropped = args[1], args[0]
	}
	a, b := named(f, dropped, "what is dropped"), named(f, kept, "what is kept")
	switch builtin(f, n) {
	case "min":
		return decided(a + " is smaller than " + b)
	case "max":
		return decided(a + " is larger than " + b)
	}
	if inner := dropped.NamedChildren(); len(inner) == 1 && isConstant(inner[0]) {
		return mutate.Hints{Input: "Add a case that needs an element of " + a + ".", Outcome: "Assert what comes of an element of " + a + "."}
	}
	return mutate.Hints{Input: "Add a case in which " + a + " has an element that " + b + " does not have.",
		Outcome: "Assert the whole array that comes out with assertSame."}
}

// replacementHint says what the text has to have in it.
func replacementHint(f *syntax.File, n *syntax.Node, _ mutate.Edit) mutate.Hints {
	args, ok := plainArgs(n)
	if !ok || len(args) == 0 {
		return mutate.Hints{}
	}
	text := ""
	switch name := builtin(f, n); name {
	case "str_replace", "str_ireplace":
		if search := argValue(args[0]); search.Is("string", "encapsed_string") {
			text = named(f, search, "")
		}
	case "preg_replace", "preg_replace_callback":
		text = "something that the pattern matches"
	case "mb_convert_encoding", "iconv":
		text = "a character that is not ASCII"
	case "mb_scrub":
		text = "bytes that are no valid text"
	}
	if text == "" {
		return mutate.Hints{}
	}
	return mutate.Hints{Input: "Add a case with " + text + " in the text."}
}

// textHint is for literals of nothing but white space: much of what tests and code do to a
// text takes no notice of them.
func textHint(f *syntax.File, n *syntax.Node, e mutate.Edit) mutate.Hints {
	dropped := n
	if n.Is("binary_expression") {
		bare := func(text string) string { return strings.Trim(text, "() \t\r\n") }
		if dropped = n.Child("left"); bare(e.New) == bare(f.Text(dropped)) {
			dropped = n.Child("right")
		}
	}
	if !dropped.Unwrapped().Is("string", "encapsed_string") || !isBlank(f.Text(dropped.Unwrapped())) {
		return mutate.Hints{}
	}
	return mutate.Hints{
		Input:   "Add a case in which this white space makes a difference.",
		Outcome: "Assert the whole string with assertSame, white space included. What trims the string, or splits it at white space, hides the difference.",
	}
}

// isBlank reports whether a literal holds white space and nothing else.
func isBlank(literal string) bool {
	literal = strings.TrimLeft(literal, "bB")
	if len(literal) < 2 {
		return false
	}
	content := literal[1 : len(literal)-1]
	if strings.HasPrefix(literal, `"`) {
		content = strings.NewReplacer(`\n`, "\n", `\r`, "\r", `\t`, "\t").Replace(content)
	}
	return content != "" && strings.Trim(content, " \t\r\n") == ""
}

// comparedHint is for a call whose result is only compared: what comes out is whether that holds.
func comparedHint(f *syntax.File, n *syntax.Node, _ mutate.Edit) mutate.Hints {
	if !isBinary(f, n.Parent, relationalOps) && !isBinary(f, n.Parent, equalityOps) {
		return mutate.Hints{}
	}
	return mutate.Hints{Outcome: "Assert what depends on " + named(f, n.Parent, "this comparison") + "."}
}
