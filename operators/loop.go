package operators

import (
	"strconv"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The loop family makes a loop run never, once, too long or too short.
func init() {
	register(
		&mutate.Operator{
			ID: "loop/skipped",
			Doc: `The loop does not run: a foreach goes over [], the condition of a while or for is false.

No test needs what this loop does. Pass at least one element and assert the effect it must have.`,
			Input:   "Add a case in which the loop has at least one turn that does something.",
			Outcome: "Assert the effect that the loop must have.",
			Before:  `foreach ($stops as $stop) { $sum += $stop; $n++; }`,
			After:   `foreach ([] as $stop) { $sum += $stop; $n++; }`,
			Kinds:   []string{"foreach_statement", "while_statement", "for_statement"},
			Apply:   loopSkipped,
		},
		&mutate.Operator{
			ID: "loop/once",
			Doc: `The loop ends after its first turn.

No test needs a second turn. Pass two or more elements that differ and assert something that the last of them brings about.`,
			Before: `foreach ($stops as $stop) { $sum += $stop; }`,
			After:  `foreach ($stops as $stop) { $sum += $stop; break; }`,
			Kinds:  []string{"foreach_statement", "for_statement", "while_statement"},
			Apply:  loopOnce,
		},
		&mutate.Operator{
			ID: "loop/jump-swapped",
			Doc: `A break becomes continue, or a continue break.

No test depends on whether the loop goes on after this point. Put an element behind the one that leads here and assert that it is (for break: is not) dealt with.`,
			Before: `foreach ($stops as $stop) { if ($stop->closed) { continue; } go($stop); }`,
			After:  `foreach ($stops as $stop) { if ($stop->closed) { break; } go($stop); }`,
			Kinds:  []string{"break_statement", "continue_statement"},
			Apply:  jumpSwapped,
		},
		&mutate.Operator{
			ID: "loop/jump-dropped",
			Doc: `A break or continue is dropped, and the rest of the loop's body runs.

No test depends on the rest of the body being passed over for this element. Assert that what it does has not happened.`,
			Before: `foreach ($stops as $stop) { if ($stop->closed) { continue; } go($stop); }`,
			After:  `foreach ($stops as $stop) { if ($stop->closed) { ; } go($stop); }`,
			Kinds:  []string{"break_statement", "continue_statement"},
			Apply:  jumpDropped,
		},
	)
}

// loopSkipped leaves conditions alone that have families of their own: those
// make them false, too. A foreach whose body is one statement that is dropped
// elsewhere would be the same mutant again.
func loopSkipped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	over := n.Child("condition")
	text := "false"
	if n.Is("foreach_statement") {
		text = "[]"
		if inner := n.NamedChildren(); len(inner) > 1 && !oneDropped(f, n.Child("body")) {
			over = inner[0]
		}
	}
	if over == nil || holdsYield(over) {
		return nil
	}
	switch u := over.Unwrapped(); {
	case text == "[]" && u.Is("array_creation_expression") && len(u.NamedChildren()) == 0,
		text == "false" && (u.Is("sequence_expression") || !isPlain(f, core(f, u))):
		return nil
	case over.Is("parenthesized_expression") && text == "false":
		over = u
	}
	return fit(f, over.Span, text)
}

// loopOnce does nothing where the first turn is the last anyway.
func loopOnce(f *syntax.File, n *syntax.Node) []mutate.Edit {
	body := n.Child("body")
	end := closingToken(f, n, body)
	if body == nil || body.Is("empty_statement") {
		return nil
	}
	if end == nil {
		text := f.Text(body)
		if ends(f, body) || !strings.HasSuffix(text, ";") && !strings.HasSuffix(text, "}") {
			return nil
		}
		return fit(f, body.Span, "{ "+text+" break; }")
	}
	inner := body.NamedChildren()
	if len(inner) == 0 || ends(f, inner[len(inner)-1]) {
		return nil
	}
	return []mutate.Edit{{Span: syntax.Span{Start: end.Start, End: end.Start}, New: "break; "}}
}

// closingToken gives the "}" or "endforeach" that ends a loop's body, or nil
// when the body is one statement.
func closingToken(f *syntax.File, loop, body *syntax.Node) *syntax.Node {
	if body.Is("compound_statement") {
		return body.Children[len(body.Children)-1]
	}
	for _, c := range loop.Children {
		if !c.Named && strings.HasPrefix(strings.ToLower(f.Text(c)), "end") {
			return c
		}
	}
	return nil
}

// jumpTarget gives the loop or switch that a break or continue leaves.
func jumpTarget(f *syntax.File, jump *syntax.Node) *syntax.Node {
	level := 1
	if n := jump.First("integer"); n != nil {
		level, _ = strconv.Atoi(f.Text(n))
	}
	for p := jump.Parent; p != nil && !p.Is(functionKinds...); p = p.Parent {
		if p.Is(loopKinds...) || p.Is("switch_statement") {
			if level--; level == 0 {
				return p
			}
		}
	}
	return nil
}

// onlyWayOut reports whether a jump is the only one out of a loop that has no
// condition of its own: without it every test would run for ever, which tells
// nobody anything.
func onlyWayOut(f *syntax.File, jump, loop *syntax.Node) bool {
	condition := strings.ToLower(strings.Trim(f.Text(loop.Child("condition")), "() "))
	if loop.Is("foreach_statement") || condition != "" && condition != "true" && condition != "1" {
		return false
	}
	ways := 0
	loop.Walk(func(n *syntax.Node) bool {
		switch n.Kind {
		case "return_statement", "throw_expression", "goto_statement", "exit_statement":
			ways++
		case "break_statement":
			if t := jumpTarget(f, n); t == nil || t.Span.Contains(loop.Span) {
				ways++
			}
		}
		return n == loop || !n.Is(functionKinds...)
	})
	return ways <= 1 && jump.Is("break_statement")
}

// loopJump gives the loop that a jump is about, or nil when it leaves a
// switch, where break and continue are the same.
func loopJump(f *syntax.File, n *syntax.Node) *syntax.Node {
	loop := jumpTarget(f, n)
	if !loop.Is(loopKinds...) || loop.Child("body") == nil || onlyWayOut(f, n, loop) {
		return nil
	}
	return loop
}

func jumpSwapped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	if loopJump(f, n) == nil {
		return nil
	}
	to := "break"
	if n.Is("break_statement") {
		to = "continue"
	}
	return one(n.Children[0], to)
}

// jumpDropped leaves a jump at the end of the body alone: dropping a continue
// there changes nothing, and dropping a break is what swapping it does.
func jumpDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	loop := loopJump(f, n)
	if loop == nil || last(n, loop.Child("body")) {
		return nil
	}
	return dropStatement(f, n)
}
