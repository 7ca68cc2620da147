package report

import (
	"bytes"
	"strings"
	"testing"

	"assay/mutate"
)

// The fixture as --all-kills would have found it: one mutant is killed by two
// tests of a class, the other by one.
func TestTestsSide(t *testing.T) {
	r := fixture(t)
	r.AllKills = true
	all := r.Verdicts[2].Reaching
	r.Verdicts[3].Killers = all[:2]
	r.Verdicts[4].Killers = all[2:3]
	var b bytes.Buffer
	if err := JSON(&b, r, Options{}); err != nil {
		t.Fatal(err)
	}
	d, err := ReadJSON(&b)
	if err != nil {
		t.Fatal(err)
	}
	table := testTableOf(d)
	want := map[string][3]int{ // reaches, kills, only: counted by hand
		`Sound\Tests\FerryTest::testFits#0`:          {3, 1, 0},
		`Sound\Tests\FerryTest::testFits#a long van`: {3, 1, 0},
		`Sound\Tests\FerryTest::testDelay`:           {3, 1, 1},
		`Sound\Tests\LampTest::testName#M\xF6we`:     {2, 0, 0},
		`Sound\Tests\FerryTest`:                      {4, 2, 2},
		`Sound\Tests\LampTest`:                       {2, 0, 0},
	}
	for _, f := range append(table.Tests, table.Classes...) {
		if got := [3]int{f.Reaches, f.Kills, f.Only}; got != want[f.Name] {
			t.Errorf("%s: %v, want %v", f.Name, got, want[f.Name])
		}
	}
	var names []string
	for _, f := range table.spare() {
		names = append(names, ShortTest(mutate.TestID(f.Name)))
	}
	if got, want := strings.Join(names, ", "), `FerryTest::testFits#0, FerryTest::testFits#a long van, LampTest::testName#M\xF6we`; got != want {
		t.Errorf("spare: %s, want %s", got, want)
	}
	var text bytes.Buffer
	if err := Text(&text, r, Options{}); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(text.String(), "Tests that kill no mutant which no other test kills\n  FerryTest::testFits#0: reaches 3 mutants, kills 1\n") {
		t.Errorf("the report lacks it:\n%s", &text)
	}
	var page bytes.Buffer
	if err := HTML(&page, r, Options{}); err != nil {
		t.Fatal(err)
	}
	named := func(test string) bool {
		return strings.Contains(page.String(), "<li>FerryTest::"+test+": reaches 3 mutants, kills 1</li>")
	}
	if !named("testFits#0") || named("testDelay") {
		t.Error("the page does not name the tests that it should")
	}
}

// Tests that reach little say little; one that reaches much is weak when it
// kills less than a tenth.
func TestWeakTests(t *testing.T) {
	table := testTable{AllKills: true, Tests: []testFigures{
		{Name: "A::a", Reaches: 9}, {Name: "A::b", Reaches: 30, Kills: 3}, {Name: "A::c", Reaches: 31, Kills: 3}, {Name: "A::d", Reaches: 12}, {Name: "A::e"},
	}}
	var names []string
	for _, f := range table.weak() {
		names = append(names, f.Name)
	}
	if got := strings.Join(names, " "); got != "A::c" {
		t.Errorf("%s, want A::c: A::d reaches less than half of the tests do", got)
	}
}
