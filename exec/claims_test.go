package exec

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"maps"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"assay/exec/sandbox"
	"assay/exec/sandbox/sandboxtest"
	"assay/mutate"
	"assay/mutate/syntax"
)

// claim is one entry of a fixture's claims.json: what PHPUnit answers when it
// is run cold, as a whole, on a copy with that edit.
type claim struct {
	File, Before, After string
	Status, How         string
	Killers             []string
	Config, Why         string
	OrElse              string
	TestSuite, Group    string                     // --testsuite, --group
	From, UpTo          int                        // the major versions of PHPUnit for which it is made; 0: no bound
	Since               map[int]json.RawMessage    // what is different from a major version of PHPUnit on
	SincePHP            map[string]json.RawMessage // or from a version of PHP on
}

type claimFile struct {
	Trap   string
	PHP    string // the oldest version that can run it; "" for any
	Red    bool
	Claims []claim
}

const fixtures = "../testdata/fixtures"

func readClaims(t *testing.T, dir string) claimFile {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, "claims.json"))
	if err != nil {
		t.Fatal(err)
	}
	var c claimFile
	if err := json.Unmarshal(b, &c); err != nil {
		t.Fatalf("%s: %v", dir, err)
	}
	if c.PHP != "" && !phpIsAtLeast(t, c.PHP) {
		c.Claims = nil // .ci/run matrix has a PHP for it
	}
	c.Claims = slices.DeleteFunc(c.Claims, func(cl claim) bool {
		return cl.From > lookMajor(t) || (cl.UpTo > 0 && cl.UpTo < lookMajor(t))
	})
	for i := range c.Claims {
		cl := &c.Claims[i]
		for _, major := range slices.Sorted(maps.Keys(cl.Since)) {
			if major > lookMajor(t) {
				break
			}
			if err := json.Unmarshal(cl.Since[major], cl); err != nil {
				t.Fatalf("%s: %v", dir, err)
			}
		}
		for _, version := range slices.Sorted(maps.Keys(cl.SincePHP)) {
			if !phpIsAtLeast(t, version) {
				break
			}
			if err := json.Unmarshal(cl.SincePHP[version], cl); err != nil {
				t.Fatalf("%s: %v", dir, err)
			}
		}
	}
	return c
}

func phpIsAtLeast(t *testing.T, version string) bool {
	t.Helper()
	return osexec.Command(lookPHP(t), "-r", "exit(version_compare(PHP_VERSION, $argv[1], '>=') ? 0 : 9);", version).Run() == nil
}

// copied are the fixtures whose traps have to do with files, processes or the way in which
// a changed file gets into place; the others are judged in a copy with ASSAY_ALL_VIEWS, which
// .ci/run nightly sets.
var copied = []string{"gallery", "leftover-file", "writes-own-tree", "template-file", "reads-source", "process-isolation", "spawns-php", "phpt",
	"named-after-files", "files-autoload", "loaded-and-asked", "forks-itself", "same-values", "provider-loads-class"}

// coldly are those that are judged by a process for each mutant as well: what a test leaves
// behind, or when its class is loaded, ends a process or differs by where the suite begins.
// The others are with ASSAY_ALL_VIEWS.
var coldly = []string{"gallery", "leftover-file", "writes-own-tree", "template-file", "reads-source", "spawns-php", "phpt", "named-after-files",
	"files-autoload", "loaded-and-asked", "forks-itself", "same-values", "provider-loads-class", "exit-zero", "time-limit", "waits", "destructor-throws-at-shutdown", "teardown-must-run", "isolated-class",
	"fail-on-risky", "order-dependent", "static-cache", "provider-shrinks", "data-of-sources", "data-before-state", "depends-kinds", "declares-once",
	"counts-what-is-loaded", "leftover-setting", "latin1-and-crlf", "unused-data-throws"}

