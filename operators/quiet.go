package operators

import (
	"slices"
	"strings"
	"unicode"

	"assay/mutate"
	"assay/mutate/syntax"
)

// unlessQuiet is an operator's rule without its edits at quiet places. Breadth
// puts it round every rule of the breadth core, so no operator needs to.
func unlessQuiet(apply applyFunc) applyFunc {
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		edits := apply(f, n)
		if len(edits) > 0 && quiet(f, n) {
			return nil
		}
		if !n.Is("array_creation_expression") || len(edits) <= maxRows {
			return edits
		}
		inner := map[int]bool{}
		for _, c := range n.Children {
			if c.Is("array_element_initializer") && isInnerRow(c) {
				inner[c.Start] = true
			}
		}
		return slices.DeleteFunc(edits, func(e mutate.Edit) bool { return inner[e.Start] })
	}
}

// quiet reports whether a node is at a place where survivors help nobody:
//
//   - what serves only a reader of logs, traces, measures or messages: a call
//     such as $this->logger->warning(...), anything in its arguments, the text
//     given to an exception, an "if" that guards nothing else;
//   - questions about the machine or PHP itself, such as PHP_VERSION_ID >= 80200
//     or function_exists(...), of which one run sees one answer only;
//   - tables of constants, save for their first and last row.
func quiet(f *syntax.File, n *syntax.Node) bool {
	if n.Is("if_statement", "else_if_clause", "while_statement", "do_statement", "conditional_expression") {
		return quietBranch(f, n) || asksPlatform(f, n.Child("condition"))
	}
	if asksPlatform(f, n) {
		return true
	}
	for p := n; p != nil; p = p.Parent {
		switch p.Kind {
		case "expression_statement":
			return quietStatement(f, p)
		case "parenthesized_expression":
			if p.Parent.Is("if_statement") && p.Field == "condition" {
				return quietBranch(f, p.Parent)
			}
		case "argument":
			if messageText(f, p) {
				return true
			}
		case "array_element_initializer":
			if isInnerRow(p) {
				return true
			}
		case "compound_statement", "declaration_list", "program":
			return false
		default:
			if quietCall(f, p) || p != n && asksPlatform(f, p) {
				return true
			}
		}
	}
	return false
}

// quietStatement reports whether a statement is nothing but a quiet call.
func quietStatement(f *syntax.File, n *syntax.Node) bool {
	if !n.Is("expression_statement") {
		return false
	}
	inner := n.NamedChildren()
	if len(inner) != 1 {
		return false
	}
	e := inner[0].Unwrapped()
	if e.Is("error_suppression_expression") && len(e.NamedChildren()) == 1 {
		e = e.NamedChildren()[0]
	}
	return quietCall(f, e)
}

// quietBranch reports whether an "if" without "else" guards quiet calls only.
func quietBranch(f *syntax.File, n *syntax.Node) bool {
	body := n.Child("body")
	if body == nil || !n.Is("if_statement") || n.Child("alternative") != nil {
		return false
	}
	if !body.Is("compound_statement", "colon_block") {
		return quietStatement(f, body)
	}
	inner := body.NamedChildren()
	for _, s := range inner {
		if !quietStatement(f, s) {
			return false
		}
	}
	return len(inner) > 0
}

// quietFunctions write to a log, measure, or check what production never checks
// (assert is off there by PHP's own recommended setting).
var quietFunctions = map[string]bool{
	"error_log": true, "trigger_error": true, "user_error": true, "syslog": true, "openlog": true,
	"closelog": true, "assert": true, "trigger_deprecation": true, "microtime": true, "hrtime": true,
	"memory_get_usage": true, "memory_get_peak_usage": true,
}

// logMethods are those of the PSR-3 logger interface.
var logMethods = map[string]bool{
	"emergency": true, "alert": true, "critical": true, "error": true, "warning": true,
	"notice": true, "info": true, "debug": true, "log": true,
}

