package report

import (
	"assay/mutate"
	"assay/mutate/syntax"
)

// hints give the advice of survivors: what to do about each. They read a file once.
type hints map[*mutate.Source]*syntax.File

// of gives what to do about a survivor, by what was observed of it.
func (h hints) of(v mutate.Verdict) string {
	s := v.Mutant.Source
	f, known := h[s]
	if !known {
		f, _ = syntax.Parse(s.Path, s.Text) // without a tree there is what holds for all mutants of the operator
		h[s] = f
	}
	return shownLines(mutate.Advice(v.Mutant, f, v.Seen))
}

// alone is of for readers who are not told what was observed.
func (h hints) alone(v mutate.Verdict) string {
	s := v.Seen
	if s.Word != mutate.NeverDiffers || len(s.Values) != 1 || s.More || s.Values[0] != "true" && s.Values[0] != "false" {
		return h.of(v)
	}
	return "In the tests `" + oneLine(s.Expression, mutate.LongestExpression) + "` is always " + s.Values[0] + ". " + h.of(v)
}
