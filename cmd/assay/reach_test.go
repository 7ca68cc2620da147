package main

import (
	"bufio"
	"context"
	"encoding/json"
	"maps"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// Debian's pcov as an independent survey: a line that pcov says a test ran,
// and that holds a mutant, is reached by that test in the result file. Reach
// may be larger, never smaller: a test left out is a survivor that is none.
//
//	ORACLE_PROJECT=dir[,dir]  these projects, and no others

// reachProjects are the demo and the fixtures, those aside that have no reach
// to speak of in the suite's own process.
func reachProjects(t *testing.T) []oracleProject {
	t.Helper()
	elsewhere := map[string]bool{
		"process-isolation": true, // a process for each test, where pcov's lines stay
	}
	seen := map[string]bool{}
	var out []oracleProject
	for _, p := range oracleProjects(t) {
		if p.config == "" && !elsewhere[p.name] && !seen[p.dir] {
			seen[p.dir] = true
			out = append(out, p)
		}
	}
	return out
}

// lineKey is a line of a file of the project.
type lineKey struct {
	file string
	line int
}

// runLines gives, for each line, the tests that run it, as pcov says.
func runLines(t *testing.T, root string) map[lineKey]map[string]bool {
	t.Helper()
	text, err := os.ReadFile("../../testdata/oracle/lines.php")
	if err != nil {
		t.Fatal(err)
	}
	// In the project's copy, for nothing else is sure to be seen from a cell.
	script, out := filepath.Join(root, "oracle-lines.php"), "oracle-lines.jsonl"
	if err := os.WriteFile(script, text, 0o644); err != nil {
		t.Fatal(err)
	}
	command := phpunitCommand(t, root, "")
	command = slices.Concat([]string{"env", "ORACLE_LINES=" + filepath.Join(root, out), "php", "-d", "pcov.enabled=1", "-d", "pcov.directory=" + root,
		"-d", "auto_prepend_file=" + script}, command[1:], []string{"--extensions", "AssayOracleLines"})
	c := newCell(t, root, filepath.Join(t.TempDir(), "cell"), command)
	r, err := c.run(context.Background(), "", nil, 10*time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	if !r.green() {
		t.Fatalf("%s: %v:\n%s", c.commands, r, r.Output)
	}
	f, err := os.Open(filepath.Join(c.dir, "copy", out))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	return readLines(t, root, f)
}

func readLines(t *testing.T, root string, f *os.File) map[lineKey]map[string]bool {
	t.Helper()
	run := map[lineKey]map[string]bool{}
	in := bufio.NewScanner(f)
	in.Buffer(nil, 64<<20)
	for in.Scan() {
		var row [2]json.RawMessage
		var test string
		var files map[string][]int
		for _, err := range []error{json.Unmarshal(in.Bytes(), &row), json.Unmarshal(row[0], &test), json.Unmarshal(row[1], &files)} {
			if err != nil {
				t.Fatalf("%v in %.200s", err, in.Bytes())
			}
		}
		for file, lines := range files {
			rel, err := filepath.Rel(root, file)
			if err != nil {
				t.Fatal(err)
			}
			for _, line := range lines {
				k := lineKey{filepath.ToSlash(rel), line}
				if run[k] == nil {
					run[k] = map[string]bool{}
				}
				run[k][test] = true
			}
		}
	}
	if err := in.Err(); err != nil {
		t.Fatal(err)
	}
	return run
}

func TestReachHasWhatPcovSees(t *testing.T) {
	needCells(t)
	if err := osexec.Command("php", "-r", "exit(extension_loaded('pcov') ? 0 : 1);").Run(); err != nil {
		if os.Getenv("CI") == "1" {
			t.Fatal("php-pcov is missing, and CI may not skip")
		}
		t.Skip("needs php-pcov")
	}
	pairs := 0
	for _, p := range reachProjects(t) {
		t.Run(p.name, func(t *testing.T) {
			root := prepared(t, p.dir)
			result, _ := runAssay(t, root, "")
			n := compareReach(t, result, runLines(t, root))
			t.Logf("%d pairs of line and test", n)
			pairs += n
		})
	}
	if pairs == 0 {
		t.Error("pcov saw no line of any mutant run")
	}
}

// compareReach gives how many pairs of a line and a test it has compared.
func compareReach(t *testing.T, result resultFile, run map[lineKey]map[string]bool) int {
	t.Helper()
	reached := map[lineKey]map[string]bool{}
	example := map[lineKey]resultMutant{}
	for _, m := range result.Mutants {
		k := lineKey{m.File, m.Line}
		if m.Status == "suppressed" {
			continue
		}
		if reached[k] == nil {
			reached[k], example[k] = map[string]bool{}, m
		}
		for _, i := range m.TestsReaching {
			reached[k][result.Tests[i].Name] = true
		}
	}
	shaky := map[string]bool{}
	for _, test := range result.Tests {
		shaky[test.Name] = test.Shaky
	}
	pairs := 0
	for k := range reached {
		var missing []string
		for _, test := range slices.Sorted(maps.Keys(run[k])) {
			if shaky[test] {
				continue
			}
			pairs++
			if !reached[k][test] {
				missing = append(missing, test)
			}
		}
		if len(missing) > 0 {
			t.Errorf("%s:%d (%s): pcov saw %d tests run it that are said not to reach it: %s", k.file, k.line, example[k].ID,
				len(missing), strings.Join(missing[:min(5, len(missing))], ", "))
		}
	}
	return pairs
}
