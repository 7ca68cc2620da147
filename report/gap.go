package report

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"assay/mutate"
)

// A gap is what one function lacks in tests: its mutants that survived, or those
// that are unreached.
type gap struct {
	Status   mutate.Status    // Survived, or Unreached where no test runs the code
	Verdicts []mutate.Verdict // those first that are worth most, of these by position; at least one
}

func (g gap) first() *mutate.Mutant { return g.Verdicts[0].Mutant }

// missing says in a few words what the tests lack, as far as it is known.
func (g gap) missing() string {
	if g.Status == mutate.Unreached {
		return "unreached, no test runs this code"
	}
	return "survived, the tests that run this code pass"
}

// unreachedSaid is the sentence about a gap that no test runs.
func (g gap) unreachedSaid() string {
	m := g.first()
	return fmt.Sprintf("No test runs this code of %s: %s unreached.", visible(m.Where()), are(len(g.Verdicts), "mutant"))
}

// gaps groups survivors and unreached mutants by function, those first in which a test pays
// most; see compareGaps.
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
	w := worthsOf(r)
	for _, g := range out {
		if g.Status == mutate.Survived {
			slices.SortStableFunc(g.Verdicts, w.compare)
		}
	}
	slices.SortStableFunc(out, w.compareGaps)
	return out
}

// headline is the score in a sentence.
func headline(r *mutate.Result) string {
	s := Total(r)
	if s.Counted() == 0 {
		return "There is no mutant to judge."
	}
	text := scoreSaid(s)
	switch {
	case r.Partial:
		text += fmt.Sprintf(" The run ended early: %s left out.", were(r.LeftOut, "mutant"))
	case r.LeftOut > 0:
		text += fmt.Sprintf(" %s left out.", were(r.LeftOut, "mutant"))
	}
	if said := besideSaid(s); said != "" {
		text += " " + said
	}
	if said := freshSaid(r); said != "" {
		text += " " + said
	}
	return text
}

// scoreSaid is the score and what it is made of in a sentence or two.
func scoreSaid(s mutate.Score) string {
	parts := []string{fmt.Sprintf("%d killed", s.Killed)}
	for _, part := range []struct {
		n    int
		what string
	}{{s.TimedOut, "timed out"}, {s.Survived, "survived"}, {s.Unreached, "unreached"}} {
		if part.n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", part.n, part.what))
		}
	}
	return fmt.Sprintf("Mutation score %s: of %s, %s. The tests reach %s of them.",
		percent(s.Value()), count(s.Counted(), "mutant"), strings.Join(parts, ", "), percent(s.Reached()))
}

// besideSaid says which mutants the score is not about; "" where there are none.
func besideSaid(s mutate.Score) string {
	var parts []string
	for _, part := range []struct {
		n    int
		what string
	}{{s.Accepted, "accepted"}, {s.Skipped, "skipped by comments"},
		{s.Equivalent, "equivalent, which PHP compiles to the same code as the original"}, {s.Stillborn, "stillborn, which PHP refuses to compile"}, {s.Broken, "broken, on which assay itself failed"}} {
		if part.n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", part.n, part.what))
		}
	}
	if parts == nil {
		return ""
	}
	return "Not in the score: " + strings.Join(parts, "; ") + "."
}

// outcome says in a line what became of a mutant that was not killed.
func outcome(v mutate.Verdict) string {
	if v.Status == mutate.Unreached {
		return "Mutant unreached: " + flat(Change(v.Mutant))
	}
	return "Mutant survived: " + flat(Change(v.Mutant))
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
