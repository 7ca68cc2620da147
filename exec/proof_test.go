package exec

import (
	"bytes"
	"context"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"assay/exec/sandbox"
	"assay/mutate"
	"assay/mutate/syntax"
)

// tryout records the demo and gives what trials on it need.
func tryout(t *testing.T, view sandbox.Mode, writable string) (*Tryout, map[string]*mutate.Source, string) {
	t.Helper()
	root := copyFixture(t, filepath.Join("..", "testdata", "demo"))
	cmd := osexec.Command("composer", "dump-autoload", "--quiet")
	cmd.Dir = root
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("composer: %v: %s", err, out)
	}
	points, sources, _ := layOut(t, root)
	for path := range points {
		if !strings.HasPrefix(path, "src/") {
			delete(points, path)
		}
	}
	ctx := context.Background()
	e, err := Open(ctx, Settings{Root: root, PHP: lookPHP(t), PHPUnit: lookPHPUnit(t), Config: filepath.Join(root, "phpunit.xml"), View: view, AllowWrite: []string{writable}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { e.Close() })
	var all []*mutate.Points
	for _, p := range points {
		all = append(all, p)
	}
	slices.SortFunc(all, func(a, b *mutate.Points) int { return a.First - b.First })
	b, err := e.Record(ctx, all, nil)
	if err != nil {
		t.Fatal(err)
	}
	return e.NewTryout(b), sources, root
}

