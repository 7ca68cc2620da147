package exec

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"assay/exec/proving"
	"assay/exec/sandbox"
	"assay/mutate"
	"assay/mutate/syntax"
)

// edit is one change of a source; what it changes stands once in the file.
type edit struct{ File, Before, After string }

// proveEdits judges some edits of a project and looks for findings.
func proveEdits(t *testing.T, root string, s ProveSettings, edits []edit) (map[*mutate.Mutant]mutate.Verdict, []mutate.Search) {
	t.Helper()
	points, sources, files := layOut(t, root)
	var ms []*mutate.Mutant
	for i, ed := range edits {
		src := sources[ed.File]
		if src == nil || bytes.Count(src.Text, []byte(ed.Before)) != 1 {
			t.Fatalf("%s: %q does not stand there once", ed.File, ed.Before)
		}
		at := bytes.Index(src.Text, []byte(ed.Before))
		m := &mutate.Mutant{ID: fmt.Sprint("m", i), Op: &mutate.Operator{ID: "claim/edit"}, Source: src,
			Edit: narrowed(mutate.Edit{Span: syntax.Span{Start: at, End: at + len(ed.Before)}, New: ed.After}, src.Text)}
		points[ed.File].Locate(files[ed.File], m)
		ms = append(ms, m)
	}
	ctx := context.Background()
	e, err := Open(ctx, Settings{Root: root, PHP: lookPHP(t), PHPUnit: lookPHPUnit(t), Config: filepath.Join(root, "phpunit.xml"), View: sandbox.Overlay, Jobs: 2})
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	var all []*mutate.Points
	for _, p := range points {
		all = append(all, p)
	}
	slices.SortFunc(all, func(a, b *mutate.Points) int { return a.First - b.First })
	e.Observe(ms)
	b, err := e.Record(ctx, all, nil)
	if err != nil {
		t.Fatal(err)
	}
	tasks, verdicts := Plan(ms, b), map[*mutate.Mutant]mutate.Verdict{}
	if err := e.Judge(ctx, b, tasks, func(v mutate.Verdict) { verdicts[v.Mutant] = v }); err != nil {
		t.Fatal(err)
	}
	var out []mutate.Search
	if err := e.Prove(ctx, b, tasks, s, func(s mutate.Search) { out = append(out, s) }); err != nil {
		t.Fatal(err)
	}
	if len(out) != len(edits) {
		t.Fatalf("%d searches for %d edits", len(out), len(edits))
	}
	return verdicts, out
}

// told writes what came of a search on some lines.
func told(s mutate.Search) string {
	var b strings.Builder
	fmt.Fprintf(&b, "tried %d, reached %d, differed %d %s", s.Tried, s.Reached, s.Differed, s.Seen)
	if s.Why != "" {
		fmt.Fprintf(&b, "; %s", s.Why)
	}
	for _, f := range s.Findings {
		fmt.Fprintf(&b, "\n  changed %v, from %s", f.Changed, f.From)
		for _, c := range f.Calls {
			fmt.Fprintf(&b, "\n  %s", proving.CallText(c))
		}
		for _, l := range f.Looks {
			fmt.Fprintf(&b, "\n  look %d %v: %s, and not %s", l.Kind, l.Path, l.Original.Text, l.Mutant.Text)
		}
	}
	return b.String()
}

// TestProveDemo: the demo's gap at the last early day is found.
func TestProveDemo(t *testing.T) {
	root := copyFixture(t, filepath.Join("..", "testdata", "demo"))
	cmd := osexec.Command(look(t, "composer", "ASSAY_COMPOSER"), "dump-autoload", "--quiet")
	cmd.Dir = root
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("composer: %v: %s", err, out)
	}
	_, all := proveEdits(t, root, ProveSettings{}, []edit{{"src/SeasonPrices.php", "$on <= $this", "$on < $this"}})
	found := all[0]
	if len(found.Findings) != 1 || !found.Findings[0].Changed || found.Findings[0].Looks[0].Kind != mutate.LookResult {
		t.Error(told(found))
	}
}

// TestProveOtherBytes: where names are not UTF-8 nothing is found, and the others are looked for.
func TestProveOtherBytes(t *testing.T) {
	root := copyFixture(t, filepath.Join(fixtures, "latin1-and-crlf"))
	_, all := proveEdits(t, root, ProveSettings{Inputs: 200}, []edit{{"src/Latin1.php", " > 100 ?", " > 101 ?"}, {"src/Crlf.php", "> 3", ">= 3"}})
	if all[0].Why == "" || len(all[0].Findings) > 0 {
		t.Error(told(all[0]))
	}
	if all[1].Why != "" || all[1].Tried == 0 {
		t.Error(told(all[1]))
	}
}

// gap is an edit that a suite lets pass, and what must come of it; see testdata/proving.
type gap struct {
	edit
	Want, Look, Why, Gap string
	Seen                 string // what the calls of the tests show
	Unchanged            bool
}

var lookNames = map[mutate.LookKind]string{mutate.LookResult: "result", mutate.LookThrown: "thrown", mutate.LookArgument: "argument",
	mutate.LookReceiver: "receiver", mutate.LookOutput: "output"}