// TestClaims holds the engine's verdicts against what cold runs of the whole
// suite gave for the same edits: over every fixture, in the ways of running.
func TestClaims(t *testing.T) {
	t.Parallel() // beside what waits
	dirs, err := filepath.Glob(filepath.Join(fixtures, "*", "claims.json"))
	if err != nil || len(dirs) < 20 {
		t.Fatalf("%d fixtures, %v", len(dirs), err)
	}
	for _, d := range dirs {
		dir := filepath.Dir(d)
		c := readClaims(t, dir)
		if c.Red || len(c.Claims) == 0 {
			continue
		}
		if testing.Short() && !slices.Contains([]string{"exit-zero", "provider-loads-class", "static-cache"}, filepath.Base(dir)) {
			continue // the race detector sees all there is to see in a few
		}
		for _, way := range []struct {
			name string
			set  Settings
		}{
			{"forked", Settings{View: sandbox.Overlay}},
			{"cold", Settings{View: sandbox.Overlay, Cold: true}},
			{"copied", Settings{View: sandbox.Copy}},
		} {
			name, all := filepath.Base(dir), os.Getenv("ASSAY_ALL_VIEWS") != ""
			if !all && (way.set.View == sandbox.Copy && !slices.Contains(copied, name) || way.set.Cold && !slices.Contains(coldly, name)) {
				continue
			}
			t.Run(name+"/"+way.name, func(t *testing.T) {
				t.Parallel() // most of the time is waiting
				checkClaims(t, dir, c, way.set)
			})
		}
	}
}

func checkClaims(t *testing.T, dir string, c claimFile, set Settings) {
	root := copyFixture(t, dir)
	before := sandboxtest.Snapshot(t, root)
	defer func() {
		if sandboxtest.Snapshot(t, root) != before {
			t.Error("the project's tree was changed")
		}
	}()
	type choice struct{ config, suite, group string }
	byChoice := map[choice][]claim{}
	for _, cl := range c.Claims {
		k := choice{cmp.Or(cl.Config, "phpunit.xml"), cl.TestSuite, cl.Group}
		byChoice[k] = append(byChoice[k], cl)
	}
	for k, claims := range byChoice {
		set := set
		set.Root, set.PHP, set.PHPUnit, set.Jobs = root, lookPHP(t), lookPHPUnit(t), 2
		set.Config = filepath.Join(root, k.config)
		if k.suite != "" {
			set.TestSuite = []string{k.suite}
		}
		if k.group != "" {
			set.Group = []string{k.group}
		}
		got := judgeClaims(t, set, claims)
		for i, cl := range claims {
			v := got[i]
			name := cl.File + ": " + strings.TrimSpace(cl.Before) + " => " + strings.TrimSpace(cl.After)
			if got := v.Status.String(); got != cl.Status && got != cl.OrElse {
				t.Errorf("%s: %v (%v: %s), want %s: %s", name, v.Status, v.How, v.Detail, cl.Status, cl.Why)
				continue
			}
			if v.Status.String() == cl.Status && cl.How != "" && v.How.String() != cl.How {
				t.Errorf("%s: killed by %v (%s), want %s", name, v.How, v.Detail, cl.How)
			}
			if v.Status.String() == cl.Status && len(cl.Killers) > 0 && !slices.Contains(cl.Killers, plainID(v.Killer)) {
				t.Errorf("%s: killer %q, want one of %q", name, v.Killer, cl.Killers)
			}
		}
	}
}

// plainID writes a test as PHPUnit 9.6 does: "C::m with data set #2" or
// "with data set "name"".
func plainID(id mutate.TestID) string {
	method, row, ok := strings.Cut(string(id), "#")
	switch {
	case !ok:
		return method
	case strings.Trim(row, "0123456789") == "":
		return method + " with data set #" + row
	}
	return method + " with data set \"" + row + "\""
}

// narrowed gives an edit without the bytes at its ends that it leaves as they are, as
// operators make them.
func narrowed(e mutate.Edit, text []byte) mutate.Edit {
	for e.Len() > 0 && e.New != "" && text[e.Start] == e.New[0] {
		e.Start, e.New = e.Start+1, e.New[1:]
	}
	for e.Len() > 0 && e.New != "" && text[e.End-1] == e.New[len(e.New)-1] {
		e.End, e.New = e.End-1, e.New[:len(e.New)-1]
	}
	return e
}

func judgeClaims(t *testing.T, set Settings, claims []claim) []mutate.Verdict {
	t.Helper()
	return judgeEdits(t, set, claims, set.View != sandbox.Copy) // so that claims hold without observing as well
}