func readFile(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func mutantOf(t *testing.T, s *mutate.Source, id, before, after string) *mutate.Mutant {
	t.Helper()
	at := bytes.Index(s.Text, []byte(before))
	if at < 0 {
		t.Fatalf("%s has no %q", s.Path, before)
	}
	return &mutate.Mutant{ID: id, Source: s, Edit: mutate.Edit{Span: syntax.Span{Start: at, End: at + len(before)}, New: after}}
}

// A trial says of a test whether it is a proof, and why it is none.
func TestTryout(t *testing.T) {
	for _, view := range []sandbox.Mode{sandbox.Overlay, sandbox.Copy} {
		t.Run(view.String(), func(t *testing.T) { checkTrials(t, view) })
	}
}

func checkTrials(t *testing.T, view sandbox.Mode) {
	counter := t.TempDir()
	tryout, sources, root := tryout(t, view, counter)
	prices := sources["src/SeasonPrices.php"]
	survivor := mutantOf(t, prices, "survivor", "$on <= $this", "$on < $this")
	other := mutantOf(t, prices, "other", "$on <= $this", "$on != $this")
	elsewhere := mutantOf(t, prices, "elsewhere", "$cents <= 0", "$cents < 0")
	endless := mutantOf(t, prices, "endless", "$cents += $this->earlyExtra;", "while ($on == $this->earlyUntil) {} $cents += $this->earlyExtra;")
	path := "tests/SeasonPricesTest.php"
	before := readFile(t, filepath.Join(root, path))
	row := func(code string) string {
		return strings.Replace(before, "        ];\n", "            "+code+"\n        ];\n", 1)
	}
	method := func(code string) string { return strings.TrimSuffix(before, "}\n") + code + "}\n" }
	class := "HeatherLane\\Tests\\SeasonPricesTest::"
	last := row("'the last day' => [Grade::Table, '2024-07-31', 760],")
	for _, test := range []struct {
		name, text, id string
		path           string
		mutant         *mutate.Mutant
		want           NotProof
	}{
		{"row", last, class + "testEarlyHoneyForJarsEarnsMore#the last day", path, survivor, Proves},
		{"green", row("'x' => [Grade::Table, '2024-07-30', 760],"), class + "testEarlyHoneyForJarsEarnsMore#x", path, survivor, NotRed},
		{"red", row("'x' => [Grade::Table, '2024-07-31', 761],"), class + "testEarlyHoneyForJarsEarnsMore#x", path, survivor, NotGreen},
		{"no PHP", row("'x' => ,"), class + "testEarlyHoneyForJarsEarnsMore#x", path, survivor, NotGreen},
		{"endless", last, class + "testEarlyHoneyForJarsEarnsMore#the last day", path, endless, NoEnd},
		{"another name", last, class + "testEarlyHoneyForJarsEarnsMore#the first day", path, survivor, NotRun},
		{"spoils", strings.Replace(last, "'table honey in June' => [Grade::Table, '2024-06-20', 760]", "'table honey in June' => [Grade::Table, '2024-06-20', 761]", 1),
			class + "testEarlyHoneyForJarsEarnsMore#the last day", path, survivor, SpoilsOthers},
		{"once", method("public function testOnce(): void { $f = '" + counter + "/ran'; $this->assertFileDoesNotExist($f); touch($f); }"), class + "testOnce", path, survivor, NotAlike},
		{"added", strings.Replace(last, "SeasonPricesTest", "LastDayTest", 1), "HeatherLane\\Tests\\LastDayTest::testEarlyHoneyForJarsEarnsMore#the last day", "tests/LastDayTest.php", survivor, Proves},
		{"not found", strings.Replace(last, "SeasonPricesTest", "LastDay", 1), "HeatherLane\\Tests\\LastDay::testEarlyHoneyForJarsEarnsMore#the last day", "tests/LastDay.php", survivor, NotRun},
	} {
		r, err := tryout.Try(context.Background(), Trial{Path: test.path, Text: []byte(test.text), Added: test.path != path, Test: mutate.TestID(test.id),
			Mutant: test.mutant, Others: []*mutate.Mutant{other, elsewhere, survivor}})
		if err != nil {
			t.Fatalf("%s: %v", test.name, err)
		}
		if r.Why != test.want {
			t.Errorf("%s: %q, want %q; PHPUnit says\n%s", test.name, r.Why, test.want, r.Says)
		}
		var kills []string
		for _, m := range r.Kills {
			kills = append(kills, m.ID)
		}
		if want := map[bool][]string{true: {"survivor", "other"}, false: nil}[test.want == Proves]; !slices.Equal(kills, want) {
			t.Errorf("%s: kills %q, want %q", test.name, kills, want)
		}
	}
	if now := readFile(t, filepath.Join(root, path)); now != before {
		t.Error("the project's own test was written")
	}
}

func TestOutcomesKeep(t *testing.T) {
	before := outcomes{"a": "passed", "b": "skipped"}
	for _, test := range []struct {
		now  outcomes
		want bool
	}{
		{outcomes{"a": "passed", "b": "skipped"}, true},
		{outcomes{"a": "passed", "b": "skipped", "c": "passed"}, true},
		{outcomes{"a": "passed", "b": "skipped", "c": "failed"}, false},
		{outcomes{"a": "passed", "b": "passed"}, false},
		{outcomes{"a": "passed"}, false},
		{nil, false},
	} {
		if got := test.now.keep(before); got != test.want {
			t.Errorf("%v: %v", test.now, got)
		}
	}
}

func TestReadJUnit(t *testing.T) {
	log := `<?xml version="1.0"?><testsuites><testsuite name="x"><testcase name="testA" class="N\T"/>
<testcase name="testB with data set &quot;a &amp; #1&quot;" class="N\T"><failure type="f">no</failure></testcase>
<testcase name="testB with data set #12" class="N\T"><skipped/></testcase><testcase name="c" class="N\T"><error/></testcase></testsuite></testsuites>`
	got, err := readJUnit(log)
	want := outcomes{`N\T::testA`: "passed", `N\T::testB#a & #1`: "failed", `N\T::testB#12`: "skipped", `N\T::c`: "failed"}
	if err != nil || len(got) != len(want) {
		t.Fatalf("%v, %v", got, err)
	}
	for name, outcome := range want {
		if got[name] != outcome {
			t.Errorf("%s: %q, want %q", name, got[name], outcome)
		}
	}
	for _, broken := range []string{"", log[:len(log)/2]} {
		if got, err := readJUnit(broken); err == nil || got != nil {
			t.Errorf("%q: %v, %v", broken, got, err)
		}
	}
}
