package report

import (
	"cmp"
	"encoding/base64"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"assay/mutate"
)

// A PartEntry is a [mutate.Part], field by field.
type PartEntry struct {
	Number  int               `json:"number"` // from 1
	Of      int               `json:"of"`
	When    time.Time         `json:"when"`
	Seconds float64           `json:"seconds"`
	Reused  int               `json:"reused"`
	LeftOut int               `json:"left_out"`
	Ended   string            `json:"ended"`
	Options map[string]string `json:"options"`
	Tools   map[string]string `json:"tools"`
	Inputs  map[string]string `json:"inputs"`
	Counts  []int             `json:"counts"`
	Sums    []string          `json:"sums"`
	Project string            `json:"project"`
	Scope   string            `json:"scope"`
	Commit  string            `json:"commit"`
	Exact   map[string]string `json:"exact,omitempty"`
	Units   []string          `json:"units"`
}

// What ends a part before all its mutants are judged.
const (
	EndedByBudget = "budget"
	Interrupted   = "interrupted"
)

// PartNote is the kind of notes that are about a part alone; the whole has none.
const PartNote = "part"

// partEntry gives the entry with the units of the verdicts; nil for a run in one piece.
func partEntry(r *mutate.Result) *PartEntry {
	if r.Part == nil {
		return nil
	}
	e := PartEntry(*r.Part)
	e.Inputs = map[string]string{}
	for path, sum := range r.Part.Inputs {
		e.Inputs[marked(path)] = sum
	}
	e.Units, e.Exact = []string{}, map[string]string{}
	for _, v := range sorted(r.Verdicts) {
		e.Units = append(e.Units, v.Mutant.Unit)
	}
	for _, s := range textsOf(r) {
		if m := marked(s); m != s {
			e.Exact[m] = base64.StdEncoding.EncodeToString([]byte(s))
		}
	}
	return &e
}

// textsOf gives the texts of a result that may not be UTF-8, but for those of edits.
func textsOf(r *mutate.Result) []string {
	out := []string{r.Project}
	for _, n := range r.Notes {
		out = append(out, n.Path, n.Text)
	}
	for _, t := range r.Tests {
		out = append(out, string(t.ID))
	}
	for _, v := range r.Verdicts {
		m := v.Mutant
		out = append(out, m.Source.Path, m.Class, m.Function, m.Skipped, string(v.Killer), v.Detail, v.Seen.Expression)
		out = append(out, v.Seen.Values...)
		if p := v.Proof; p != nil {
			out = append(append(out, string(p.Test), p.Path, p.Code, p.Diff, p.File), p.Kills...)
		}
	}
	return out
}

// exactly gives the text that a document has marked, where the document knows it.
func (d *Document) exactly(s string) string {
	if encoded, ok := d.exact[s]; ok {
		if b, err := base64.StdEncoding.DecodeString(encoded); err == nil && marked(string(b)) == s {
			return string(b)
		}
	}
	return s
}

func (e *PartEntry) part() *mutate.Part {
	if e == nil {
		return nil
	}
	p := mutate.Part(*e)
	return &p
}

// checkPart makes sure that what a part says of itself is possible.
func (d *Document) checkPart(counted map[string]int) error {
	p := d.Part
	if p == nil {
		return nil
	}
	own := len(d.Mutants) - counted[mutate.Skipped.String()]
	switch {
	case p.Of < 1 || p.Number < 1 || p.Number > p.Of:
		return fmt.Errorf("part: there is no part %d of %d", p.Number, p.Of)
	case len(p.Counts) != p.Of || len(p.Sums) != p.Of:
		return fmt.Errorf("part: there are %d counts and %d sums for %d parts", len(p.Counts), len(p.Sums), p.Of)
	case len(p.Units) != len(d.Mutants):
		return fmt.Errorf("part: there are %d units for %d mutants", len(p.Units), len(d.Mutants))
	case p.Ended != "" && p.Ended != EndedByBudget && p.Ended != Interrupted:
		return fmt.Errorf("part: how it ended, %q, is not known", p.Ended)
	case own > p.Counts[p.Number-1] || own < p.Counts[p.Number-1] && p.Ended == "":
		return fmt.Errorf("part: it is to have %d mutants, and has %d", p.Counts[p.Number-1], own)
	}
	var ids []string
	for i := range d.Mutants {
		if e := &d.Mutants[i]; e.Status != mutate.Skipped.String() {
			ids = append(ids, e.ID)
		}
	}
	for text := range p.Exact {
		if d.exactly(text) == text {
			return fmt.Errorf("part: the exact bytes of %q are not such that it stands for them", text)
		}
	}
	if p.Ended == "" && PartSum(ids) != p.Sums[p.Number-1] {
		return errors.New("part: its mutants are not those that it says")
	}
	return nil
}

// PartSum sums up which mutants a part has, in whichever order.
func PartSum(ids []string) string {
	ids = slices.Clone(ids)
	slices.Sort(ids)
	return hash([]byte(strings.Join(ids, "\n")))[:16]
}

// EndedText says why not all mutants were judged. budget is "" for an interruption.
func EndedText(budget string, judged, all int) string {
	if budget == "" {
		return fmt.Sprintf("The run was interrupted when %d of %s were judged.", judged, count(all, "mutant"))
	}
	return fmt.Sprintf("The budget of %s was spent when %d of %s were judged.", budget, judged, count(all, "mutant"))
}