// judgeEdits judges the edits of claims, with the values of mutants observed or without.
func judgeEdits(t *testing.T, set Settings, claims []claim, observe bool) []mutate.Verdict {
	t.Helper()
	points, sources, files := layOut(t, set.Root)
	op := &mutate.Operator{ID: "claim/edit"}
	var ms []*mutate.Mutant
	for i, cl := range claims {
		src := sources[cl.File]
		if src == nil {
			t.Fatalf("no source %s", cl.File)
		}
		at := bytes.Index(src.Text, []byte(cl.Before))
		if at < 0 || bytes.Count(src.Text, []byte(cl.Before)) != 1 {
			t.Fatalf("%s: %q stands %d times", cl.File, cl.Before, bytes.Count(src.Text, []byte(cl.Before)))
		}
		e := narrowed(mutate.Edit{Span: syntax.Span{Start: at, End: at + len(cl.Before)}, New: cl.After}, src.Text)
		m := &mutate.Mutant{ID: string(rune('a' + i)), Op: op, Source: src, Edit: e}
		points[cl.File].Locate(files[cl.File], m)
		ms = append(ms, m)
	}
	ctx := context.Background()
	e, err := Open(ctx, set)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := e.Close(); err != nil {
			t.Error(err)
		}
		nothingLeft(t, e.Facts().WorkDir)
	}()
	all := make([]*mutate.Points, 0, len(points))
	for _, p := range points {
		all = append(all, p)
	}
	slices.SortFunc(all, func(a, b *mutate.Points) int { return a.First - b.First })
	if observe {
		e.Observe(ms)
	}
	s, err := e.Record(ctx, all, nil)
	if err != nil {
		t.Fatal(err)
	}
	got := make([]mutate.Verdict, len(ms))
	err = e.Judge(ctx, s, Plan(ms, s), func(v mutate.Verdict) { got[slices.Index(ms, v.Mutant)] = v })
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range e.Remarks() {
		t.Log(text)
	}
	st := e.Stats()
	t.Logf("compared %+v", st.Compared)
	t.Logf("states %d, neutral %.2f, not batched %v", st.States, st.Neutral, st.Reasons)
	for way, w := range st.Ways {
		t.Logf("%s: %+v", way, *w)
	}
	return got
}

// nothingLeft fails where a run leaves files or processes behind: every
// process that it starts has the work directory in its command line or among
// its working directories, or descends from one that has.
func nothingLeft(t *testing.T, workDir string) {
	t.Helper()
	if _, err := os.Lstat(workDir); !os.IsNotExist(err) {
		t.Errorf("%s is left behind (%v)", workDir, err)
	}
	procs, err := filepath.Glob("/proc/[0-9]*")
	if err != nil || len(procs) == 0 {
		t.Fatalf("no /proc: %v", err)
	}
	for _, p := range procs {
		args, _ := os.ReadFile(filepath.Join(p, "cmdline"))
		cwd, _ := os.Readlink(filepath.Join(p, "cwd"))
		if bytes.Contains(args, []byte(workDir)) || strings.HasPrefix(cwd, workDir) {
			t.Errorf("process %s is left behind: %q in %s", filepath.Base(p), bytes.ReplaceAll(args, []byte{0}, []byte{' '}), cwd)
		}
	}
}

// layOut reads every PHP file below src, as the project's source.
func layOut(t *testing.T, root string) (map[string]*mutate.Points, map[string]*mutate.Source, map[string]*syntax.File) {
	t.Helper()
	points, sources, files := map[string]*mutate.Points{}, map[string]*mutate.Source{}, map[string]*syntax.File{}
	first := 1
	err := filepath.Walk(root, func(path string, info os.FileInfo, err error) error {
		rel, _ := filepath.Rel(root, path)
		if err != nil || info.IsDir() || filepath.Ext(path) != ".php" || strings.HasPrefix(rel, "tests/") || strings.HasPrefix(rel, "vendor/") {
			return err
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		f, err := syntax.Parse(rel, text)
		if err != nil {
			return err
		}
		sources[rel], files[rel] = &mutate.Source{Path: rel, Text: text}, f
		points[rel] = mutate.Layout(f, sources[rel], first)
		first += points[rel].Count
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return points, sources, files
}

func copyFixture(t *testing.T, dir string) string {
	t.Helper()
	root := filepath.Join(t.TempDir(), filepath.Base(dir))
	if err := os.CopyFS(root, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	return root
}
