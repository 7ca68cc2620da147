package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	register(
		&mutate.Operator{
			ID: "exception/catch-widened",
			Doc: `A catch block takes exceptions of a more general class.

No test lets another exception out of the try block and looks whether it goes on to the caller. Let a stub throw one that is of the more general class and not of this one, and expect it.`,
			Before: `try { go(); } catch (\RangeException $e) { stay(); }`,
			After:  `try { go(); } catch (\RuntimeException $e) { stay(); }`,
			Kinds:  []string{"catch_clause"},
			Wide:   true,
			Apply:  catchWidened,
		},
		&mutate.Operator{
			ID: "arithmetic/fraction-kept",
			Doc: `The fraction is kept: intdiv($a, $b) becomes $a / $b.

No test has numbers here of which one does not divide the other. Add such a case, and compare with assertSame, which tells 3 and 3.0 apart.`,
			Input:   "Add a case in which the second number does not divide the first.",
			Outcome: "Assert the result with assertSame, in a case in which the second number does not divide the first.",
			Before:  `$boxes = intdiv($jars, $each);`,
			After:   `$boxes = $jars / $each;`,
			Kinds:   []string{"function_call_expression"},
			Wide:    true,
			Apply:   fractionKept,
		},
	)
}

// caughtParents are the parents of PHP's own exceptions, for catching; from the manual, and
// TestCaughtParents asks PHP. Those that can be thrown as well are in parentClasses.
var caughtParents = func() map[string]string {
	out := map[string]string{"exception": "Throwable", "error": "Throwable", "errorexception": "Exception",
		"reflectionexception": "Exception", "pdoexception": "RuntimeException"}
	for class, parent := range parentClasses {
		out[class] = parent
	}
	return out
}()

// catchWidened leaves a class alone where something before it, or in its own list, catches the
// more general one.
func catchWidened(f *syntax.File, n *syntax.Node) []mutate.Edit {
	caught := map[string]bool{}
	for c := n; c.Is("catch_clause"); c = c.Prev() {
		for _, t := range c.Child("type").NamedChildren() {
			caught[caughtClass(f, t)] = true
		}
	}
	var out []mutate.Edit
	for _, t := range n.Child("type").NamedChildren() {
		to := caughtParents[caughtClass(f, t)]
		isCaught := false
		for above := strings.ToLower(to); above != ""; above = strings.ToLower(caughtParents[above]) {
			isCaught = isCaught || caught[above]
		}
		if to != "" && !isCaught {
			out = append(out, fit(f, t.Span, `\`+to)...)
		}
	}
	return out
}

// caughtClass gives the full name, in lower case, of a class in a catch clause.
func caughtClass(f *syntax.File, t *syntax.Node) string {
	if name := t.First("name", "qualified_name"); name != nil {
		t = name
	}
	return strings.ToLower(className(f, t))
}

// fractionKept leaves alone what is made an integer again.
func fractionKept(f *syntax.File, n *syntax.Node) []mutate.Edit {
	name, args, ok := callTo(f, n, 2)
	if name != "intdiv" || !ok || len(args) != 2 || n.Parent.Is("expression_statement") {
		return nil
	}
	if n.Parent.Is("cast_expression") && castTypes[strings.ToLower(strings.TrimSpace(f.Text(n.Parent.Child("type"))))] == "int" {
		return nil
	}
	a, b := argValue(args[0]), argValue(args[1])
	left, right := f.Text(a), f.Text(b)
	if isLiteral(f, b, "1") {
		return nil
	}
	if binding(f, a) < bindings["/"] {
		left = "(" + left + ")"
	}
	if binding(f, b) <= bindings["/"] {
		right = "(" + right + ")"
	}
	text := left + " / " + right
	if !n.Parent.Is("argument", "parenthesized_expression") && !(n.Parent.Is(delimited...) && n.Field != "left") {
		text = "(" + text + ")"
	}
	return fit(f, n.Span, text)
}
