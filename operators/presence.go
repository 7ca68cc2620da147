package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// isset() of several things is a connective of so many questions.
func init() {
	register(&mutate.Operator{
		ID: "connective/isset-part-dropped",
		Doc: `One of the things that must be there is not asked for: isset($a, $b) becomes isset($a), or isset($b).

No test has a case in which only this one is missing or null. Add one, and assert what happens then.`,
		Input:   "Add a case in which only this one is missing or null.",
		Outcome: "Assert what happens when only this one is missing or null.",
		Hint:    issetPartHint,
		Before:  `return isset($row, $row['to']);`, After: `return isset($row);`,
		Kinds: []string{"function_call_expression"}, Wide: true, Apply: issetPartDropped,
	})
}

// issetPartDropped leaves alone what must be there for another one to be.
func issetPartDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	args, ok := plainArgs(n)
	if builtin(f, n) != "isset" || !ok || len(args) < 2 {
		return nil
	}
	var out []mutate.Edit
	for i, e := range eachDropped(args) {
		if !isImplied(f, args, i) {
			out = append(out, e)
		}
	}
	return out
}

// isImplied reports whether another argument of isset() has no value where one of them has none.
func isImplied(f *syntax.File, args []*syntax.Node, i int) bool {
	for j, other := range args {
		rest, inside := strings.CutPrefix(f.Text(other), f.Text(args[i]))
		if j != i && inside && (rest == "" || strings.HasPrefix(rest, "[") || strings.HasPrefix(rest, "->") || strings.HasPrefix(rest, "?->")) {
			return true
		}
	}
	return false
}

// issetPartHint names what is left out.
func issetPartHint(f *syntax.File, n *syntax.Node, e mutate.Edit) mutate.Hints {
	args, _ := plainArgs(n)
	for i, made := range eachDropped(args) {
		if code := named(f, args[i], ""); made == e && code != "" {
			return decided(code + " is missing or null, and all else is there")
		}
	}
	return mutate.Hints{}
}
