package report

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"assay/mutate"
)

// A gap is one thing to mend: the changes in one function that go unnoticed
// for the same reason.
type gap struct {
	Status   mutate.Status    // Survived, or Unreached where no test runs the code
	Verdicts []mutate.Verdict // by position, at least one
}

func (g gap) first() *mutate.Mutant { return g.Verdicts[0].Mutant }

// missing says in a few words what the tests lack, as far as it is known.
func (g gap) missing() string {
	if g.Status == mutate.Unreached {
		return "no test runs this code"
	}
	return "the tests that run it stay green"
}

// unreachedSaid is the sentence about a gap that no test runs.
func (g gap) unreachedSaid() string {
	m := g.first()
	return fmt.Sprintf("No test runs this code of %s: %s would go unnoticed.", visible(m.Where()), count(len(g.Verdicts), "change"))
}

// gaps groups what the tests do not notice by function and by reason, the
// groups with the most changes first: a test there pays most.
func gaps(r *mutate.Result) []gap {
	type key struct {
		file, class, function string
		status                mutate.Status
	}
	index := map[key]int{}
	var out []gap
	for _, v := range sorted(r.Verdicts) {
		if v.Status != mutate.Survived && v.Status != mutate.Unreached {
			continue
		}
		m := v.Mutant
		k := key{m.Source.Path, m.Class, m.Function, v.Status}
		i, ok := index[k]
		if !ok {
			i = len(out)
			index[k] = i
			out = append(out, gap{Status: v.Status})
		}
		out[i].Verdicts = append(out[i].Verdicts, v)
	}
	slices.SortStableFunc(out, func(a, b gap) int { return cmp.Compare(len(b.Verdicts), len(a.Verdicts)) })
	return out
}

// headline is the score in a sentence.
func headline(r *mutate.Result) string {
	s := Total(r)
	if s.Counted() == 0 {
		return "There is no mutant to judge."
	}
	text := fmt.Sprintf("Mutation score %s: the tests notice %d of %s; they reach %s of them.",
		percent(s.Value()), s.Killed+s.TimedOut, count(s.Counted(), "change"), percent(s.Reached()))
	switch {
	case r.Partial:
		text += fmt.Sprintf(" The run ended early: %s left out.", were(r.LeftOut, "mutant"))
	case r.LeftOut > 0:
		text += fmt.Sprintf(" %s left out.", were(r.LeftOut, "mutant"))
	}
	if apart := apartCount(r); apart != nil {
		text += " Not counted: " + strings.Join(apart, ", ") + "."
	}
	if said := freshSaid(r); said != "" {
		text += " " + said
	}
	if s.Broken > 0 {
		text += fmt.Sprintf(" assay itself failed on %d.", s.Broken)
	}
	return text
}

// unnoticed says in a line what a survivor is.
func unnoticed(v mutate.Verdict) string {
	return "No test notices this change: " + flat(Change(v.Mutant))
}

// flat makes one paragraph of a text.
func flat(s string) string { return strings.Join(strings.Fields(s), " ") }

// A region is a place in a file: lines and columns from 1, columns in
// characters, the end column exclusive.
type region struct{ line, column, endLine, endColumn int }

// regionOf gives the place of the text that an edit replaces.
func regionOf(m *mutate.Mutant) region {
	text := m.Source.Text
	from := lineStart(text, m.Edit.Start)
	r := region{line: m.Line, column: 1 + utf8.RuneCount(text[from:m.Edit.Start])}
	inside := text[m.Edit.Start:m.Edit.End]
	r.endLine = r.line + strings.Count(string(inside), "\n")
	r.endColumn = 1 + utf8.RuneCount(text[lineStart(text, m.Edit.End):m.Edit.End])
	return r
}

// writeJSON writes a value over several lines.
func writeJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}
