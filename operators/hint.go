package operators

import (
	"strings"
	"unicode/utf8"

	"assay/mutate"
	"assay/mutate/syntax"
)

// What is in this file and in those whose names begin with hint_ gives the texts of
// [mutate.Operator.Hint]: what to do about one change, where the code around it says more
// than the operator does, or where what the operator says of all of its mutants is wrong.

// hintFunc is the form of Operator.Hint.
type hintFunc = func(*syntax.File, *syntax.Node, mutate.Edit) mutate.Hints

// longestNamed bounds, in characters, the code that a hint quotes.
const longestNamed = 48

// named gives the code of a node in backticks, on one line; otherwise, where that is too
// long or has backticks of its own, what is said instead.
func named(f *syntax.File, n *syntax.Node, otherwise string) string {
	return quoted(f.Text(n), otherwise)
}

func quoted(code, otherwise string) string {
	code = strings.TrimSpace(code)
	if strings.ContainsAny(code, "\r\n") {
		code = strings.Join(strings.Fields(code), " ")
	}
	if code == "" || strings.Contains(code, "`") || utf8.RuneCountInString(code) > longestNamed {
		return otherwise
	}
	return "`" + code + "`"
}

// decided gives hints of a case, as in "`$a` is 2": the case is missing, or what happens in
// it is not looked at.
func decided(is string) mutate.Hints {
	return mutate.Hints{Input: "Add a case in which " + is + ".", Outcome: "Assert what happens when " + is + ".",
		Either: "No test depends on what happens when " + is + ". Have such a case, and assert what happens then."}
}

// isTruth reports whether an expression is true or false and nothing else, as far as its
// form tells.
func isTruth(f *syntax.File, n *syntax.Node) bool {
	n = n.Unwrapped()
	return n.Is("boolean") || truth(f, n) || n.Is("binary_expression") && operatorText(f, n) == "instanceof" || typeTests[builtin(f, n)]
}

// being says in words that an expression is true, or that it is not.
func being(f *syntax.File, n *syntax.Node, code string, holds bool) string {
	switch {
	case isTruth(f, n) && holds:
		return code + " is true"
	case isTruth(f, n):
		return code + " is false"
	case holds:
		return code + " holds"
	}
	return code + " does not hold"
}

// forcedHint is for expressions that become true or false: only a case in which they are
// the other can tell.
func forcedHint(f *syntax.File, _ *syntax.Node, e mutate.Edit) mutate.Hints {
	to := strings.ToLower(strings.TrimSpace(e.New))
	n := covering(f, e.Span)
	code := named(f, n, "")
	switch {
	case n.Span != e.Span || to != "true" && to != "false":
		return mutate.Hints{}
	case code == "" && isBinary(f, n, logicalOps):
		return decided("both sides are " + map[string]string{"true": "false", "false": "true"}[to])
	case code == "":
		return mutate.Hints{}
	}
	return decided(being(f, n, code, to == "false"))
}

// covering gives the outermost named node that has no text outside a span, or the innermost
// that holds it.
func covering(f *syntax.File, span syntax.Span) *syntax.Node {
	at := f.Root
	for c := at.Holding(span); c != nil && at.Span != span; c = c.Holding(span) {
		at = c
	}
	return at
}

// ternaryHint names the condition.
func ternaryHint(f *syntax.File, n *syntax.Node, e mutate.Edit) mutate.Hints {
	condition, body, other := n.Child("condition"), n.Child("body"), n.Child("alternative")
	code := named(f, condition, "")
	if code == "" || body == nil || other == nil {
		return mutate.Hints{}
	}
	bare := func(text string) string { return strings.Trim(text, "() \t\r\n") }
	first := bare(e.New) == bare(f.Text(body))
	is, value := being(f, condition, code, !first), named(f, body, "the first value")
	if first {
		value = named(f, other, "the second value")
	}
	return mutate.Hints{Input: "Add a case in which " + is + " and the two values differ.",
		Outcome: "Assert that " + value + " comes out when " + is + "."}
}

