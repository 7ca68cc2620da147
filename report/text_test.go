package report

import (
	"fmt"
	"regexp"
	"strings"
	"testing"

	"github.com/mattn/go-runewidth"

	"assay/mutate"
)

var sequences = regexp.MustCompile(`\x1b\[[0-9;]*m|\x1b\]8;;[^\x1b]*\x1b\\`)

// orchard is a result with what strains a terminal: long names, long lines, wide
// characters, tabs, and many survivors, several to a line.
func orchard() *mutate.Result {
	r := &mutate.Result{Root: "/home/kai/orchard", Project: "orchard/press"}
	for f := range 30 {
		src := &mutate.Source{Path: fmt.Sprintf("src/Cider/Pressing/Yield%02d.php", f)}
		text := "<?php\n\n"
		for i := range 6 {
			at := len(text)
			text += fmt.Sprintf("\t\t$litres += $this->crates[%d]->weigh('Äpfel 林檎 from the orchard by the river')->grams * self::LITRES_PER_TONNE + 0.25;\n", i)
			for _, op := range []int{0, 5} {
				m := &mutate.Mutant{ID: fmt.Sprintf("Yield%02d.ofTheWholeAutumn.x.%05d", f, 100*f+10*i+op), Op: fixtureOps[op], Source: src,
					Class: fmt.Sprintf(`Orchard\Cider\Pressing\WhatThePressYields%02d`, f), Function: "ofTheWholeAutumn", Line: i + 3, Column: 11}
				m.Edit.Start, m.Edit.End, m.Edit.New = at+10, at+12, fmt.Sprintf("-=%d", op)
				if op == 5 {
					m.Edit.End-- // another place, or both are one entry
				}
				r.Verdicts = append(r.Verdicts, mutate.Verdict{Mutant: m, Status: mutate.Survived, Ran: 1, Reaching: []mutate.TestID{`Orchard\Tests\PressTest::testAutumn`}})
			}
		}
		src.Text = []byte(text)
	}
	return r
}

// No line is wider than the terminal. Widths are measured by another library
// than the report's.
func TestTextFitsTheTerminal(t *testing.T) {
	every := orchard()
	every.AllKills = true
	for _, r := range []*mutate.Result{fixture(t), known(t), orchard(), every} {
		for _, width := range []int{60, 80, 120} {
			for _, brief := range []bool{true, false} {
				o := Options{Width: width, Color: true, Brief: brief, EditorURL: "editor://%f:%l"}
				for line := range strings.Lines(string(sequences.ReplaceAll(printed(t, formatOf(t, "text"), r, o), nil))) {
					if n := runewidth.StringWidth(strings.TrimSuffix(line, "\n")); n > width {
						t.Errorf("%s: %d columns of %d: %s", r.Project, n, width, line)
					}
				}
			}
		}
	}
}

// What a terminal of 24 lines shows at the end is the answer.
func TestTextEndsWithTheAnswer(t *testing.T) {
	text := string(printed(t, formatOf(t, "text"), orchard(), Options{Width: 80, Brief: true}))
	lines := strings.Split(strings.TrimSuffix(text, "\n"), "\n")
	screen := strings.Join(lines[len(lines)-23:], "\n") // the prompt takes one
	for _, want := range []string{"Mutation score 0.0 %: of 360 mutants", "What to fix first, 5 of 30 functions\n  1  WhatThePressYields00::ofTheWholeAutumn: 12 survive", "20 of 360 survivors are above; --all"} {
		if !strings.Contains(screen, want) {
			t.Errorf("the last screen lacks %q:\n%s", want, screen)
		}
	}
	if n := len(regexp.MustCompile(`(?m)^  \d{5} \+`).FindAllString(text, -1)); n != 20 {
		t.Errorf("%d survivors are shown, want 20", n)
	}
	if n := strings.Count(string(printed(t, formatOf(t, "text"), orchard(), Options{Width: 80})), "-=5"); n < 180 {
		t.Errorf("all of them: %d, want 180 of an operator", n)
	}
}

// What a terminal of either width gets is in files, to be read.
func TestTextOfSomeWidths(t *testing.T) {
	for _, width := range []int{60, 80} {
		o := Options{Width: width, Brief: true}
		golden(t, fmt.Sprintf("text-%d.golden", width), printed(t, formatOf(t, "text"), orchard(), o))
	}
}

