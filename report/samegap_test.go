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

// TestSameGapIsOneEntry: what one proof kills on the same lines is one entry, the plainest of them;
// another line, another proof and none are entries of their own. All are counted, and in the
// result file each names the entry.
func TestSameGapIsOneEntry(t *testing.T) {
	r := orchardWith(1, 1, 1, 2, 0, 0)
	r.Verdicts[0].Mutant.Edit.New = "-=1000"
	text := string(printed(t, formatOf(t, "text"), r, Options{}))
	for said, n := range map[string]int{"  and 1 more of the same gap: 00000\n": 1, "of the same gap": 1, "-=1000": 0, "of 6 mutants, 0 killed, 6 survived": 1} {
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
	for _, e := range d.Mutants {
		if want := map[string]string{r.Verdicts[0].Mutant.ID: r.Verdicts[1].Mutant.ID}[e.ID]; e.SameGapAs != want {
			t.Errorf("%s belongs to %q, want %q", e.ID, e.SameGapAs, want)
		}
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
