package mutate

import "assay/mutate/syntax"

// enteredFor gives the point of the block without which an edit makes no difference; 0 for
// none. n holds the edit. Of a block whose statements are run in order it is the first's
// that tells that it was entered.
func (p *placer) enteredFor(n *syntax.Node, e Edit, points *Points) int {
	if n.Is("{") && n.Parent != nil { // of two nodes that an empty edit lies between it is the first
		n = n.Parent
	}
	switch {
	case n.Bad, p.hasLabels(n): // a jump may lead behind the first statement
	case n.Is("compound_statement") && n.Start < e.Start && e.End < n.End && !isFunction(n.Parent) && points.at[n] == 0:
		return firstPoint(n, points)
	case n.Is("type_list", "catch_clause") && e.New == "": // one class that is caught no longer
		if !n.Is("catch_clause") {
			n = n.Parent
		}
		if body := n.Child("body"); n.Is("catch_clause") && body != nil && e.End <= body.Start {
			return firstPoint(body, points)
		}
	case n.Is("switch_block", "case_statement") && e.New == "":
		return p.droppedCase(n, e, points)
	}
	return 0
}

// hasLabels reports whether the function that holds a node has jumps to labels.
func (p *placer) hasLabels(n *syntax.Node) bool {
	fn := p.functionAround(n, false)
	if fn == nil {
		return hasGoto(p.file.Root)
	}
	labels, ok := p.labels[fn]
	if !ok {
		labels = hasGoto(fn)
		p.labels[fn] = labels
	}
	return labels
}

// droppedCase gives the point of the first statement of a case that an edit takes away with
// its statements, if to compare its value has no effect.
func (p *placer) droppedCase(n *syntax.Node, e Edit, points *Points) int {
	cases := []*syntax.Node{n}
	if n.Is("switch_block") {
		cases = n.NamedChildren()
	}
	found := 0
	for _, c := range cases {
		if !c.Overlaps(e.Span) {
			continue
		}
		value := c.Child("value")
		if found != 0 || c.Bad || !e.Contains(c.Span) || !c.Is("case_statement", "default_statement") || value != nil && !p.isPure(value) {
			return 0
		}
		if found = firstPoint(c, points); found == 0 {
			return 0
		}
	}
	return found
}

// firstPoint gives the point of the first statement of a block or case; 0 where that has none.
func firstPoint(block *syntax.Node, points *Points) int {
	for _, c := range block.NamedChildren() {
		if c.Field == "value" {
			continue
		}
		return points.at[c]
	}
	return 0
}
