//go:build linux

package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"assay/exec"
	"assay/mutate"
	"assay/mutate/project"
)

func TestHelpTexts(t *testing.T) {
	t.Setenv("COLUMNS", "80")
	for name, args := range map[string][]string{
		"assay": {"help"}, "run": {"help", "run"}, "list": {"help", "list"}, "inspect": {"help", "inspect"}, "try": {"help", "try"}, "prove": {"help", "prove"},
		"history": {"help", "history"}, "tests": {"help", "tests"}, "operators": {"help", "operators"}, "check": {"help", "check"}, "report": {"help", "report"}, "merge": {"help", "merge"}, "accept": {"help", "accept"}, "version": {"help", "version"}, "help": {"help", "help"},
		"work": {"help", "work"}, "completion": {"help", "completion"}, "manual": {"help", "manual"},
	} {
		var out, errs bytes.Buffer
		if status := run(&out, &errs, args); status != statusFine || errs.Len() > 0 {
			t.Errorf("%v: status %d, %s", args, status, &errs)
		}
		path := filepath.Join("../../testdata/help", name+".txt")
		if os.Getenv("UPDATE") == "1" {
			if err := os.WriteFile(path, out.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want), out.String()); diff != "" {
			t.Errorf("%s (-want +got); UPDATE=1 accepts:\n%s", path, diff)
		}
	}
}

// Every option is a flag and a key of the same name.
func TestFlagsAndKeysHaveOneName(t *testing.T) {
	for _, f := range reflect.VisibleFields(reflect.TypeFor[fileOptions]()) {
		name, key := f.Tag.Get("name"), f.Tag.Get("toml")
		if f.Anonymous || f.Name == "Paths" {
			continue
		}
		if name == "" || (key != name && key != "-") {
			t.Errorf("%s: flag %q, key %q", f.Name, name, key)
		}
		if groups[f.Tag.Get("group")] == "" {
			t.Errorf("%s: no group of the help text", f.Name)
		}
	}
}

func TestNear(t *testing.T) {
	words := []string{"sample", "seed", "jobs", "fail-under", "budget"}
	for in, want := range map[string]string{"smaple": "sample", "fail-udner": "fail-under", "job": "jobs", "xyzzy": ""} {
		if got := strings.Join(near(in, words), " "); got != want {
			t.Errorf("near(%q) = %q, want %q", in, got, want)
		}
	}
}

// The distances are those of the textbook examples, from memory: kitten to
// sitting takes 3 changes (Levenshtein), a swap of neighbours one (Damerau).
func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"kitten", "sitting", 3}, {"ab", "ba", 1}, {"", "abc", 3}, {"same", "same", 0}, {"flaw", "lawn", 2}} {
		if got := distance(c.a, c.b); got != c.want {
			t.Errorf("distance(%q, %q) = %d, want %d", c.a, c.b, got, c.want)
		}
		if got := distance(c.b, c.a); got != c.want {
			t.Errorf("distance(%q, %q) = %d, want %d", c.b, c.a, got, c.want)
		}
	}
}

func manyMutants(classes, operators, each int) []*mutate.Mutant {
	var ms []*mutate.Mutant
	for c := range classes {
		for o := range operators {
			op := &mutate.Operator{ID: fmt.Sprintf("family/rule%d", o)}
			for n := range each + 3*c {
				ms = append(ms, &mutate.Mutant{ID: fmt.Sprintf("c%d.o%d.n%d", c, o, n), Op: op,
					Class: fmt.Sprintf("C%d", c), Source: &mutate.Source{Path: "a.php"}})
			}
		}
	}
	return ms
}

func TestSpread(t *testing.T) {
	ms := manyMutants(4, 6, 2)
	got := spread(ms, 7)
	seen := map[*mutate.Mutant]bool{}
	for _, m := range got {
		seen[m] = true
	}
	if len(got) != len(ms) || len(seen) != len(ms) {
		t.Fatalf("%d mutants, %d different, of %d", len(got), len(seen), len(ms))
	}
	// The first of each class, by operators that were not used before.
	classes, ops := map[string]int{}, map[string]int{}
	for _, m := range got[:6] {
		classes[m.Class]++
		ops[m.Op.ID]++
	}
	if len(classes) != 4 || len(ops) != 6 {
		t.Errorf("the first six are of %d classes and %d operators, want 4 and 6", len(classes), len(ops))
	}
	if diff := cmp.Diff(ids(got), ids(spread(ms, 7))); diff != "" {
		t.Error("the same seed gives another order")
	}
	if cmp.Equal(ids(got), ids(spread(ms, 8))) {
		t.Error("another seed gives the same order")
	}
}

func ids(ms []*mutate.Mutant) (out []string) {
	for _, m := range ms {
		out = append(out, m.ID)
	}
	return out
}

