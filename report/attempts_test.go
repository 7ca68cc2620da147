package report

import (
	"bytes"
	"strings"
	"testing"

	"assay/mutate"
)

// attemptsOf gives one of each kind.
func attemptsOf(t *testing.T) []mutate.Attempt {
	r := fixture(t)
	search := func(i, tried, reached, differed int, why string) mutate.Search {
		return mutate.Search{Mutant: r.Verdicts[i].Mutant, Tried: tried, Reached: reached, Differed: differed, Why: why}
	}
	first := mutate.Attempt{Search: search(2, 3000, 40, 2, ""), Proof: r.Verdicts[2].Proof}
	return []mutate.Attempt{
		first,
		{Search: search(3, 10, 10, 1, ""), Proof: first.Proof, Refused: []string{"the test passes on the mutant"}},
		{Search: search(4, 3000, 2900, 12, ""), Refused: []string{"the test passes on the mutant", "the test passes on the mutant"}},
		{Search: search(5, 3000, 2900, -1, "")},
		{Search: search(7, 3000, mutate.LargeSearch, 0, "")},
		{Search: search(0, 0, 0, -1, "the code writes files\x1b[31m.")},
		{Search: search(1, 8, 8, 8, ""), Untried: true},
	}
}

func TestAttempts(t *testing.T) {
	var out bytes.Buffer
	if err := Attempts(&out, attemptsOf(t), "/home/kai/sound", Options{Width: 80}); err != nil {
		t.Fatal(err)
	}
	golden(t, "attempts.golden", out.Bytes())
	if bytes.Contains(out.Bytes(), []byte("\x1b")) {
		t.Error("control characters of the project reach the terminal")
	}
	if said := AttemptsSaid(attemptsOf(t)); said != "Tests were looked for that kill 7 survivors: 1 test was seen to kill 2 of them; "+
		"something was found, and no test was made of it before the end: 1; nothing found: 2; likely equivalent: 1; not looked for: 1." {
		t.Error(said)
	}
	out.Reset()
	if err := Attempts(&out, nil, "", Options{}); err != nil || out.String() != "There is no survivor to look for a test for.\n" {
		t.Errorf("%v: %q", err, &out)
	}
}

// A proof is kept with its text only for a later look, and comes back as it was.
func TestProofsAreKept(t *testing.T) {
	r := fixture(t)
	want := r.Verdicts[2].Proof
	for _, test := range []struct {
		o    Options
		code string
	}{{Options{}, ""}, {Options{Tests: true}, marked(want.Code)}} {
		var b bytes.Buffer
		if err := JSON(&b, r, test.o); err != nil {
			t.Fatal(err)
		}
		d, err := ReadJSON(&b)
		if err != nil {
			t.Fatal(err)
		}
		got := d.Find("fits-le-3a").proof()
		if got == nil || got.Test != want.Test || strings.Join(got.Kills, " ") != strings.Join(want.Kills, " ") || got.Tried != want.Tried || got.File != want.File || got.Code != test.code {
			t.Errorf("%+v: got %+v, want %+v", test.o, got, want)
		}
		if d.SetAttempt(attempt("fits-lt-9e", want)) {
			t.Error("a mutant that was killed has a proof")
		}
		if !d.SetAttempt(attempt("lamp-text-77", want)) || d.Find("lamp-text-77").proof() == nil {
			t.Error("a survivor's proof is not set")
		}
		said := Finding(&mutate.Verdict{Mutant: r.Verdicts[2].Mutant, Status: mutate.Survived, Proof: got}, "", Options{})
		if !strings.Contains(said, mutate.Question) {
			t.Errorf("the question is not asked:\n%s", said)
		}
	}
}

func attempt(id string, p *mutate.Proof) mutate.Attempt {
	return mutate.Attempt{Search: mutate.Search{Mutant: &mutate.Mutant{ID: id}, Seen: mutate.Unasserted}, Proof: p}
}