// elementHint names the element.
func elementHint(f *syntax.File, n *syntax.Node, e mutate.Edit) mutate.Hints {
	code := quoted(strings.Trim(string(f.Src[e.Start:e.End]), ", \t\r\n"), "")
	if code == "" {
		return mutate.Hints{}
	}
	return mutate.Hints{Input: "Add a case that needs the element " + code + ", such as an input that only this entry covers.",
		Outcome: "Assert the whole array, or what comes of the element " + code + "."}
}

// assignmentHint names what is assigned, and to what.
func assignmentHint(f *syntax.File, n *syntax.Node, _ mutate.Edit) mutate.Hints {
	inner := n.NamedChildren()
	if len(inner) != 1 || !inner[0].Is("assignment_expression") {
		return mutate.Hints{}
	}
	left, right := named(f, inner[0].Child("left"), ""), named(f, inner[0].Child("right"), "the new value")
	if left == "" {
		return mutate.Hints{}
	}
	return mutate.Hints{Input: "Add a case in which " + right + " differs from what " + left + " holds before.",
		Outcome: "Assert the new value of " + left + " after the call, through what callers can see."}
}

// substituteHint is for "$a->name ?? $a->other()": the left side can be null because of $a,
// and then the right one cannot be evaluated.
func substituteHint(f *syntax.File, n *syntax.Node, _ mutate.Edit) mutate.Hints {
	left, right := n.Child("left").Unwrapped(), n.Child("right")
	code, owner := named(f, left, ""), left
	for owner.Is("member_access_expression", "nullsafe_member_access_expression", "subscript_expression") && len(owner.NamedChildren()) > 0 {
		owner = owner.NamedChildren()[0]
	}
	switch {
	case code == "":
		return mutate.Hints{}
	case owner != left && f.Text(owner) != "$this" && reads(f, right, f.Text(owner)):
		return mutate.Hints{Input: "Add a case in which " + code + " is null and " + named(f, owner, "what it is taken from") + " is not: the right side uses it as well.",
			Outcome: "Assert that " + named(f, right, "the right side") + " is used when " + code + " is null."}
	}
	return mutate.Hints{Input: "Add a case in which " + code + " is null or missing.",
		Outcome: "Assert that " + named(f, right, "the default") + " is used when " + code + " is null or missing."}
}

// loosenedHint has what is loosely equal to a literal beside which no other type counts. By
// the table of loose comparisons in PHP's manual, as of PHP 8.
func loosenedHint(f *syntax.File, n *syntax.Node, _ mutate.Edit) mutate.Hints {
	value, other := n.Child("right").Unwrapped(), n.Child("left").Unwrapped()
	alike := looselyEqual(f, value)
	if alike == "" {
		value, other = other, value
		alike = looselyEqual(f, value)
	}
	if alike == "" {
		return mutate.Hints{}
	}
	code, at := named(f, value, "the value"), named(f, other, "the other side")
	return mutate.Hints{Input: "Add a case in which " + at + " is loosely equal to " + code + " and not the same: " + alike + ", whichever can occur here.",
		Outcome: "Assert what happens when " + at + " is loosely equal to " + code + " and not the same."}
}

func looselyEqual(f *syntax.File, n *syntax.Node) string {
	switch text := strings.ToLower(f.Text(n)); {
	case text == "false":
		return "0, '', '0', [] or null"
	case text == "null":
		return "false, 0, '' or []"
	case text == "true":
		return "1, 'x' or another value that is not empty"
	case text == "0":
		return "'0', 0.0, false or null"
	case text == "''", text == `""`:
		return "null or false"
	case text == "[]":
		return "null or false"
	case n.Is("integer"):
		return "a text or a float with the same number, or true"
	case n.Is("float"):
		return "a text or an integer with the same number, or true"
	}
	return ""
}

// eachName gives a text for each of the names that stand in a key, with blanks between them.
func eachName(texts map[string]string) map[string]string {
	out := map[string]string{}
	for names, text := range texts {
		for _, name := range strings.Fields(names) {
			out[name] = text
		}
	}
	return out
}
