//go:build linux

package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// lineKey is a line of a file of the project.
type lineKey struct {
	file string
	line int
}

// sighting is what one run of the suite under pcov tells.
type sighting struct {
	lines  map[lineKey]map[string]bool // line => tests that ran it
	marked map[string]bool             // tests that came by a mark put in by hand
}

// watcher runs the suite of a project under pcov.
type watcher struct {
	*cell
	out string
}

func newWatcher(t *testing.T, root string) *watcher {
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
	// Where a project has PHPUnit collect coverage, that would take what pcov has seen.
	command = slices.Concat([]string{"env", "ORACLE_LINES=" + filepath.Join(root, out), "php", "-d", "pcov.enabled=1", "-d", "pcov.directory=" + root,
		"-d", "auto_prepend_file=" + script}, command[1:], []string{"--no-coverage", "--extensions", "AssayOracleLines"})
	return &watcher{newCell(t, root, filepath.Join(t.TempDir(), "cell"), command), out}
}

// watch runs the suite, with one file replaced if path is not "", and gives
// nil, and how it ended, where it is not green.
func (w *watcher) watch(t *testing.T, path string, text []byte) (*sighting, coldRun) {
	t.Helper()
	r, err := w.run(context.Background(), path, text, 10*time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	if !r.green() {
		return nil, r
	}
	f, err := os.Open(filepath.Join(w.dir, "copy", w.out))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	return readSighting(t, w.root, f), r
}

func readSighting(t *testing.T, root string, f *os.File) *sighting {
	t.Helper()
	s := &sighting{map[lineKey]map[string]bool{}, map[string]bool{}}
	in := bufio.NewScanner(f)
	in.Buffer(nil, 64<<20)
	for in.Scan() {
		var row [3]json.RawMessage
		var test string
		var files map[string][]int
		var marked bool
		if err := errors.Join(json.Unmarshal(in.Bytes(), &row), json.Unmarshal(row[0], &test),
			json.Unmarshal(row[1], &files), json.Unmarshal(row[2], &marked)); err != nil {
			t.Fatalf("%v in %.200s", err, in.Bytes())
		}
		if marked {
			s.marked[test] = true
		}
		for file, lines := range files {
			rel, err := filepath.Rel(root, file)
			if err != nil {
				t.Fatal(err)
			}
			for _, line := range lines {
				k := lineKey{filepath.ToSlash(rel), line}
				if s.lines[k] == nil {
					s.lines[k] = map[string]bool{}
				}
				s.lines[k][test] = true
			}
		}
	}
	if err := in.Err(); err != nil {
		t.Fatal(err)
	}
	return s
}

// holdAgainstPcov takes Debian's pcov as an independent observer: a line that it
// says a test ran, and that holds a mutant, is reached by that test in the
// result. Reach may be larger, never smaller: a test left out is a survivor
// that is none. It gives the number of pairs of a line and a test.
func holdAgainstPcov(t *testing.T, root string, result resultFile) int {
	t.Helper()
	if err := osexec.Command("php", "-r", "exit(extension_loaded('pcov') ? 0 : 1);").Run(); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("php-pcov is missing, and CI may not skip")
		}
		t.Skip("needs php-pcov")
	}
	c := &reachCheck{t: t, w: newWatcher(t, root), result: result}
	c.compare()
	t.Logf("%d pairs of line and test, %d of them settled by a mark", c.pairs, c.settled)
	return c.pairs
}

// reachCheck holds a result's reach against what pcov sees.
type reachCheck struct {
	t              *testing.T
	w              *watcher
	result         resultFile
	pairs, settled int
}

func (c *reachCheck) compare() {
	whole, r := c.w.watch(c.t, "", nil)
	if whole == nil {
		c.t.Fatalf("%s: %v on unchanged code:\n%s", c.w.commands, r, r.Output)
	}
	seen := whole.lines
	byLine := map[lineKey][]resultMutant{}
	reached := map[lineKey]map[string]bool{}
	for _, m := range c.result.Mutants {
		k := lineKey{m.File, m.Line}
		if m.Status == "accepted" || m.Status == "skipped" {
			continue
		}
		byLine[k] = append(byLine[k], m)
		if reached[k] == nil {
			reached[k] = map[string]bool{}
		}
		maps.Copy(reached[k], c.reaching(m))
	}
	for k, mutants := range byLine {
		missing := c.missing(seen[k], reached[k])
		c.pairs += len(seen[k])
		if len(missing) > 0 {
			c.settle(k, mutants, missing)
		}
	}
}

// missing gives the tests that should be reached and are not.
func (c *reachCheck) missing(should, reached map[string]bool) []string {
	var out []string
	for _, test := range slices.Sorted(maps.Keys(should)) {
		if !reached[test] {
			out = append(out, test)
		}
	}
	return out
}

func (c *reachCheck) reaching(m resultMutant) map[string]bool {
	out := map[string]bool{}
	for _, test := range c.result.reaching(m) {
		out[test] = true
	}
	return out
}

