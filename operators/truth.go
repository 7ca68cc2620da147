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
			Before:  `$this->moored = true;`, After: `$this->moored = false;`,
			Kinds: kinds, Apply: flip("true", "false"),
		},
		&mutate.Operator{
			ID: "truth/switched-on",
			Doc: `false becomes true.

No test depends on this value. Assert it where it is returned or stored, or assert something that does not happen because of it.`,
			Input:   "Add a case in which this value makes a difference.",
			Outcome: "Assert the value where it is returned or stored, or that nothing happens which it would bring about.",
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
