package operators

import (
	"fmt"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// effects has, by function of PHP's, what there is to see of a call; %s is its first
// argument. From the manual.
var effects = eachName(map[string]string{
	"sort rsort usort uasort uksort asort arsort ksort krsort natsort natcasesort array_multisort": "It puts the elements of %s in order. Pass elements that are out of order, and assert their order with assertSame.",
	"shuffle":                         "It puts the elements of %s in another order. Assert that all of them are still there, and what the order is needed for.",
	"array_push array_unshift":        "It adds to %s. Assert that the added element is there.",
	"array_pop array_shift":           "It takes an element out of %s. Assert that it is gone.",
	"array_splice":                    "It takes elements out of %s, or puts some in. Assert the whole array.",
	"array_walk array_walk_recursive": "It calls a function for each element of %s. Pass at least one, and assert what the function does.",
	"settype":                         "It changes the type of %s. Pass a value of another type, and assert the result with assertSame.",
	"next prev reset end":             "It moves the position in %s. Assert the element that is read from there.",
	"preg_match preg_match_all":       "It puts what matches into its third argument. Assert what is made of that.",
	"parse_str mb_parse_str":          "It puts what it finds into its second argument. Assert what is made of that.",
	"file_put_contents fwrite fputs fputcsv ftruncate copy rename unlink mkdir rmdir touch chmod symlink": "It changes files. Assert the file or folder: that it is there, is gone, or holds the content.",
	"define ini_set putenv setlocale date_default_timezone_set mb_internal_encoding error_reporting":      "It changes a setting of the process. Assert the setting, or a result that depends on it.",
	"error_log trigger_error user_error":               "It reports something. Assert what is reported, as with an error handler that the test sets.",
	"header setcookie http_response_code":              "It changes the response. Assert it, as with http_response_code() or in a test that asks a server.",
	"print_r var_dump printf vprintf print var_export": "It prints something. Assert it with expectOutputString().",
})

// callDroppedHint says what there is to see of a call. Only another object can be replaced by
// a mock.
func callDroppedHint(f *syntax.File, n *syntax.Node, _ mutate.Edit) mutate.Hints {
	call := called(f, n)
	if call == nil {
		return mutate.Hints{}
	}
	name := f.Text(call.Child("name"))
	switch {
	case call.Is("function_call_expression"):
		return functionDropped(f, call)
	case call.Is("object_creation_expression"):
		return mutate.Hints{Either: "No test sees what making this object does. Assert what its constructor changes."}
	case call.Is("scoped_call_expression"):
		return mutate.Hints{Either: fmt.Sprintf("No test sees the effect of %s(). Assert what it changes, through what callers can see.", name)}
	case f.Text(call.Child("object")) == "$this":
		return mutate.Hints{Either: fmt.Sprintf("No test sees the effect of %s(). Assert what it changes in this object, or has others do, through what callers can see.", name)}
	case isMadeHere(f, call.Child("object")):
		object := named(f, call.Child("object"), "The object")
		return mutate.Hints{Either: fmt.Sprintf("No test sees the effect of %s(). %s is made in this function, so that no mock can stand in for it: assert what becomes of it.", name, object)}
	}
	object := named(f, call.Child("object"), "")
	if object == "" || !call.Child("name").Is("name") {
		return mutate.Hints{}
	}
	return mutate.Hints{Either: fmt.Sprintf("No test sees the effect of %s() on %s. Assert what that changes, or with a mock and expects(self::once()) that %s was told.", name, object, object)}
}

func functionDropped(f *syntax.File, call *syntax.Node) mutate.Hints {
	function := f.Text(call.Child("function"))
	if !call.Child("function").Is("name", "qualified_name") {
		return mutate.Hints{Either: "No test sees the effect of this call. Assert what the function changes, or, where a test passes the function, that it was called."}
	}
	said := strings.TrimPrefix(function, `\`) + "()"
	text := effects[builtin(f, call)]
	if text == "" || declares(f, calledFunction(f, call)) {
		return mutate.Hints{Either: "No test sees the effect of " + said + ". Assert what it changes: a value, a file, what is printed."}
	}
	argument := "its argument"
	if args, ok := plainArgs(call); ok && len(args) > 0 {
		argument = named(f, args[0], argument)
	}
	return mutate.Hints{Either: "No test sees the effect of " + said + ". " + strings.ReplaceAll(text, "%s", argument)}
}

// isMadeHere reports whether an object is a variable to which its function assigns a new one.
func isMadeHere(f *syntax.File, object *syntax.Node) (made bool) {
	fn := object.Up(functionKinds...)
	if !object.Is("variable_name") || fn == nil {
		return false
	}
	fn.Walk(func(n *syntax.Node) bool {
		made = made || n.Is("assignment_expression") && f.Text(n.Child("left")) == f.Text(object) && n.Child("right").Is("object_creation_expression", "clone_expression")
		return !made
	})
	return made
}