// settle decides whether tests run a line's mutants: pcov counts the line of a
// jump behind a statement, and of a closure that only takes in its variables.
// It also counts the line of a case that is only compared, or of a condition
// with its statement on the same line. So a mark is put in
// the mutant's own place, or else in front of its statement, and the suite run
// again.
func (c *reachCheck) settle(k lineKey, mutants []resultMutant, missing []string) {
	tried := false
	for _, m := range mutants {
		seen := c.marked(m)
		if seen == nil {
			continue
		}
		tried = true
		c.settled += len(missing)
		if left := c.missing(seen.marked, c.reaching(m)); len(left) > 0 {
			c.t.Errorf("%s:%d, %s: %d tests come by that are said not to reach it: %s", k.file, k.line, m.ID,
				len(left), strings.Join(left[:min(5, len(left))], ", "))
			return
		}
	}
	if !tried {
		c.t.Errorf("%s:%d, %s: pcov says that %d tests run it that are said not to reach it, and no mark can be put there: %s", k.file, k.line,
			mutants[0].ID, len(missing), strings.Join(missing[:min(5, len(missing))], ", "))
	}
}

// marked runs the suite with a mark in a mutant's place; nil where there is no
// way to put one there that leaves the suite green.
func (c *reachCheck) marked(m resultMutant) *sighting {
	source, err := os.ReadFile(filepath.Join(c.w.root, filepath.FromSlash(m.File)))
	if err != nil {
		c.t.Fatal(err)
	}
	if at := labelEnd.FindIndex(source[m.Start:m.End]); at != nil {
		end := m.Start + at[1]
		text := slices.Concat(source[:end], []byte(` \oracle_mark(); `), source[end:])
		if ok, _ := phpAccepts(c.w.dir, text); ok {
			if seen, _ := c.w.watch(c.t, m.File, text); seen != nil {
				return seen
			}
		}
	}
	for _, form := range []string{`(\oracle_mark() ?? (%s))`, `{ \oracle_mark(); %s }`, `{ \oracle_mark(); %s; }`} {
		text := slices.Concat(source[:m.Start], fmt.Appendf(nil, form, source[m.Start:m.End]), source[m.End:])
		if ok, _ := phpAccepts(c.w.dir, text); !ok {
			continue
		}
		if seen, _ := c.w.watch(c.t, m.File, text); seen != nil {
			return seen
		}
	}
	for _, at := range statementStarts(source[:m.Start]) {
		text := slices.Concat(source[:at], []byte(" "+markStatement+" "), source[at:])
		if ok, _ := phpAccepts(c.w.dir, text); !ok {
			continue
		}
		if seen, _ := c.w.watch(c.t, m.File, text); seen != nil {
			return seen
		}
	}
	return nil
}

// markStatement makes a marked statement of the one behind it.
const markStatement = `if (\oracle_mark()) {} else`

// startOfStatement is what a statement may stand behind: the end of another, a
// brace, a condition, else, the colon of a case. Where that is the end of no statement, in a string
// or the head of a loop, PHP or the suite refuses the mark.
var startOfStatement = regexp.MustCompile(`[;{})]|\belse\b|(?:\bcase\b[^;{}?]*|\bdefault\s*):`)

// labelEnd finds the end of the label at the beginning of a case: what stands behind it is
// run where the case is taken, and not where it is only compared.
var labelEnd = regexp.MustCompile(`^(?:case\b(?:'[^']*'|"[^"]*"|::|[^;{}?:'"])*|default\s*)[:;]`)

// statementStarts gives where the statement at the end of a text may begin, the
// last place first.
func statementStarts(before []byte) []int {
	const lines = 2000 // bytes that are looked at
	from := max(0, len(before)-lines)
	var out []int
	for _, at := range startOfStatement.FindAllIndex(before[from:], -1) {
		out = append(out, from+at[1])
	}
	slices.Reverse(out)
	return out[:min(8, len(out))]
}

// TestStatementStarts: the mark comes before the statement that holds the place
// and behind what is before that.
func TestStatementStarts(t *testing.T) {
	for _, c := range []struct{ before, want string }{
		{"case '*': return 1; case '/': return $l ", " return $l "},
		{"f(function ($n) { $this->x = ", " $this->x = "},
		{"default: return A::b", " return A::b"},
		{"if ($a) ", " "},
		{"} else ", " "},
		{"{} return $a ? 1 : ", " return $a ? 1 : "},
	} {
		if at := statementStarts([]byte(c.before)); len(at) == 0 || c.before[at[0]:] != c.want {
			t.Errorf("%q: %v, want the first before %q", c.before, at, c.want)
		}
	}
	for text, want := range map[string]string{"case 'a:b': return 1;": " return 1;", `case Tide::EBB: return A::b();`: " return A::b();", "default : f();": " f();",
		"case $n > 1; g();": " g();", "cases: h();": "", "return $a ? 1 : 2;": ""} {
		got := ""
		if at := labelEnd.FindStringIndex(text); at != nil {
			got = text[at[1]:]
		}
		if got != want {
			t.Errorf("behind the label of %q: %q, want %q", text, got, want)
		}
	}
	if at := statementStarts([]byte("return $a")); len(at) != 0 {
		t.Errorf("%v, want none", at)
	}
}
