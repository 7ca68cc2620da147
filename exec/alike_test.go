package exec

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"assay/mutate"
)

// TestKilledIsNotAlike: what a cold run of PHPUnit has failed on, by the claims of all fixtures, is
// never the same compiled code as its original.
func TestKilledIsNotAlike(t *testing.T) {
	c := testCompiler(t)
	dirs, err := filepath.Glob(filepath.Join(fixtures, "*", "claims.json"))
	if err != nil || len(dirs) < 20 {
		t.Fatalf("%d fixtures, %v", len(dirs), err)
	}
	killed := 0
	for _, d := range dirs {
		dir := filepath.Dir(d)
		for _, cl := range readClaims(t, dir).Claims {
			if cl.Status != "killed" && cl.Status != "timed_out" {
				continue
			}
			text, err := os.ReadFile(filepath.Join(dir, cl.File))
			if err != nil {
				t.Fatal(err)
			}
			one, other := compiled(t, c, string(text)), compiled(t, c, string(bytes.Replace(text, []byte(cl.Before), []byte(cl.After), 1)))
			if one != nil && bytes.Equal(one, other) {
				t.Errorf("%s: %q for %q is %s, and compiled alike", dir, cl.After, cl.Before, cl.Status)
			}
			killed++
		}
	}
	if killed < 100 {
		t.Errorf("there are only %d killed mutants in the claims", killed)
	}
}

// TestAlikeNotWhereItDiffered: what some test has seen to have another value is other code, and no
// process is started for it. A killed one of the same file is no reason to start one.
func TestAlikeNotWhereItDiffered(t *testing.T) {
	src := &mutate.Source{Path: "src/Scale.php", Text: []byte("<?php")}
	var verdicts []mutate.Verdict
	for _, word := range []mutate.SeenWord{mutate.Differs, mutate.Unasserted, mutate.Absorbed} {
		verdicts = append(verdicts, mutate.Verdict{Mutant: &mutate.Mutant{Source: src}, Status: mutate.Survived, Seen: mutate.Seen{Word: word}})
	}
	verdicts = append(verdicts, mutate.Verdict{Mutant: &mutate.Mutant{Source: src}, Status: mutate.Killed})
	e := &Engine{php: []string{"/none"}, dir: t.TempDir(), set: Settings{Jobs: 1}}
	e.FindAlike(t.Context(), verdicts, nil)
	c := e.Compilations()
	if c.Compared != 0 || len(c.Refused) != 1 || c.Refused[0].Mutants != 3 || verdicts[0].Status != mutate.Survived {
		t.Errorf("%+v", c)
	}
	verdicts[0].Seen.Word = mutate.NeverDiffers
	e.FindAlike(t.Context(), verdicts, nil) // there is no such PHP
	if c = e.Compilations(); len(c.Refused) != 2 {
		t.Errorf("of one that never differs: %+v", c)
	}
}
