package report

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"assay/mutate"
)

// partOfOne says of a result that it is the only part of a run.
func partOfOne(r *mutate.Result) *mutate.Part {
	var ids []string
	for _, v := range r.Verdicts {
		if v.Status != mutate.Skipped {
			ids = append(ids, v.Mutant.ID)
		}
	}
	return &mutate.Part{Number: 1, Of: 1, Counts: []int{len(ids)}, Sums: []string{PartSum(ids)}}
}

// inParts deals the verdicts of a result to parts, and gives the documents that they are
// written and read as.
func inParts(t *testing.T, r *mutate.Result, of int) []*Document {
	t.Helper()
	ids := make([][]string, of)
	verdicts := make([][]mutate.Verdict, of)
	for i, v := range r.Verdicts {
		k := i % of
		if v.Status == mutate.Skipped {
			k = 0
		} else {
			ids[k] = append(ids[k], v.Mutant.ID)
		}
		verdicts[k] = append(verdicts[k], v)
	}
	var docs []*Document
	for k := range of {
		part := *r
		part.Verdicts = verdicts[k]
		part.Notes = append(slices.Clone(r.Notes), mutate.Note{Kind: PartNote, Text: fmt.Sprintf("This is part %d.", k+1)})
		part.Part = &mutate.Part{Number: k + 1, Of: of, When: time.Date(2026, 11, 3, 3, 10, k, 0, time.UTC), Seconds: 1.5, LeftOut: r.LeftOut,
			Options: map[string]string{"seed": "1"}, Tools: map[string]string{"assay": "abc"}, Inputs: map[string]string{"src/Ferry.php": "0a"}}
		for i := range of {
			part.Part.Counts, part.Part.Sums = append(part.Part.Counts, len(ids[i])), append(part.Part.Sums, PartSum(ids[i]))
		}
		part.LeftOut += part.Part.Planned() - len(ids[k])
		var b bytes.Buffer
		if err := JSON(&b, &part, Options{}); err != nil {
			t.Fatal(err)
		}
		d, err := ReadJSON(&b)
		if err != nil {
			t.Fatalf("part %d of %d: %v", k+1, of, err)
		}
		docs = append(docs, d)
	}
	return docs
}

// sourcesOf reads the sources of a result.
func sourcesOf(r *mutate.Result) func(string) ([]byte, error) {
	return func(path string) ([]byte, error) {
		for _, v := range r.Verdicts {
			if v.Mutant.Source.Path == path {
				return v.Mutant.Source.Text, nil
			}
		}
		return nil, fmt.Errorf("there is no %s", path)
	}
}

func TestMergedPartsAreTheWhole(t *testing.T) {
	for _, r := range []*mutate.Result{fixture(t), known(t), {Project: "sound/empty"}} {
		for _, of := range []int{1, 2, 3, 40} {
			docs := inParts(t, r, of)
			rand.New(rand.NewPCG(3, 0)).Shuffle(of, func(i, j int) { docs[i], docs[j] = docs[j], docs[i] })
			if err := CheckParts(make([]string, of), docs, false); err != nil {
				t.Fatal(err)
			}
			got, lost, err := Merge(docs).Restore(sourcesOf(r), fixtureOps)
			if err != nil || len(lost) > 0 {
				t.Fatal(err, lost)
			}
			got.Root = r.Root
			for _, f := range Formats() {
				want := printed(t, f, r, Options{})
				if diff := cmp.Diff(string(want), string(printed(t, f, got, Options{}))); diff != "" {
					t.Errorf("%s in %d parts (-whole +merged):\n%s", f.Name, of, diff)
				}
			}
		}
	}
}

// The sums of the sources that were judged are in a merged result also where they are not
// to be had.
func TestMergeWithoutSources(t *testing.T) {
	r := fixture(t)
	got, lost, err := Merge(inParts(t, r, 3)).Restore(func(string) ([]byte, error) { return nil, fmt.Errorf("gone") }, fixtureOps)
	if err != nil || len(lost) == 0 {
		t.Fatal(err, lost)
	}
	got.Notes = slices.DeleteFunc(got.Notes, func(n mutate.Note) bool { return n.Kind == SourceLost })
	if diff := cmp.Diff(string(printed(t, formatOf(t, "json"), r, Options{})), string(printed(t, formatOf(t, "json"), got, Options{}))); diff != "" {
		t.Error(diff)
	}
}

