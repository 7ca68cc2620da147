package report

import (
	"bytes"
	"strings"
	"testing"

	"assay/mutate"
)

// orchardWith is three lines of the orchard, of which both changes of a line have the proof with
// the number that stands for it, or none for 0.
func orchardWith(proofs ...int) *mutate.Result {
	r := orchard()
	r.Verdicts = r.Verdicts[:len(proofs)]
	of := map[int]*mutate.Proof{}
	for i, n := range proofs {
		if n == 0 {
			continue
		}
		if of[n] == nil {
			of[n] = &mutate.Proof{Test: mutate.TestID("Orchard\\Tests\\PressTest::test" + strings.Repeat("I", n))}
		}
		of[n].Kills = append(of[n].Kills, r.Verdicts[i].Mutant.ID)
		r.Verdicts[i].Proof = of[n]
	}
	return r
}

// TestSameGapIsOneEntry: what one proof kills in a function is one entry, the plainest of them;
// another proof and none are entries of their own. All are counted, and in the result file each
// names the entry.
func TestSameGapIsOneEntry(t *testing.T) {
	r := orchardWith(1, 1, 1, 2, 0, 0)
	r.Verdicts[0].Mutant.Edit.New = "-=1000"
	text := string(printed(t, formatOf(t, "text"), r, Options{}))
	for said, n := range map[string]int{"  and 2 more that the same test kills: 00000, 00010\n": 1, "-=1000": 0, "of 6 mutants, 0 killed, 6 survived": 1} {
		if strings.Count(text, said) != n {
			t.Errorf("%q is not there %d times:\n%s", said, n, text)
		}
	}
	json := printed(t, formatOf(t, "json"), r, Options{})
	validate(t, json)
	d, err := ReadJSON(bytes.NewReader(json))
	if err != nil {
		t.Fatal(err)
	}
	shown := r.Verdicts[1].Mutant.ID
	for _, e := range d.Mutants {
		if want := map[string]string{r.Verdicts[0].Mutant.ID: shown, r.Verdicts[2].Mutant.ID: shown}[e.ID]; e.SameGapAs != want {
			t.Errorf("%s belongs to %q, want %q", e.ID, e.SameGapAs, want)
		}
	}
}

// TestSameGapUnproved: survivors without a proof are one entry where they change the same text, or
// a part of what one of them does without, or the same lines with the same observed; and what is
// proved is not among them, nor what is not known.
func TestSameGapUnproved(t *testing.T) {
	text := "<?php\nfunction a() {\n    return f($b + 3) && $c > 4;\n    return f($d) || $e;\n    if ($g > 40 &&\n        $h > 50) {\n        $i = 60;\n    }\n}\n"
	src := &mutate.Source{Path: "src/a.php", Text: []byte(text)}
	lower, upper := mutate.Seen{Word: mutate.NeverDiffers, Expression: "$g > 4", Times: 2}, mutate.Seen{Word: mutate.NeverDiffers, Expression: "$h > 5", Times: 2}
	never := mutate.Seen{Word: mutate.NeverDiffers, Expression: "f($d) || $e", Times: 3}
	all := []struct {
		id, before, after string
		seen              mutate.Seen
		proved            bool
		of                string
	}{
		{id: "whole", before: "f($b + 3)", after: "true"},
		{id: "three", before: "3", after: "4", of: "whole"},
		{id: "sum", before: "+", after: "-", of: "whole"},
		{id: "proved", before: "$b", after: "$c", proved: true},
		{id: "above", before: "4", after: "5"},
		{id: "below", before: "4", after: "3", of: "above"},
		{id: "side", before: "$c >", after: "$c <"},
		{id: "left", before: "f($d) || $e", after: "f($d)", seen: never},
		{id: "right", before: "||", after: "&&", seen: never, of: "left"},
		{id: "differs", before: "$e;", after: "!$e;", seen: mutate.Seen{Word: mutate.Differs}},
		{id: "unseen", before: "f($d) ", after: "f() ", seen: mutate.Seen{Word: mutate.NotObserved}},
		{id: "less", before: "40", after: "39", seen: lower},
		{id: "more", before: "50", after: "51", seen: upper, of: "less"},
		{id: "within", before: "60", after: "61", seen: upper},
	}
	r := &mutate.Result{}
	for _, c := range all {
		at := strings.Index(text, c.before)
		if c.id == "three" {
			at = strings.Index(text, "3)")
		}
		m := &mutate.Mutant{ID: c.id, Op: fixtureOps[0], Source: src, Function: "a", Line: 1 + strings.Count(text[:at], "\n")}
		m.Edit.Start, m.Edit.End, m.Edit.New = at, at+len(c.before), c.after
		if c.id == "below" {
			m.Op = fixtureOps[1] // its advice is told beside that of the entry
		}
		v := mutate.Verdict{Mutant: m, Status: mutate.Survived, Seen: c.seen}
		if c.proved {
			v.Proof = &mutate.Proof{Test: "ATest::testA", Kills: []string{c.id}}
		}
		r.Verdicts = append(r.Verdicts, v)
	}
	got := sameGaps(r)
	for _, c := range all {
		if got[c.id] != c.of {
			t.Errorf("%s belongs to %q, want %q", c.id, got[c.id], c.of)
		}
	}
	said := string(printed(t, formatOf(t, "text"), r, Options{}))
	for _, want := range []string{"whole: and 2 more within it: sum, three\n", "above: and 1 more at the same place: below\n", "\n  below: relational/boundary-included\n", "left: and 1 more beside it, of which the same is known: right\n"} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not said:\n%s", want, said)
		}
	}
}

