//go:build linux

package main

import (
	"bytes"
	"fmt"
	"os"
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestSameBytes: a result does not depend on how many workers there are, nor
// on which of them is quick. One worker, two and eight write the same file, byte
// for byte; .ci/run nightly has them do so three times each, and .ci/run one and eight once.
//
//	ORACLE_PROJECT=dir[,dir]  these projects, and not the demo
//	ORACLE_ARGS="..."         more options of assay run, as --sample 100
func TestSameBytes(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("a run for each number of workers takes its time")
	}
	needTools(t, "php", "phpunit")
	dirs := []string{"../../testdata/demo"}
	if given := os.Getenv("ORACLE_PROJECT"); given != "" {
		dirs = strings.Split(given, ",")
	}
	for _, dir := range dirs {
		root := prepared(t, dir)
		_, first := runAssay(t, root, "", append(strings.Fields(os.Getenv("ORACLE_ARGS")), "--jobs", "1")...)
		rounds := 1
		if allRounds() {
			rounds = 3
		}
		for round := range rounds {
			for _, jobs := range []int{1, 2, 8} {
				if round == 0 && jobs == 1 || jobs == 2 && !allRounds() {
					continue // that was the first
				}
				_, text := runAssay(t, root, "", append(strings.Fields(os.Getenv("ORACLE_ARGS")), "--jobs", fmt.Sprint(jobs))...)
				if !bytes.Equal(text, first) {
					t.Errorf("%s: %d workers, round %d: another result than with one: %s", dir, jobs, round+1, firstOther(first, text))
				}
			}
		}
	}
}

// TestSameVerdicts: processes instead of forks, and copies instead of overlays,
// find out the same about every mutant. A process builds the suite anew and so
// runs all rows of a test where a fork runs the one that counts: there another
// row may be the killer. (Notes may differ, so whole files are not compared.)
func TestSameVerdicts(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("a process for each mutant takes its time")
	}
	needTools(t, "php", "phpunit")
	for _, dir := range []string{"../../testdata/demo", "../../testdata/fixtures/static-cache", "../../testdata/fixtures/provider-loads-class"} {
		root, some := prepared(t, dir), "30"
		if allRounds() {
			some = "100"
		}
		want, _ := runAssay(t, root, "", "--sample", some)
		for _, way := range [][]string{{"--cold"}, {"--view", "copy"}} {
			got, _ := runAssay(t, root, "", append([]string{"--sample", some}, way...)...)
			if len(got.Mutants) != len(want.Mutants) {
				t.Fatalf("%s %v: %d mutants, want %d", dir, way, len(got.Mutants), len(want.Mutants))
			}
			for i, m := range got.Mutants {
				w := want.Mutants[i]
				if way[0] == "--cold" {
					m.Killer, m.Failure, m.TestsRun = w.Killer, w.Failure, w.TestsRun
				}
				if !reflect.DeepEqual(m, w) {
					t.Errorf("%s %v: %s", dir, way, cmp.Diff(w, m))
				}
			}
		}
	}
}

// allRounds is set by .ci/run nightly: what is done over and over is done as often as it can be
// of use. Otherwise one round is made of each kind.
func allRounds() bool { return os.Getenv("ASSAY_ALL_ROUNDS") != "" }

// firstOther shows the first line that differs, with what stands around it.
func firstOther(a, b []byte) string {
	was, is := strings.Split(string(a), "\n"), strings.Split(string(b), "\n")
	for i := range was {
		if i >= len(is) || was[i] != is[i] {
			return fmt.Sprintf("line %d\nbefore: %s\nwas: %s\nis:  %s", i+1, strings.Join(was[max(0, i-12):i], "\n"), was[i], is[min(i, len(is)-1)])
		}
	}
	return fmt.Sprintf("%d lines more", len(is)-len(was))
}
