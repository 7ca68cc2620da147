//go:build linux

package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// wholeFiles are what a run and a merge are asked to write, with what is compared.
var wholeFiles = []string{"json=result.json", "text=result.txt", "html=result.html", "markdown=result.md", "junit=result.xml"}

// inPieces runs a program with a cache of its own in a project, and gives what it prints.
func inPieces(t *testing.T, root, cache string, args ...string) []byte {
	t.Helper()
	cmd := osexec.Command("assay", args...)
	cmd.Dir = root
	cmd.Env = append(os.Environ(), "XDG_CACHE_HOME="+cache)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("assay %s: %v\n%s", strings.Join(args, " "), err, tailOf(errs.String(), 30))
	}
	return out.Bytes()
}

func writing(dir string) []string {
	var out []string
	for _, f := range wholeFiles {
		format, name, _ := strings.Cut(f, "=")
		out = append(out, "--write", format+"="+filepath.Join(dir, name))
	}
	return out
}

// partsOf makes a run in parts, with one worker in some and two in the others, and gives
// the result files.
func partsOf(t *testing.T, root, dir string, n int, args ...string) []string {
	t.Helper()
	var files []string
	for k := 1; k <= n; k++ {
		file := filepath.Join(dir, fmt.Sprintf("part-%d.json", k))
		inPieces(t, root, t.TempDir(), append([]string{"run", "--shard", fmt.Sprintf("%d/%d", k, n), "--jobs", fmt.Sprint(1 + k%2), "--write", "json=" + file}, args...)...)
		files = append(files, file)
	}
	return files
}

// The parts of a run, put together, are the run in one piece, byte for byte: the result
// file, each report, and what is shown.
//
//	ORACLE_PROJECT=dir[,dir]  these projects, in three parts
//	ORACLE_ARGS="..."         more options of assay run
func TestMergeIsTheWhole(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("a run for each part takes its time")
	}
	needTools(t, "php", "phpunit")
	cases := []struct {
		dir   string
		parts []int // 0 is more than there are mutants
		more  []int // with ASSAY_ALL_ROUNDS these as well
		args  string
	}{
		{"../../testdata/demo", nil, []int{1, 2, 3, 8}, ""},
		{"../../testdata/demo", []int{3}, nil, "--sample 40 --shard-by place --all-kills"},
		{"../../testdata/demo", []int{3}, []int{1}, "--sample 60"},
		{"../../testdata/fixtures/latin1-and-crlf", []int{2}, []int{3}, ""},
		{"../../testdata/fixtures/skipping", []int{0}, nil, "--only relational"},
	}
	if given := os.Getenv("ORACLE_PROJECT"); given != "" {
		cases = cases[:0]
		for _, dir := range strings.Split(given, ",") {
			cases = append(cases, struct {
				dir         string
				parts, more []int
				args        string
			}{dir, []int{3}, nil, os.Getenv("ORACLE_ARGS")})
		}
	}
	for _, c := range cases {
		if allRounds() {
			c.parts = append(c.parts, c.more...)
		}
		if len(c.parts) == 0 {
			continue
		}
		root, dir, args := prepared(t, c.dir), t.TempDir(), strings.Fields(c.args)
		shown := inPieces(t, root, t.TempDir(), append(append([]string{"run"}, writing(dir)...), args...)...)
		for _, n := range c.parts {
			if n == 0 {
				n = mutantsIn(t, filepath.Join(dir, "result.json")) + 1
			}
			t.Run(fmt.Sprintf("%s in %d%s", filepath.Base(c.dir), n, c.args), func(t *testing.T) {
				merged := t.TempDir()
				files := partsOf(t, root, merged, n, args...)
				files[0], files[n-1] = files[n-1], files[0] // in whichever order
				got := inPieces(t, root, t.TempDir(), append(append([]string{"merge"}, files...), writing(merged)...)...)
				if !bytes.Equal(got, shown) {
					t.Errorf("it shows something else: %s", firstOther(shown, got))
				}
				for _, f := range wholeFiles {
					_, name, _ := strings.Cut(f, "=")
					compareFiles(t, filepath.Join(dir, name), filepath.Join(merged, name))
				}
			})
		}
	}
}

func mutantsIn(t *testing.T, file string) int {
	t.Helper()
	text, err := os.ReadFile(file)
	var r struct{ Mutants []json.RawMessage }
	if err == nil {
		err = json.Unmarshal(text, &r)
	}
	if err != nil || len(r.Mutants) == 0 {
		t.Fatalf("%s: %d mutants, %v", file, len(r.Mutants), err)
	}
	return len(r.Mutants)
}