// TestNamesAreOneEntry: constants of a class that stand for texts are one entry, and not among what
// is worth most; those that stand for numbers are entries of their own.
func TestNamesAreOneEntry(t *testing.T) {
	text := "<?php\nclass Sail\n{\n    const JIB = 'jib';\n    const MAIN = 'main';\n    const AREA = 40;\n    const REEFS = 3;\n}\n"
	src := &mutate.Source{Path: "src/Sail.php", Text: []byte(text)}
	op := &mutate.Operator{ID: "declaration/constant-changed", Doc: "A constant has another value.\n\nNo test tells its value."}
	r := &mutate.Result{}
	for _, before := range []string{"'jib'", "'main'", "40", "3"} {
		at := strings.Index(text, before)
		m := &mutate.Mutant{ID: "Sail." + strings.Trim(before, "'"), Op: op, Source: src, Class: "Sail", Line: 1 + strings.Count(text[:at], "\n")}
		m.Edit.Start, m.Edit.End, m.Edit.New = at, at+len(before), "0"
		r.Verdicts = append(r.Verdicts, mutate.Verdict{Mutant: m, Status: mutate.Survived, Seen: mutate.Seen{Word: mutate.Unasserted}})
	}
	if got := sameGaps(r); len(got) != 1 || got["Sail.main"] != "Sail.jib" {
		t.Errorf("%v, want main with jib alone", got)
	}
	w := worthsOf(r)
	if w.of(r.Verdicts[0]) != worthOpen || w.of(r.Verdicts[2]) != worthUnasserted {
		t.Errorf("a name is worth %d, a number %d", w.of(r.Verdicts[0]), w.of(r.Verdicts[2]))
	}
}

// TestSameGapPlainest: of changes with as many bytes the first is the entry, in the order that
// reports have.
func TestSameGapPlainest(t *testing.T) {
	r := orchardWith(3, 3)
	first, second := sorted(r.Verdicts)[0].Mutant.ID, sorted(r.Verdicts)[1].Mutant.ID
	if got := sameGaps(r); len(got) != 1 || got[second] != first {
		t.Errorf("%v, want %s to belong to %s", got, second, first)
	}
	r.Verdicts[1].Proof = &mutate.Proof{Test: r.Verdicts[0].Proof.Test, Kills: r.Verdicts[0].Proof.Kills[:1]}
	if got := sameGaps(r); len(got) != 0 {
		t.Errorf("%v, though the proof was not seen to kill both", got)
	}
}
