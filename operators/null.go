package operators

import (
	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	register(
		&mutate.Operator{
			ID: "null/false-instead",
			Doc: `null becomes false.

No test tells null from other empty values here. Assert it with assertNull or assertSame instead of assertEmpty or assertFalse.`,
			Input:   "Add a case in which null and false make a difference here.",
			Outcome: "Assert the value with assertNull or assertSame, not with assertEmpty or assertFalse.",
			Before:  `$this->pilot = null;`, After: `$this->pilot = false;`,
			Kinds: []string{"null"}, Wide: true,
			// Wide: most code asks only whether the value is empty, and then
			// the two are the same.
			Apply: func(f *syntax.File, n *syntax.Node) []mutate.Edit {
				if !literalIsFree(f, n) {
					return nil
				}
				return fit(f, n.Span, "false")
			},
		},
	)
}