// TestProveGaps: gaps of many kinds are found, nothing is said to tell an equivalent mutant,
// code that must not be called at will is refused, and the same seed gives the same.
func TestProveGaps(t *testing.T) {
	dir := filepath.Join("..", "testdata", "proving", "ferry")
	text, err := os.ReadFile(filepath.Join(dir, "gaps.json"))
	if err != nil {
		t.Fatal(err)
	}
	var gaps []gap
	if err := json.Unmarshal(text, &gaps); err != nil {
		t.Fatal(err)
	}
	if testing.Short() {
		gaps = gaps[:4] // the race detector sees all there is to see in a few
	}
	var edits []edit
	for _, g := range gaps {
		edits = append(edits, g.edit)
	}
	verdicts, first := proveEdits(t, copyFixture(t, dir), ProveSettings{Seed: 7}, edits)
	for i, g := range gaps {
		if v := verdicts[first[i].Mutant]; v.Status != mutate.Survived {
			t.Errorf("%s => %s is no gap: %v by %s", g.Before, g.After, v.Status, v.Killer)
		}
		t.Logf("%s => %s: %s", g.Before, g.After, first[i].Seen)
		if wrong := g.wrong(first[i]); wrong != "" {
			t.Errorf("%s, %s => %s: %s: %s", g.File, g.Before, g.After, wrong, told(first[i]))
		}
	}
	_, second := proveEdits(t, copyFixture(t, dir), ProveSettings{Seed: 7}, edits)
	for i := range gaps {
		if a, b := told(first[i]), told(second[i]); a != b {
			t.Errorf("the same seed gives\n%s\nand then\n%s", a, b)
		}
	}
}

// wrong says what is not as it must be; "" for nothing.
func (g *gap) wrong(s mutate.Search) string {
	switch {
	case g.Unchanged != (s.Seen == mutate.Unasserted):
		return "the calls of the tests have other outcomes, or have not"
	case g.Seen != "" && s.Seen.String() != g.Seen:
		return "the calls of the tests show something else"
	case g.Want != "refused" && s.Why != "":
		return "it was refused"
	case g.Want == "refused" && (s.Why == "" || !strings.Contains(s.Why, g.Why) || s.Tried > 0):
		return "it was not refused for that reason"
	case g.Want == "nothing" && s.Tried < 100:
		return "little was tried"
	case g.Want != "found" && len(s.Findings) > 0:
		return "something was found"
	case g.Want != "found":
		return ""
	case len(s.Findings) == 0:
		return "nothing was found"
	case s.Findings[0].Changed == g.Unchanged:
		return "the calls are, or are not, those of the tests"
	case g.Look != "" && lookNames[s.Findings[0].Looks[0].Kind] != g.Look:
		return "it is looked at something else"
	}
	return ""
}

// TestProveBesideFiles: files that the building of the suite leaves in the project are not taken for
// what the calls do; PHPUnit makes its folder for caches then from 10 on.
func TestProveBesideFiles(t *testing.T) {
	root := copyFixture(t, filepath.Join("..", "testdata", "proving", "ferry"))
	bootstrap := filepath.Join(root, "tests", "bootstrap.php")
	text, err := os.ReadFile(bootstrap)
	if err != nil {
		t.Fatal(err)
	}
	text = append(text, "\nmkdir(__DIR__ . '/built');\nfile_put_contents(__DIR__ . '/built/list', 'of the ferries');\n"...)
	if err := os.WriteFile(bootstrap, text, 0o644); err != nil {
		t.Fatal(err)
	}
	_, all := proveEdits(t, root, ProveSettings{Seed: 7}, []edit{{"src/fares.php", "$age < 4", "$age <= 4"}})
	if len(all[0].Findings) == 0 {
		t.Error(told(all[0]))
	}
}

// TestProveObeys: what is not to be called is not, nothing is called where nothing keeps code
// from files, and what the time does not suffice for is given without findings.
func TestProveObeys(t *testing.T) {
	root := copyFixture(t, filepath.Join("..", "testdata", "proving", "ferry"))
	edits := []edit{{"src/fares.php", "$age < 4", "$age <= 4"}, {"src/Names.php", "strtolower($name)", "$name"}}
	for _, c := range []struct {
		set   ProveSettings
		found []bool
		why   string
	}{
		{ProveSettings{Not: []string{`Sound\Names::*`}}, []bool{true, false}, "not to be called"},
		{ProveSettings{Only: []string{`\Sound\NAMES::*`}}, []bool{false, true}, "not to be called"},
		{ProveSettings{For: 1}, []bool{false, false}, ""},
		{ProveSettings{Inputs: 1}, []bool{false, false}, ""},
	} {
		_, all := proveEdits(t, root, c.set, edits)
		for i, s := range all {
			if found := len(s.Findings) > 0; found != c.found[i] || !found && !strings.Contains(s.Why, c.why) {
				t.Errorf("%+v: %s", c.set, told(s))
			}
			if c.set.Inputs > 0 && s.Tried > 40 {
				t.Errorf("%+v: %s", c.set, told(s))
			}
		}
	}
	e := &Engine{set: Settings{Unconfined: true}, facts: Facts{Pcntl: true}}
	var refused *ProjectError
	if err := e.mayProve(&ProveSettings{}); !errors.As(err, &refused) || !strings.Contains(err.Error(), "--no-confine") {
		t.Errorf("without confinement: %v", err)
	}
	places := &Engine{set: Settings{Root: root, AllowWrite: []string{"/srv"}, AllowPorts: []uint16{5432}}, facts: Facts{View: sandbox.Overlay}}
	if c, err := places.strict(&ProveSettings{}); err != nil || len(c.Write)+len(c.Ports) > 0 || !c.Network {
		t.Errorf("what tests may write and connect to is open to calls with changed arguments: %+v, %v", c, err)
	}
	if err := e.mayProve(&ProveSettings{Unconfined: true}); err != nil {
		t.Errorf("without confinement, where the user says so: %v", err)
	}
}
