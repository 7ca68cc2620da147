package report

import "assay/mutate"

// A Kind is what the tests lack where mutants of some families of operators
// survive, in the words of somebody who writes tests.
type Kind struct {
	ID       string // as in the address of a page
	Title    string
	Says     string // one sentence
	families []string
}

var kinds = []Kind{
	{"limit", "a limit", "No test stands on the limit, or next to it.", []string{"extent", "relational", "integer", "float"}},
	{"decision", "a decision", "The tests do not tell apart the ways that the code can go here.", []string{"choice", "coalesce", "condition", "connective", "loop", "sameness", "ternary", "truth", "typecheck"}},
	{"result", "a result", "A result is not looked at, or only at a part of it.", []string{"arithmetic", "array", "assignment", "bitwise", "call", "concat", "date", "flag", "generator", "increment", "key", "null", "pattern", "return", "spaceship", "string", "text", "variable"}},
	{"effect", "an effect", "Something is done that no test notices.", []string{"effect"}},
	{"failure", "a failure", "No test provokes the failure, or looks at how it ends.", []string{"exception"}},
	{"default", "a default", "A value that is declared, or how something is declared, shows in no test.", []string{"declaration"}},
}

// KindOf gives the kind of gap that a survivor of an operator points at; nil
// for a family that none is said of.
func KindOf(op *mutate.Operator) *Kind {
	family := op.Family()
	for i, k := range kinds {
		for _, f := range k.families {
			if f == family {
				return &kinds[i]
			}
		}
	}
	return nil
}
