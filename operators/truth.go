package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	kinds := []string{"boolean"}
	register(
		&mutate.Operator{
			ID: "truth/switched-off",
			Doc: `true becomes false.

No test depends on this value. Assert it where it is returned or stored, or assert something that only happens when it is set.`,
			Input:   "Add a case in which this value makes a difference.",
			Outcome: "Assert the value where it is returned or stored, or something that only happens when it is set.",
			Hint:    truthHint,
			Before:  `$this->moored = true;`, After: `$this->moored = false;`,
			Kinds: kinds, Apply: flip("true", "false"),
		},
		&mutate.Operator{
			ID: "truth/switched-on",
			Doc: `false becomes true.

No test depends on this value. Assert it where it is returned or stored, or assert something that does not happen because of it.`,
			Input:   "Add a case in which this value makes a difference.",
			Outcome: "Assert the value where it is returned or stored, or that nothing happens which it would bring about.",
			Hint:    truthHint,
			Before:  `$this->moored = false;`, After: `$this->moored = true;`,
			Kinds: kinds, Apply: flip("false", "true"),
		},
	)
}

func flip(from, to string) applyFunc {
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		if strings.ToLower(f.Text(n)) != from || !literalIsFree(f, n) || isStrictFlag(f, n) {
			return nil
		}
		return fit(f, n.Span, to)
	}
}

// truthHint is for what is returned, and for a variable that may get another value below.
func truthHint(f *syntax.File, n *syntax.Node, _ mutate.Edit) mutate.Hints {
	value, p := strings.ToLower(f.Text(n)), n.Parent
	if p.Is("return_statement") {
		return mutate.Hints{Outcome: "Assert that " + value + " is returned here, or what comes of that.",
			Either: "No test depends on what is returned here. Have a case that ends here, and assert " + value + ", or what comes of that."}
	}
	if key := p.NamedChildren()[0]; p.Is("array_element_initializer") && key != n {
		code := named(f, key, "this element")
		return mutate.Hints{Outcome: "Assert something that depends on " + code + " being " + value + ".",
			Either: "No test depends on " + code + " being " + value + ". Assert something that does."}
	}
	if !p.Is("assignment_expression") || !p.Child("left").Is("variable_name") {
		return mutate.Hints{}
	}
	again, fn := false, n.Up(functionKinds...)
	if fn == nil {
		return mutate.Hints{}
	}
	variable := f.Text(p.Child("left"))
	fn.Walk(func(c *syntax.Node) bool {
		again = again || c.Is("assignment_expression") && c.Start > p.End && f.Text(c.Child("left")) == variable
		return !again
	})
	if !again {
		return mutate.Hints{}
	}
	const rest = " gets no other value below"
	return mutate.Hints{Input: "Add a case in which `" + variable + "`" + rest + ".", Outcome: "Assert what comes out when `" + variable + "`" + rest + ".",
		Either: "No test depends on what comes out when `" + variable + "`" + rest + ". Have such a case, and assert that."}
}
