package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The exception family asks whether tests go down the paths where something
// fails, and whether they look at what fails there.
func init() {
	register(
		&mutate.Operator{
			ID: "exception/throw-dropped",
			Doc: `Nothing is thrown.

No test expects this exception. Add one that calls expectException() with the class (and expectExceptionMessage() if callers depend on the message) and then does the forbidden thing.`,
			Hint:   throwHint,
			Before: `if ($fare < 0) { throw new RangeException('fare'); }`,
			After:  `if ($fare < 0) { ; }`,
			Kinds:  []string{"throw_expression"},
			Apply:  throwDropped,
		},
		&mutate.Operator{
			ID: "exception/class-widened",
			Doc: `The exception that is thrown is of a more general class.

No test asks for this very class. Pass it to expectException(), not \Exception or a parent: callers choose their catch block by the class.`,
			Hint:   throwHint,
			Before: `throw new RangeException('fare');`,
			After:  `throw new \RuntimeException('fare');`,
			Kinds:  []string{"object_creation_expression"},
			Apply:  classWidened,
		},
		&mutate.Operator{
			ID: "exception/catch-emptied",
			Doc: `The catch block does nothing.

No test makes the try block fail and then checks how that was handled. Let a stub throw the caught exception and assert what the block is there for.`,
			Before: `try { go(); } catch (Gale $e) { $late = true; stay(); }`,
			After:  `try { go(); } catch (Gale $e) {}`,
			Kinds:  []string{"catch_clause"},
			Apply:  catchEmptied,
		},
		&mutate.Operator{
			ID: "exception/not-caught",
			Doc: `A catch block misses what it is for: it throws it on, or one class of its list is dropped.

No test makes the try block fail with an exception of that class. Let a stub throw one and assert that the caller is spared it; with several classes, use a data provider with a row for each.`,
			Before: `try { go(); } catch (Gale $e) { stay(); }`,
			After:  `try { go(); } catch (Gale $e) { throw $e; stay(); }`,
			Kinds:  []string{"catch_clause"},
			Apply:  notCaught,
		},
		&mutate.Operator{
			ID: "exception/finally-emptied",
			Doc: `The finally block does nothing.

No test checks that the cleaning up was done. Assert it (the lock is free, the file is gone, the old value is back) once after success and once after an exception.`,
			Before: `try { go(); } finally { $this->unlock(); $this->busy = false; }`,
			After:  `try { go(); } finally {}`,
			Kinds:  []string{"finally_clause"},
			Apply:  finallyEmptied,
		},
		&mutate.Operator{
			ID: "exception/previous-dropped",
			Doc: `An exception is thrown without the one that caused it.

No test looks at getPrevious(). If someone relies on the cause being there, catch the exception in a test and assert it.`,
			Before: `try { go(); } catch (Gale $e) { throw new Late('x', 0, $e); }`,
			After:  `try { go(); } catch (Gale $e) { throw new Late('x', 0); }`,
			Kinds:  []string{"object_creation_expression"},
			Wide:   true, // few people act on it
			Apply:  previousDropped,
		},
	)
}

// throwDropped leaves null where an expression throws: "?? throw", an arm of a
// match.
func throwDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	if n.Parent.Is("expression_statement") {
		return dropStatement(f, n.Parent)
	}
	if isBinary(f, n.Parent, logicalOps) {
		return nil // "$x or throw $e" => "$x" is the family connective's
	}
	return fit(f, n.Span, "null")
}

// parentClasses are PHP's own exceptions whose constructors take the same
// arguments as their parent's; from the manual, "Predefined Exceptions" and
// "SPL Exceptions". ErrorException is not among them.
var parentClasses = map[string]string{
	"badfunctioncallexception": "LogicException", "badmethodcallexception": "BadFunctionCallException",
	"domainexception": "LogicException", "invalidargumentexception": "LogicException",
	"lengthexception": "LogicException", "outofrangeexception": "LogicException",
	"outofboundsexception": "RuntimeException", "rangeexception": "RuntimeException",
	"overflowexception": "RuntimeException", "underflowexception": "RuntimeException",
	"unexpectedvalueexception": "RuntimeException",
	"logicexception":           "Exception", "runtimeexception": "Exception", "jsonexception": "Exception",
	"typeerror": "Error", "valueerror": "Error", "arithmeticerror": "Error", "assertionerror": "Error",
	"unhandledmatcherror": "Error", "argumentcounterror": "TypeError", "divisionbyzeroerror": "ArithmeticError",
}