func TestPartsOfDifferentRuns(t *testing.T) {
	for want, change := range map[string]func([]*Document) []*Document{
		"b is the result of a run in one piece":                                                 func(d []*Document) []*Document { d[1].Part = nil; return d },
		"a and b are not of one run: the number of parts is 3 in the first and 4 in the second": func(d []*Document) []*Document { d[1].Part.Of = 4; return d },
		"a and c are not of one run: the version of PHP is 8.2.7 in the first and 8.4.1 in the": func(d []*Document) []*Document { d[2].PHP = "8.4.1"; return d },
		"a and b are not of one run: the version of PHPUnit is 9.6.7 in":                        func(d []*Document) []*Document { d[1].PHPUnit = "11"; return d },
		"a and b are not of one run: the project is sound/ferries in the first and other":       func(d []*Document) []*Document { d[1].Project = "other"; return d },
		"a and b are not of one run: --seed is 1 in the first and 2 in the second":              func(d []*Document) []*Document { d[1].Part.Options = map[string]string{"seed": "2"}; return d },
		"--sample is not given in the first and 5 in the second": func(d []*Document) []*Document {
			d[1].Part.Options = map[string]string{"seed": "1", "sample": "5"}
			return d
		},
		"b are not of one run: assay is abc in the first and abd": func(d []*Document) []*Document { d[1].Part.Tools = map[string]string{"assay": "abd"}; return d },
		"a and b are not of one run: src/Ferry.php is not the same file in both": func(d []*Document) []*Document {
			d[1].Part.Inputs = map[string]string{"src/Ferry.php": "0b"}
			return d
		},
		"the first has the test ":                           func(d []*Document) []*Document { d[1].Tests = d[1].Tests[1:]; return d },
		"the second has the test ":                          func(d []*Document) []*Document { d[0].Tests = d[0].Tests[:1]; return d },
		"a and b do not fit together: they divide":          func(d []*Document) []*Document { d[1].Part.Sums = []string{"1", "2", "3"}; return d },
		"a and c are both part 1 of 3":                      func(d []*Document) []*Document { return []*Document{d[0], d[1], d[0]} },
		"part 2 of 3 is missing; add its file":              func(d []*Document) []*Document { return []*Document{d[0], d[2]} },
		"part 1 of 3, part 3 of 3 is missing":               func(d []*Document) []*Document { return d[1:2] },
		"a and b overlap: both have the mutant ":            func(d []*Document) []*Document { d[1].Mutants = d[0].Mutants; return d },
		"b: the run of this part was interrupted, and some": func(d []*Document) []*Document { d[1].Part.Ended = Interrupted; return d },
	} {
		docs := change(inParts(t, fixture(t), 3))
		if err := CheckParts([]string{"a", "b", "c"}[:len(docs)], docs, false); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v\nwant: %s", err, want)
		}
	}
}

func TestPartialMerge(t *testing.T) {
	r := fixture(t)
	docs := inParts(t, r, 3)
	missing := docs[1].Part.Counts[1]
	docs = []*Document{docs[0], docs[2]}
	if err := CheckParts([]string{"a", "c"}, docs, true); err != nil {
		t.Fatal(err)
	}
	d := Merge(docs)
	if !d.Partial || d.LeftOut != r.LeftOut+missing {
		t.Errorf("partial %v, %d left out, want %d", d.Partial, d.LeftOut, r.LeftOut+missing)
	}
	if want := fmt.Sprintf("Part 2 of 3 is missing: %s not judged.", were(missing, "mutant")); !slices.ContainsFunc(d.Notes, func(n NoteEntry) bool { return n.Text == want }) {
		t.Errorf("no note says %q: %v", want, d.Notes)
	}
}

// What ended parts early is told of all of them together.
func TestMergedBudget(t *testing.T) {
	docs := inParts(t, fixture(t), 3)
	left := 0
	for i, d := range docs[:2] {
		d.Part.Ended, d.Part.Options = EndedByBudget, map[string]string{"budget": "10m0s"}
		d.Notes = append(d.Notes, NoteEntry{Kind: PartNote, Text: EndedText("10m0s", 1, 2)})
		if last := d.Mutants[len(d.Mutants)-1]; last.Status != "skipped" {
			left++
			d.Mutants, d.Part.Units = d.Mutants[:len(d.Mutants)-1], d.Part.Units[:len(d.Mutants)-1]
			docs[i] = d
		}
	}
	d := Merge(docs)
	all := docs[0].Part.part().Planned()
	want := EndedText("10m0s", all-left, all)
	if got := d.Notes[len(d.Notes)-1].Text; got != want || left == 0 || !d.Partial {
		t.Errorf("%q, want %q", got, want)
	}
}

// Notes come out in the order that they have in the whole, whichever part has which.
func TestUnionOfNotes(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 0))
	for round := range 500 {
		var whole []NoteEntry
		for i := range r.IntN(9) {
			whole = append(whole, NoteEntry{Kind: "volatile", Text: fmt.Sprint(i)})
		}
		if len(whole) > 0 && r.IntN(2) == 0 {
			whole = append(whole, whole[0]) // the same twice
		}
		first, all := r.IntN(2) == 0, slices.Clone(whole)
		got := union(nil, all)
		if first {
			got = union(got, all)
		}
		for range 3 { // a part that lacks some adds nothing
			some := slices.DeleteFunc(slices.Clone(whole), func(NoteEntry) bool { return r.IntN(3) == 0 })
			got = union(got, some)
		}
		if !slices.Equal(got, whole) {
			t.Fatalf("round %d: %v, want %v", round, got, whole)
		}
	}
	entry := func(kind string, line int) NoteEntry {
		return NoteEntry{Kind: kind, Path: "assay.accepted", Line: line}
	}
	part, view := NoteEntry{Kind: PartNote, Text: "x"}, NoteEntry{Kind: "view"}
	docs := inParts(t, fixture(t), 3)
	docs[0].Notes = []NoteEntry{part, entry("stale", 9), view}
	docs[1].Notes = []NoteEntry{part, entry("stale", 2), entry("stale", 12), view}
	docs[2].Notes = []NoteEntry{part, entry("stale", 4), view}
	want := []NoteEntry{entry("stale", 2), entry("stale", 4), entry("stale", 9), entry("stale", 12), view}
	if got := Merge(docs).Notes; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}