func TestProgressOnATerminal(t *testing.T) {
	var b bytes.Buffer
	now := time.Unix(0, 0)
	p := &progress{w: &b, terminal: true, width: func() int { return 80 }, now: func() time.Time { return now }}
	p.begin(judgingStage(100), " with details for logs only")
	now = now.Add(10 * time.Second)
	p.step(25, 100, ", 20 killed")
	p.step(26, 100, ", 21 killed") // too soon after the last
	p.end()
	const clear = "\r\x1b[2K"
	want := clear + "judging 100 mutants" +
		clear + "judging ●●●●●●·················· 25 of 100 mutants, 20 killed, 30s left" + clear
	if diff := cmp.Diff(want, b.String()); diff != "" {
		t.Error(diff)
	}
}

// On a narrow terminal the words go, and not the figures.
func TestProgressOnANarrowTerminal(t *testing.T) {
	for width, want := range map[int]string{
		80: "judging  12000 of 20000 mutants, 9000 killed, 3000 survived, 1h7m left",
		66: "judging 12000 of 20000, 9000 killed, 3000 survived, 1h7m left",
		60: "12000 of 20000, 9000 killed, 3000 survived, 1h7m left",
	} {
		var b bytes.Buffer
		now := time.Unix(0, 0)
		p := &progress{w: &b, terminal: true, width: func() int { return width }, now: func() time.Time { return now }}
		p.begin(judgingStage(20000), "")
		b.Reset()
		now = now.Add(100 * time.Minute)
		p.step(12000, 20000, ", 9000 killed, 3000 survived")
		got := strings.TrimPrefix(b.String(), "\r\x1b[2K")
		if got = strings.NewReplacer("●", "", "·", "").Replace(got); got != want {
			t.Errorf("%d columns: %q, want %q", width, got, want)
		}
	}
}

func TestProgressInALog(t *testing.T) {
	for step, want := range map[time.Duration]int{time.Second: 10, 300 * time.Millisecond: 6, time.Millisecond: 1} {
		var b bytes.Buffer
		now := time.Unix(0, 0)
		p := &progress{w: &b, now: func() time.Time { return now }}
		p.begin(stage{said: "judging"}, " with 2 workers")
		for i := range 41 {
			p.step(i, 40, "")
			now = now.Add(step)
		}
		p.end()
		if lines := strings.Count(b.String(), "\n"); lines != want {
			t.Errorf("%v a step: %d lines, want %d:\n%s", step, lines, want, &b)
		}
		if strings.ContainsAny(b.String(), "\r\x1b") {
			t.Error("a log gets control characters")
		}
	}
}

func TestStatuses(t *testing.T) {
	for name, c := range map[string]struct {
		err  error
		want int
	}{
		"nothing":              {nil, 0},
		"below the bar":        {fmt.Errorf("%w: 3 is less than 4", errBelow), 1},
		"usage":                {usagef("no"), 2},
		"an option's path":     {errors.Join(&project.Error{Kind: project.NoMatch}), 2},
		"no tests":             {errors.Join(&project.Error{Kind: project.NoTests}), 3},
		"a red suite":          {fmt.Errorf("recording: %w", &exec.ProjectError{What: "red"}), 3},
		"anything else":        {io.ErrUnexpectedEOF, 4},
		"interrupted":          {signalError{syscall.SIGINT}, 130},
		"ended from elsewhere": {signalError{syscall.SIGTERM}, 143},
	} {
		var errs bytes.Buffer
		env := &environment{stdout: io.Discard, stderr: &errs}
		if got := env.end(c.err); got != c.want {
			t.Errorf("%s: status %d, want %d", name, got, c.want)
		}
		if (c.err != nil) != strings.HasPrefix(errs.String(), "assay: ") {
			t.Errorf("%s: said %q", name, &errs)
		}
	}
}

func TestSizesAndTimes(t *testing.T) {
	for in, want := range map[string]size{"512M": 512 << 20, "2g": 2 << 30, "65536": 65536, "1K": 1024} {
		var s size
		if err := s.UnmarshalText([]byte(in)); err != nil || s != want {
			t.Errorf("%q: %v, %v", in, s, err)
		}
	}
	for _, in := range []string{"", "M", "-1", "0", "1.5G", "5T", "9999999999999G"} {
		if err := new(size).UnmarshalText([]byte(in)); err == nil {
			t.Errorf("size %q is accepted", in)
		}
	}
	for _, in := range []string{"", "10", "-5m", "0s", "soon"} {
		if err := new(duration).UnmarshalText([]byte(in)); err == nil {
			t.Errorf("time %q is accepted", in)
		}
	}
	for _, in := range []string{"", "-1", "100.5", "NaN", "half"} {
		if err := new(percent).UnmarshalText([]byte(in)); err == nil {
			t.Errorf("percentage %q is accepted", in)
		}
	}
}