// classWidened replaces PHP's own exceptions by their parent and the
// project's by \Exception. What is called ...Error may be no \Exception, so
// only PHP's own are known; \Exception and \Error have no general parent that
// can be thrown.
func classWidened(f *syntax.File, n *syntax.Node) []mutate.Edit {
	class := n.First("name", "qualified_name")
	full := strings.ToLower(className(f, class))
	if full == "" || !thrown(n) {
		return nil
	}
	if parent := parentClasses[full]; parent != "" {
		return fit(f, class.Span, `\`+parent)
	}
	switch full {
	case "exception", "error", "errorexception", "self", "static", "parent":
		return nil
	}
	if strings.HasSuffix(full, "error") || strings.HasSuffix(full, `\self`) || strings.HasSuffix(full, `\static`) ||
		strings.HasSuffix(full, `\parent`) {
		return nil
	}
	list := n.First("arguments")
	if list == nil || argsOfException(f, n) {
		return fit(f, class.Span, `\Exception`)
	}
	return fit(f, syntax.Span{Start: class.Start, End: list.End}, `\Exception()`)
}

// thrown reports whether a new object is thrown where it is made.
func thrown(n *syntax.Node) bool {
	p := n.Parent
	for p.Is("parenthesized_expression") {
		p = p.Parent
	}
	return p.Is("throw_expression")
}

// argsOfException reports whether the arguments suit the constructor that
// \Exception has: a text, a code, what was caught. Others would make the
// mutant fail for the wrong reason, so they are left out with their meaning.
func argsOfException(f *syntax.File, n *syntax.Node) bool {
	args, ok := plainArgs(n)
	if !ok || len(args) > 3 {
		return false
	}
	for i, a := range args {
		v := argValue(a).Unwrapped()
		text := strings.ToLower(f.Text(v))
		switch i {
		case 0:
			ok = buildsText(f, v) || strings.HasSuffix(text, "getmessage()") || text == "$message" || text == "$msg"
		case 1:
			ok = v.Is("integer") || strings.HasSuffix(text, "getcode()") || text == "$code"
		case 2:
			ok = v.Is("null") || v.Is("variable_name") && f.Text(v) == catchesVariable(f, n) || text == "$previous"
		}
		if !ok {
			return false
		}
	}
	return true
}

// catchEmptied leaves a block alone whose only statement another operator
// drops, and one that ends in a throw: dropping that comes to the same.
func catchEmptied(f *syntax.File, n *syntax.Node) []mutate.Edit {
	body := n.Child("body")
	inner := body.NamedChildren()
	if len(inner) == 0 || allQuiet(f, inner) || holdsLabel(body) {
		return nil
	}
	if oneDropped(f, body) || inner[len(inner)-1].First("throw_expression") != nil {
		return nil
	}
	return one(body, "{}")
}

// allQuiet reports whether statements do nothing but log or measure.
func allQuiet(f *syntax.File, statements []*syntax.Node) bool {
	for _, s := range statements {
		if !quietStatement(f, s) {
			return false
		}
	}
	return true
}

// notCaught names the caught exception where the block does not.
func notCaught(f *syntax.File, n *syntax.Node) []mutate.Edit {
	body, name, types := n.Child("body"), n.Child("name"), n.Child("type")
	if body == nil || len(body.Children) == 0 || types == nil {
		return nil
	}
	if list := types.NamedChildren(); len(list) > 1 {
		return eachDropped(list)
	}
	open := body.Children[0]
	if name == nil {
		return []mutate.Edit{{Span: syntax.Span{Start: types.End, End: open.End}, New: " $caught) { throw $caught;"}}
	}
	throw := "throw " + f.Text(name) + ";"
	if inner := body.NamedChildren(); len(inner) > 0 && f.Text(inner[0]) == throw {
		return nil
	}
	return []mutate.Edit{{Span: syntax.Span{Start: open.End, End: open.End}, New: " " + throw}}
}

// eachDropped takes each of two or more listed nodes out in turn, with the
// separator before it, or behind it for the first.
func eachDropped(list []*syntax.Node) []mutate.Edit {
	out := remove(list[0].Start, list[1].Start)
	for i, n := range list[1:] {
		out = append(out, remove(list[i].End, n.End)...)
	}
	return out
}

// finallyEmptied leaves single statements to their own operators, see
// catchEmptied.
func finallyEmptied(f *syntax.File, n *syntax.Node) []mutate.Edit {
	body := n.Child("body")
	if inner := body.NamedChildren(); len(inner) == 0 || allQuiet(f, inner) || oneDropped(f, body) || holdsLabel(body) {
		return nil
	}
	return one(body, "{}")
}

// previousDropped takes the caught exception out of the last argument.
func previousDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	args := n.First("arguments").NamedChildren()
	caught := catchesVariable(f, n)
	if len(args) < 2 || caught == "" {
		return nil
	}
	prior, arg := args[len(args)-2], args[len(args)-1]
	if !arg.Is("argument") || f.Text(argValue(arg)) != caught {
		return nil
	}
	return remove(prior.End, arg.End)
}
