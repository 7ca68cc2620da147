package operators

import (
	"assay/mutate"
	"assay/mutate/syntax"
)

// The generator family changes what a generator hands out.
func init() {
	register(
		&mutate.Operator{
			ID: "generator/yield-dropped",
			Doc: `The generator leaves out what this yield hands over.

No test looks at this element. Turn the generator into an array with iterator_to_array() and assert the whole of it.`,
			Before: `function stops() { yield 'Pier'; $sent = yield; }`,
			After:  `function stops() { ; $sent = yield; }`,
			Kinds:  []string{"yield_expression"},
			Apply:  yieldDropped,
		},
		&mutate.Operator{
			ID: "generator/key-dropped",
			Doc: `The generator hands over values without their keys.

No test looks at the keys. Assert keys and values together with iterator_to_array(), or leave the keys out of the code.`,
			Before: `function stops() { yield $id => $name; }`,
			After:  `function stops() { yield $name; }`,
			Kinds:  []string{"yield_expression"},
			Apply:  yieldKeyDropped,
		},
	)
}

// yieldDropped needs the yield to be a statement. The only yield of a function
// stays in its text, unreachable: without it the function would be no
// generator any more, which is another and a cruder change.
func yieldDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	fn := n.Up(functionKinds...)
	if fn == nil || !n.Parent.Is("expression_statement") {
		return nil
	}
	if len(yields(fn)) > len(yields(n)) {
		return dropStatement(f, n.Parent)
	}
	return fit(f, n.Span, "false && "+f.Text(n))
}

func yieldKeyDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	element := n.First("array_element_initializer")
	parts := element.NamedChildren()
	if len(parts) != 2 {
		return nil
	}
	return fit(f, element.Span, f.Text(parts[1]))
}
