package operators

import (
	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	update := []string{"update_expression"}
	register(
		&mutate.Operator{
			ID: "increment/up-reversed",
			Doc: `The counter goes down instead of up: ++ becomes --.

No test looks at the counter after it was moved. Assert the count itself, or something that depends on it.`,
			Before: `$seats++;`, After: `$seats--;`,
			Kinds: update, Apply: swap(map[string]string{"++": "--"}, countMatters), Hint: placeHint,
		},
		&mutate.Operator{
			ID: "increment/down-reversed",
			Doc: `The counter goes up instead of down: -- becomes ++.

No test looks at the counter after it was moved. Assert the count itself, or something that depends on it.`,
			Before: `$seats--;`, After: `$seats++;`,
			Kinds: update, Apply: swap(map[string]string{"--": "++"}, countMatters), Hint: placeHint,
		},
		&mutate.Operator{
			ID: "increment/count-dropped",
			Doc: `The counter is not moved: the statement $i++; or $i--; is dropped.

No test depends on this count. Add one that goes through here at least twice and asserts the count, or drop the counter if nothing reads it.`,
			Before: `$misses++;`, After: `;`,
			Kinds: []string{"expression_statement"}, Apply: dropCount, Hint: placeHint,
		},
		&mutate.Operator{
			ID: "increment/read-order-swapped",
			Doc: `The value is read before it is counted instead of after, or after instead of before: $i++ becomes ++$i and the other way round.

No test tells the old value of the counter from the new one. Assert the first value that comes out here, such as the first number that is handed out.`,
			Before: `return $next++;`, After: `return ++$next;`,
			Kinds: update, Apply: swapReadOrder,
		},
	)
}

// countMatters leaves alone what steers a loop, which would hardly ever end,
// and "return $local++", whose new value nobody can see.
func countMatters(f *syntax.File, n *syntax.Node) bool {
	counter := n.Child("argument")
	if isStep(f, n, counter) {
		return false
	}
	return !(n.Parent.Is("return_statement") && counter.Is("variable_name") && isPostfix(n))
}

// isPostfix reports whether the operator stands behind the operand.
func isPostfix(n *syntax.Node) bool { return operatorOf(n).Start > n.Start }

func dropCount(f *syntax.File, n *syntax.Node) []mutate.Edit {
	inner := n.NamedChildren()
	if len(inner) != 1 || !inner[0].Is("update_expression") || isStep(f, n, inner[0].Child("argument")) {
		return nil
	}
	return dropStatement(f, n)
}

// swapReadOrder leaves alone what is not read: statements, and the first and
// third part of "for".
func swapReadOrder(f *syntax.File, n *syntax.Node) []mutate.Edit {
	place := n
	if n.Parent.Is("sequence_expression") {
		place = n.Parent
	}
	if place.Parent.Is("expression_statement") || place.Field == "initialize" || place.Field == "update" {
		return nil
	}
	counter, op := f.Text(n.Child("argument")), f.Text(operatorOf(n))
	if isPostfix(n) {
		return fit(f, n.Span, op+counter)
	}
	return fit(f, n.Span, counter+op)
}
