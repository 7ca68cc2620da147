//go:build linux

package main

import (
	"maps"
	"math/rand/v2"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"testing"
)

// TestProofsHold does by hand what a person would do with proofs: it has git apply each
// diff to the project, and PHPUnit run the whole suite: on the original it is green, and on
// each mutant that the proof is said to kill it is red. Without the diff that mutant was
// green. One of the two projects is drawn, except in .ci/run nightly.
func TestProofsHold(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("tests for survivors take their time to be found")
	}
	needTools(t, "php", "phpunit", "composer", "git")
	dirs := map[string]int{"../../testdata/demo": 3, "../../testdata/proving/ferry": 8}
	if !allRounds() {
		delete(dirs, slices.Collect(maps.Keys(dirs))[rand.N(2)])
	}
	for dir, least := range dirs {
		t.Run(filepath.Base(dir), func(t *testing.T) {
			root, proofs := prepared(t, dir), t.TempDir()
			r, _ := runAssay(t, root, "", "--prove", "--write", "proofs="+proofs, "--only", "relational", "--prove-for", "3m")
			byID := map[string]resultMutant{}
			for _, m := range r.Mutants {
				byID[m.ID] = m
			}
			found := 0
			for _, m := range r.Mutants {
				if m.Proof == nil {
					continue
				}
				found++
				changed := filepath.Join(t.TempDir(), "project")
				if out, err := osexec.Command("cp", "-a", root, changed).CombinedOutput(); err != nil {
					t.Fatalf("cp: %v: %s", err, out)
				}
				git := osexec.Command("git", "apply", filepath.Join(proofs, m.Proof.File))
				git.Dir = changed
				if out, err := git.CombinedOutput(); err != nil {
					t.Fatalf("%s: git apply: %v: %s", m.Proof.File, err, out)
				}
				checkProof(t, changed, m, byID)
			}
			if found < least {
				t.Errorf("%d proofs were found, and not %d", found, least)
			}
		})
	}
}

// checkProof runs the suite with a proof in it.
func checkProof(t *testing.T, root string, of resultMutant, byID map[string]resultMutant) {
	t.Helper()
	suite := func() (string, bool) {
		cmd := osexec.Command("phpunit")
		cmd.Dir = root
		out, err := cmd.CombinedOutput()
		return string(out), err == nil
	}
	if out, green := suite(); !green {
		t.Errorf("%s: on the original the suite is red with %s:\n%s", of.ID, of.Proof.Test, tailOf(out, 20))
	}
	kills := false
	for _, id := range of.Proof.Kills {
		kills = kills || id == of.ID
		m := byID[id]
		path := filepath.Join(root, m.File)
		source, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		text, err := m.edit(source)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, text, 0o644); err != nil {
			t.Fatal(err)
		}
		if out, green := suite(); green {
			t.Errorf("%s: on mutant %s the suite is green with %s:\n%s", of.ID, id, of.Proof.Test, tailOf(out, 20))
		}
		if err := os.WriteFile(path, source, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if !kills {
		t.Errorf("%s: its proof kills only %q", of.ID, of.Proof.Kills)
	}
}