// Merge puts parts together that CheckParts has found to be of one run. Where all are
// there, and none ended early, the document gives the result of the run in one piece. Of
// times it has those of the parts: the suite's and the whole run's are the longest.
func Merge(docs []*Document) *Document {
	docs = slices.Clone(docs)
	slices.SortFunc(docs, func(a, b *Document) int { return cmp.Compare(a.Part.Number, b.Part.Number) })
	first := docs[0]
	out := &Document{Format: FormatName, SchemaVersion: SchemaVersion, Project: first.Project, PHP: first.PHP, PHPUnit: first.PHPUnit,
		Breadth: first.Breadth, AllKills: first.AllKills, Compared: first.Compared, Tests: first.Tests, LeftOut: first.Part.LeftOut, exact: map[string]string{}}
	files := map[string]bool{}
	for _, d := range docs {
		sets := len(out.TestSets)
		out.TestSets = append(out.TestSets, d.TestSets...)
		for _, e := range d.Mutants {
			e.TestsReaching += sets
			out.Mutants = append(out.Mutants, e)
		}
		maps.Copy(out.exact, d.Part.Exact)
		out.units = append(out.units, d.Part.Units...)
		for _, f := range d.Files {
			if !files[f.Path] {
				files[f.Path] = true
				out.Files = append(out.Files, f)
			}
		}
		out.SuiteMS, out.ElapsedMS = longer(out.SuiteMS, d.SuiteMS), longer(out.ElapsedMS, d.ElapsedMS)
	}
	out.mergeNotes(docs)
	return out
}

func longer(a, b *float64) *float64 {
	if a == nil || b != nil && *b > *a {
		return b
	}
	return a
}

// mergeNotes has each note once, in the order that they have in the run in one piece, and
// says of all parts what each said of itself.
func (d *Document) mergeNotes(docs []*Document) {
	here := NoteEntry{Kind: PartNote}
	for _, part := range docs {
		var list []NoteEntry
		for _, n := range part.Notes {
			switch {
			case n.Kind != PartNote:
				list = append(list, n)
			case !slices.Contains(list, here):
				list = append(list, here)
			}
		}
		d.Notes = union(d.Notes, list)
	}
	at := slices.Index(d.Notes, here)
	if at < 0 {
		return
	}
	behind := d.Notes[at+1:] // of accepted survivors by line, of files by name
	inOrder(behind, "stale", func(a, b NoteEntry) int { return cmp.Compare(a.Line, b.Line) })
	inOrder(behind, "edited", func(a, b NoteEntry) int { return strings.Compare(a.Path, b.Path) })
	d.Notes = slices.Replace(d.Notes, at, at+1, d.unjudged(docs)...)
}

// union puts what b has, and a has not, behind what stands before it in both.
func union(a, b []NoteEntry) []NoteEntry {
	out := slices.Clone(a)
	used := make([]bool, len(out)) // by b: a note may be there twice
	at := 0
	for _, n := range b {
		found := -1
		for i := range out {
			if !used[i] && out[i] == n {
				found = i
				break
			}
		}
		if found < 0 {
			out, used, found = slices.Insert(out, at, n), slices.Insert(used, at, true), at
		}
		used[found] = true
		at = max(at, found+1)
	}
	return out
}

// inOrder sorts the notes of a kind among each other; the others stay where they are.
func inOrder(notes []NoteEntry, kind string, compare func(a, b NoteEntry) int) {
	var places []int
	var list []NoteEntry
	for i, n := range notes {
		if n.Kind == kind {
			places, list = append(places, i), append(list, n)
		}
	}
	slices.SortStableFunc(list, compare)
	for i, place := range places {
		notes[place] = list[i]
	}
}

// unjudged counts what was not judged of the mutants of all parts, and says why.
func (d *Document) unjudged(docs []*Document) []NoteEntry {
	first := docs[0].Part
	judged, budget, ended := 0, "", ""
	missing := map[int]bool{}
	for n := range first.Of {
		missing[n+1] = true
	}
	for _, part := range docs {
		p := part.Part
		delete(missing, p.Number)
		judged += len(part.Mutants) - part.Summary.Skipped
		if p.Ended == EndedByBudget {
			budget = p.Options["budget"]
		}
		if p.Ended != "" && ended != Interrupted {
			ended = p.Ended
		}
	}
	planned := first.part().Planned()
	d.LeftOut += planned - judged
	d.Partial = ended != "" || len(missing) > 0
	var notes []NoteEntry
	said := func(text string) { notes = append(notes, NoteEntry{Kind: "left_out", Text: text}) }
	lost := 0
	for n := 1; n <= first.Of; n++ {
		if missing[n] {
			lost += first.Counts[n-1]
			said(fmt.Sprintf("Part %d of %d is missing: %s not judged.", n, first.Of, were(first.Counts[n-1], "mutant")))
		}
	}
	switch {
	case ended == Interrupted:
		said(EndedText("", judged, planned-lost))
	case ended == EndedByBudget:
		said(EndedText(budget, judged, planned-lost))
	}
	return notes
}
