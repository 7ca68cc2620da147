package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The choice family takes ways out of switch and match, one at a time.
func init() {
	register(
		&mutate.Operator{
			ID: "choice/case-dropped",
			Doc: `One case of a switch is dropped.

No test brings this value and depends on its case. Add a row with it to a data provider and assert its result.`,
			Before: `switch ($tide) { case 'ebb': $n--; break; default: $n++; }`,
			After:  `switch ($tide) {  default: $n++; }`,
			Kinds:  []string{"case_statement"},
			Apply:  caseDropped,
		},
		&mutate.Operator{
			ID: "choice/arm-dropped",
			Doc: `One arm of a match, or one of the values that lead to it, is dropped.

No test brings this value and checks what comes of it. Add a row with it to a data provider and assert the result.`,
			Before: `$n = match ($tide) { 'ebb' => -1, default => 1 };`,
			After:  `$n = match ($tide) {  default => 1 };`,
			Kinds:  []string{"match_conditional_expression"},
			Apply:  armDropped,
		},
		&mutate.Operator{
			ID: "choice/default-dropped",
			Doc: `The default of a switch or match is dropped.

No test brings a value that none of the cases names. Add one, an impossible value too, and assert what happens to it.`,
			Before: `switch ($tide) { case 'ebb': $n--; break; default: $n++; }`,
			After:  `switch ($tide) { case 'ebb': $n--; break;  }`,
			Kinds:  []string{"default_statement", "match_default_expression"},
			Apply:  defaultDropped,
		},
		&mutate.Operator{
			ID: "choice/fall-through",
			Doc: `A break in a switch is dropped, and the next case runs as well.

No test of this case depends on the next one not running. Assert the whole outcome of this case.`,
			Before: `switch ($tide) { case 'ebb': $n--; break; default: $n *= 2; }`,
			After:  `switch ($tide) { case 'ebb': $n--; ; default: $n *= 2; }`,
			Kinds:  []string{"break_statement", "continue_statement"},
			Apply:  fallThrough,
		},
	)
}

// label gives the end of "case x:" or "default:".
func label(n *syntax.Node) int {
	end := n.Start
	for _, c := range n.Children {
		if !c.Named && (c.Kind == ":" || c.Kind == ";") {
			return c.End
		}
		end = c.End
	}
	return end
}

// runs gives the statements below a label.
func runs(n *syntax.Node) []*syntax.Node {
	var out []*syntax.Node
	for _, c := range n.NamedChildren() {
		if c.Start >= label(n) {
			out = append(out, c)
		}
	}
	return out
}

// entered reports whether the label before falls through into this one.
func entered(f *syntax.File, n *syntax.Node) bool {
	p := n.Prev()
	if !p.Is("case_statement", "default_statement") {
		return false
	}
	inner := runs(p)
	return len(inner) == 0 || !ends(f, inner[len(inner)-1])
}

// labelDropped takes a label out: with its statements, or without them when
// the label before it falls through into them.
func labelDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	if n.First("text_interpolation") != nil || holdsLabel(n) {
		return nil
	}
	if entered(f, n) {
		return remove(n.Start, label(n))
	}
	return remove(n.Start, n.End)
}

// caseDropped leaves a bare label alone that falls into default, and one that
// does nothing where there is no default: the value goes the same way without.
func caseDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	next := n
	for next.Is("case_statement") && len(runs(next)) == 0 {
		next = next.Next()
	}
	if next.Is("default_statement") && next != n {
		return nil
	}
	if next.Is("case_statement") && idle(f, next) && n.Parent.First("default_statement") == nil {
		return nil
	}
	return labelDropped(f, n)
}

// idle reports whether a label only leaves the switch.
func idle(f *syntax.File, n *syntax.Node) bool {
	inner := runs(n)
	return len(inner) == 0 && !n.Next().Is("case_statement", "default_statement") ||
		len(inner) == 1 && inner[0].Is("break_statement") && strings.TrimRight(f.Text(inner[0]), "; ") == "break"
}

// defaultDropped leaves a default alone that does nothing, and one that only
// throws: there the family of exceptions asks the sharper question.
func defaultDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	if n.Is("match_default_expression") {
		if n.Child("return_expression").Is("throw_expression") {
			return nil
		}
		return listedDropped(n)
	}
	inner := runs(n)
	if idle(f, n) || len(inner) == 0 || inner[0].Is("expression_statement") && inner[0].First("throw_expression") != nil {
		return nil
	}
	return labelDropped(f, n)
}

// listedDropped takes an arm out with the comma behind it.
func listedDropped(n *syntax.Node) []mutate.Edit {
	end := n.End
	if comma := n.Next(); comma != nil && comma.Kind == "," {
		end = comma.End
	}
	return remove(n.Start, end)
}

// armDropped drops each of several values in turn, or the arm with its only
// one.
func armDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	list := n.Child("conditional_expressions").NamedChildren()
	if len(list) > 1 {
		return eachDropped(list)
	}
	return listedDropped(n)
}

// fallThrough needs statements below that the case would fall into.
func fallThrough(f *syntax.File, n *syntax.Node) []mutate.Edit {
	target := jumpTarget(f, n)
	if !target.Is("switch_statement") || n.First("integer") != nil {
		return nil
	}
	section := n.Up("case_statement", "default_statement")
	if section == nil {
		return nil
	}
	if last(n, section) {
		next := section.Next()
		for next.Is("case_statement", "default_statement") && len(runs(next)) == 0 {
			next = next.Next()
		}
		if !next.Is("case_statement", "default_statement") || idle(f, next) {
			return nil
		}
	}
	return dropStatement(f, n)
}