// A line that several changes are made of is shown once, and so are the sentence
// of an operator and the tests.
func TestTextShowsALineOnce(t *testing.T) {
	r := orchard()
	r.Verdicts = r.Verdicts[:2]
	text := string(printed(t, formatOf(t, "text"), r, Options{}))
	for want, n := range map[string]int{" 3 - $litres": 1, "  00000 + $litres": 1, "  00005 + $litres": 1, "\nsrc/Cider/Pressing/Yield00.php:3\n": 1,
		"00000: relational/boundary-excluded\n": 1, "1 test of PressTest runs this and passes.\n": 1} {
		if got := strings.Count(text, want); got != n {
			t.Errorf("%q is there %d times, want %d:\n%s", want, got, n, text)
		}
	}
}

func TestTextShowsARemovedStatement(t *testing.T) {
	src := &mutate.Source{Path: "src/a.php", Text: []byte("<?php\nfunction a() {\n    b(\n        1,\n    );\n    if (c()) d(); e();\n}\n")}
	for before, want := range map[string]string{
		"b(\n        1,\n    );": "      3 -     b(\n      4 -         1,\n      5 -     );\n      x   removed\n",
		"d();":                   "      6 -     if (c()) d(); e();\n      x +     if (c()) ; e();\n",
	} {
		m := change(t, src, 3, "", "a", "x", before, ";")
		r := &mutate.Result{Verdicts: []mutate.Verdict{{Mutant: m, Status: mutate.Survived}}}
		got := string(printed(t, formatOf(t, "text"), r, Options{}))
		if !strings.Contains(got, want) {
			t.Errorf("%q: lacks\n%s\n%s", before, want, got)
		}
	}
}

// What is told of a change on one line holds what it changes, also where the
// texts of the edit are long and differ in a word.
func TestSnippets(t *testing.T) {
	src := &mutate.Source{Path: "src/a.php", Text: []byte("<?php\n$keeper = ucfirst(strtolower($keeperOfTheHives)) . ' of the ' . $this->village($keeperOfTheHives);\nlog($x);\n")}
	for _, c := range []struct{ before, after, was, is string }{
		{"ucfirst(strtolower($keeperOfTheHives))", "ucfirst($keeperOfTheHives)", "…(strtolower($keeperOfTheHives)) . '…", "…($keeperOfTheHives) . ' of the ' .…"},
		{"' of the '", "''", "…)) . ' of the ' . $this->…", "…)) . '' . $this->village(…"},
		{"log($x);", ";", "log($x);", ""},
	} {
		was, is := snippets(change(t, src, 0, "", "", "x", c.before, c.after), 44)
		if was != c.was || is != c.is {
			t.Errorf("%s: %q, %q", c.before, was, is)
		}
	}
}

// The changes that are told of a function are of several lines and operators,
// and first of those operators whose mutants the tests kill elsewhere.
func TestTellingChanges(t *testing.T) {
	src := &mutate.Source{Path: "src/a.php", Text: []byte(strings.Repeat("$a = $b + $c;\n", 40))}
	r := &mutate.Result{}
	add := func(line, op int, s mutate.Status) {
		m := &mutate.Mutant{ID: fmt.Sprintf("m%d.%d", line, op), Op: fixtureOps[op], Source: src, Line: line, Function: "a"}
		m.Edit.Start, m.Edit.End, m.Edit.New = 14*(line-1), 14*(line-1)+2, "$d"
		r.Verdicts = append(r.Verdicts, mutate.Verdict{Mutant: m, Status: s})
	}
	for line := 1; line <= 5; line++ {
		add(line, 0, mutate.Survived)
	}
	add(6, 1, mutate.Survived)
	add(1, 2, mutate.Survived)
	for line := 10; line < 30; line++ {
		add(line, 1, mutate.Killed)
		add(line, 2, mutate.Killed)
	}
	a := adviserOf(r)
	var got []string
	for _, v := range a.telling(a.gaps[0], 3) {
		got = append(got, v.Mutant.ID)
	}
	if want := "m1.2 m2.0 m6.1"; strings.Join(got, " ") != want {
		t.Errorf("%v, want %s", got, want)
	}
}