// logWords name what logs and tracingWords what only traces or measures, when
// they are a whole word of a receiver's name: $this->auditLog, not $dialog.
var (
	logWords     = map[string]bool{"log": true, "logs": true, "logger": true, "logging": true}
	tracingWords = map[string]bool{
		"tracer": true, "stopwatch": true, "profiler": true, "metrics": true, "statsd": true, "telemetry": true,
	}
)

// quietCall reports whether a node is a call that only logs, traces or
// measures. Functions are known by name, methods by PSR-3's names and what the
// object is called.
func quietCall(f *syntax.File, n *syntax.Node) bool {
	switch n.Kind {
	case "function_call_expression":
		return quietFunctions[calledFunction(f, n)]
	case "member_call_expression", "nullsafe_member_call_expression":
		return quietReceiver(f, n.Child("object"), n.Child("name"))
	case "scoped_call_expression":
		return quietReceiver(f, n.Child("scope"), n.Child("name"))
	}
	return false
}

func quietReceiver(f *syntax.File, receiver, method *syntax.Node) bool {
	if receiver == nil || method == nil {
		return false
	}
	isLog := logMethods[strings.ToLower(f.Text(method))]
	for _, w := range words(lastName(f, receiver)) {
		if tracingWords[w] || isLog && logWords[w] {
			return true
		}
	}
	return false
}

// calledFunction gives the lower-case name of the function that a call names,
// without a namespace, or "" for a call of a value or of a method.
func calledFunction(f *syntax.File, call *syntax.Node) string {
	fn := call.Child("function")
	if !call.Is("function_call_expression") || !fn.Is("name", "qualified_name") {
		return ""
	}
	return strings.ToLower(lastName(f, fn))
}

// lastName gives the last plain name in an expression that denotes a thing:
// "logger" for $logger, $this->logger, self::$logger, $this->logger() and
// \Acme\logger; "" when there is none.
func lastName(f *syntax.File, n *syntax.Node) string {
	for n != nil {
		switch n.Kind {
		case "name":
			return f.Text(n)
		case "variable_name":
			return strings.TrimPrefix(f.Text(n), "$")
		case "function_call_expression":
			n = n.Child("function")
		case "qualified_name":
			text := f.Text(n)
			return text[strings.LastIndexByte(text, '\\')+1:]
		case "parenthesized_expression":
			if u := n.Unwrapped(); u != n {
				n = u
				continue
			}
			return ""
		default:
			n = n.Child("name")
		}
	}
	return ""
}

// words splits a name at underscores and capitals, in lower case:
// "auditLog" and "audit_log" give "audit", "log"; "HTTPLog" gives "http", "log".
func words(name string) []string {
	var out []string
	runes := []rune(name)
	start := 0
	cut := func(i int) {
		if i > start {
			out = append(out, strings.ToLower(string(runes[start:i])))
		}
		start = i
	}
	for i, r := range runes {
		switch {
		case r == '_':
			cut(i)
			start = i + 1
		case i > 0 && unicode.IsUpper(r) &&
			(!unicode.IsUpper(runes[i-1]) || i+1 < len(runes) && unicode.IsLower(runes[i+1])):
			cut(i)
		}
	}
	cut(len(runes))
	return out
}

// messageText reports whether an argument is the text of an exception: a
// string, or something that builds one, given to what makes an exception.
// Codes and other values are behaviour and stay.
func messageText(f *syntax.File, arg *syntax.Node) bool {
	if !arg.Parent.Is("arguments") || !makesException(f, arg.Parent.Parent) {
		return false
	}
	inner := arg.NamedChildren()
	return len(inner) > 0 && buildsText(f, inner[len(inner)-1].Unwrapped())
}

