package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	kinds := []string{"array_creation_expression"}
	register(
		&mutate.Operator{
			ID: "array/element-dropped",
			Doc: `An element of an array literal is dropped: ['a', 'b'] becomes ['b'] or ['a'].

No test depends on this element. Add one that needs it, such as an input that only this entry covers, or assert the whole array.`,
			Input:   "Add a case that needs this element, such as an input that only this entry covers.",
			Outcome: "Assert the whole array, or what comes of this element.",
			Hint:    elementHint,
			Before:  `$ports = ['Emden'];`, After: `$ports = [];`,
			Kinds: kinds, Apply: dropElements,
		},
		&mutate.Operator{
			ID: "array/all-dropped",
			Doc: `All elements of an array literal are dropped: ['a', 'b'] becomes [].

No test depends on anything in this array. Assert what it holds, or what is done with each of its elements.`,
			Input:   "Add a case that needs one of the elements, such as an input that only this array covers.",
			Outcome: "Assert what the array holds, or what is done with each of its elements.",
			Before:  `$ports = ['Emden', 'Leer'];`, After: `$ports = [];`,
			// Wide: a test that kills one element dropped kills all dropped.
			Kinds: kinds, Wide: true, Apply: allDropped, Version: 1,
		},
	)
}

// elements gives the elements of an array literal.
func elements(n *syntax.Node) []*syntax.Node {
	var out []*syntax.Node
	for _, c := range n.Children {
		if c.Is("array_element_initializer") {
			out = append(out, c)
		}
	}
	return out
}

func dropElements(f *syntax.File, n *syntax.Node) []mutate.Edit {
	el := elements(n)
	if isCallable(f, el) {
		return nil
	}
	var out []mutate.Edit
	for i, e := range el {
		if i > 0 && f.Text(e) == f.Text(el[i-1]) {
			continue // the same mutant again
		}
		out = append(out, mutate.Edit{Span: elementSpan(f, n, e)})
	}
	return out
}

// isCallable reports whether elements make a callable such as
// [$this, 'sail'] or [Ship::class, 'sail'], of no use without one of them.
func isCallable(f *syntax.File, el []*syntax.Node) bool {
	if len(el) != 2 {
		return false
	}
	first, second := el[0].NamedChildren(), el[1].NamedChildren()
	return len(first) == 1 && len(second) == 1 &&
		first[0].Is("variable_name", "class_constant_access_expression", "member_access_expression") &&
		(first[0].Kind != "class_constant_access_expression" || strings.HasSuffix(strings.ToLower(f.Text(first[0])), "::class")) &&
		second[0].Is("string", "encapsed_string")
}

// elementSpan is what goes with an element: its comma, and the space or the
// line that it alone takes up. Comments stay.
func elementSpan(f *syntax.File, array, e *syntax.Node) syntax.Span {
	span := e.Span
	next, prev := e.Next(), e.Prev()
	comma := next != nil && next.Kind == ","
	switch {
	case comma && next.Next() != nil && next.Next().Is("array_element_initializer"):
		// "a, b" => "b"
		span.End = next.End
		if isSpace(f, next.End, next.Next().Start) {
			span.End = next.Next().Start
		}
	case prev != nil && prev.Kind == ",":
		// the last one: "a, b" => "a", "a, b," => "a,"
		before := prev.Prev()
		if isSpace(f, prev.End, e.Start) && before != nil && before.End <= prev.Start && isSpace(f, before.End, prev.Start) {
			span.Start = before.End
		} else if comma {
			span.End = next.End
		}
	default:
		// the only one
		if comma {
			span.End = next.End
		}
		open, end := array.Children[0], array.Children[len(array.Children)-1]
		if !open.Is("[") {
			open = array.First("(")
		}
		if open != nil && isSpace(f, open.End, e.Start) && isSpace(f, span.End, end.Start) {
			span = syntax.Span{Start: open.End, End: end.Start}
		}
	}
	return span
}

// isSpace reports whether there is nothing but white space between two offsets.
func isSpace(f *syntax.File, start, end int) bool {
	return start <= end && strings.TrimSpace(string(f.Src[start:end])) == ""
}

// allDropped leaves arrays of one element to dropElements, and those that a foreach goes
// over to the family loop.
func allDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	el := elements(n)
	if len(el) < 2 || isCallable(f, el) || n.Parent.Is("foreach_statement") {
		return nil
	}
	if n.Children[0].Is("[") {
		return fit(f, n.Span, "[]")
	}
	return fit(f, n.Span, f.Text(n.Children[0])+"()")
}