// makesException reports whether a call makes an exception: "new" or a static
// method, thrown on the spot or of a class named as one; or the parent's
// constructor, called in such a class.
func makesException(f *syntax.File, call *syntax.Node) bool {
	var class *syntax.Node
	switch call.Kind {
	case "object_creation_expression":
		class = call.First("name", "qualified_name")
	case "scoped_call_expression":
		class = call.Child("scope")
		if strings.EqualFold(f.Text(class), "parent") {
			around := f.Scope(call)
			base := around.ClassNode.First("base_clause").First("name", "qualified_name")
			return namesException(around.Class) || base != nil && namesException(f.Text(base))
		}
	default:
		return false
	}
	thrown := call.Parent
	for thrown.Is("parenthesized_expression") {
		thrown = thrown.Parent
	}
	return thrown.Is("throw_expression") || class != nil && namesException(lastName(f, class))
}

func namesException(class string) bool {
	return strings.HasSuffix(class, "Exception") || strings.HasSuffix(class, "Error")
}

// textBuilders make a text from their arguments.
var textBuilders = map[string]bool{
	"sprintf": true, "vsprintf": true, "implode": true, "join": true, "_": true, "__": true,
	"gettext": true, "ngettext": true, "trans": true, "t": true,
}

func buildsText(f *syntax.File, n *syntax.Node) bool {
	switch n.Kind {
	case "string", "encapsed_string", "heredoc", "nowdoc":
		return true
	case "binary_expression":
		return operatorText(f, n) == "."
	case "conditional_expression":
		return buildsText(f, n.Child("alternative").Unwrapped())
	case "function_call_expression":
		return textBuilders[calledFunction(f, n)]
	}
	return false
}

// platformNames are constants and functions by which code asks about PHP and
// the machine.
var platformNames = map[string]bool{
	"php_version_id": true, "php_version": true, "php_major_version": true, "php_minor_version": true,
	"php_os": true, "php_os_family": true, "php_sapi": true, "php_int_size": true, "directory_separator": true,
	"hhvm_version": true, "php_sapi_name": true, "phpversion": true, "php_uname": true, "version_compare": true,
	"extension_loaded": true, "function_exists": true, "defined": true, "get_loaded_extensions": true,
}

// asksPlatform reports whether a condition asks about PHP or the machine and
// about nothing else.
func asksPlatform(f *syntax.File, n *syntax.Node) bool {
	if n == nil {
		return false
	}
	n = core(f, n)
	switch {
	case isBinary(f, n, logicalOps):
		return asksPlatform(f, n.Child("left")) && asksPlatform(f, n.Child("right"))
	case isBinary(f, n, relationalOps), isBinary(f, n, equalityOps):
		return isPlatformName(f, n.Child("left")) || isPlatformName(f, n.Child("right"))
	case n.Is("function_call_expression"):
		return isPlatformName(f, n)
	}
	return false
}

// isPlatformName knows the names themselves, calls of the functions, and calls
// that are given one: version_compare(PHP_VERSION, ...), stripos(PHP_OS, ...).
func isPlatformName(f *syntax.File, n *syntax.Node) bool {
	switch n.Kind {
	case "name", "qualified_name":
		return platformNames[strings.ToLower(lastName(f, n))]
	case "function_call_expression":
		name := calledFunction(f, n)
		if name != "version_compare" && platformNames[name] {
			return true
		}
		for _, arg := range n.Child("arguments").NamedChildren() {
			if v := arg.NamedChildren(); len(v) > 0 && isPlatformName(f, v[len(v)-1]) {
				return true
			}
		}
	}
	return false
}

// maxRows is how many elements an array literal of constants may have before
// it counts as a table.
const maxRows = 12

// isInnerRow reports whether an element holds nothing but constants and lies
// in a table, neither as its first nor as its last element.
func isInnerRow(e *syntax.Node) bool {
	table := e.Parent
	if !table.Is("array_creation_expression") || len(table.Children) <= 2*maxRows+1 {
		return false
	}
	comma := e.Next()
	if !e.Prev().Is(",") || comma == nil || !comma.Next().Is("array_element_initializer") {
		return false
	}
	constant := true
	e.Walk(func(n *syntax.Node) bool {
		if n.Is("variable_name", "arguments", "anonymous_function", "arrow_function") {
			constant = false
		}
		return constant
	})
	return constant
}
