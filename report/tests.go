package report

import (
	"bufio"
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"assay/mutate"
)

// testFigures is what one test, or the tests of one class, do to the mutants.
type testFigures struct {
	Name    string
	Tests   int
	Reaches int // mutants, of those that were judged
	Kills   int // of these; without all kills only those that it was the first to kill
	Only    int // that no other test kills; no other class, for a class
}

// A testTable is the tests' side of a result.
type testTable struct {
	AllKills bool
	Tests    []testFigures // by name
	Classes  []testFigures // by name
}

// testTableOf counts. Mutants that no test reaches, and those that do not
// count, say nothing about tests.
func testTableOf(d *Document) testTable {
	t := testTable{AllKills: d.AllKills}
	classes := map[string]int{}
	classOf := make([]int, len(d.Tests))
	for i, test := range d.Tests {
		class, _, _ := strings.Cut(test.Name, "::")
		at, ok := classes[class]
		if !ok {
			at = len(t.Classes)
			classes[class] = at
			t.Classes = append(t.Classes, testFigures{Name: class})
		}
		t.Tests = append(t.Tests, testFigures{Name: test.Name, Tests: 1})
		t.Classes[at].Tests++
		classOf[i] = at
	}
	number := map[string]int{}
	for i, test := range d.Tests {
		number[test.Name] = i
	}
	for _, e := range d.Mutants {
		if s, err := mutate.ParseStatus(e.Status); err != nil || (s != mutate.Killed && s != mutate.TimedOut && s != mutate.Survived) {
			if s != mutate.Accepted || e.WouldBe != mutate.Survived.String() {
				continue
			}
		}
		killers := e.Killers
		if i, ok := number[deref(e.Killer)]; ok && !d.AllKills {
			killers = []int{i}
		}
		count := func(list []int, add func(*testFigures)) {
			seen := map[int]bool{}
			for _, i := range list {
				add(&t.Tests[i])
				if c := classOf[i]; !seen[c] {
					seen[c] = true
					add(&t.Classes[c])
				}
			}
		}
		count(d.TestSets[e.TestsReaching], func(f *testFigures) { f.Reaches++ })
		count(killers, func(f *testFigures) { f.Kills++ })
		if len(killers) == 1 {
			t.Tests[killers[0]].Only++
		}
		if len(killers) > 0 && !slices.ContainsFunc(killers, func(i int) bool { return classOf[i] != classOf[killers[0]] }) {
			t.Classes[classOf[killers[0]]].Only++
		}
	}
	slices.SortFunc(t.Classes, func(a, b testFigures) int { return strings.Compare(a.Name, b.Name) })
	return t
}

func deref(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

// spare are the tests that reach mutants and kill none that no other test
// kills, those that reach most first.
func (t testTable) spare() []testFigures {
	var out []testFigures
	for _, f := range t.Tests {
		if f.Reaches > 0 && f.Only == 0 {
			out = append(out, f)
		}
	}
	byReach(out)
	return out
}

// weak are the tests that reach at least ten mutants, and as many as half of the
// tests do, and kill fewer than a tenth of them.
func (t testTable) weak() []testFigures {
	var reaches []int
	for _, f := range t.Tests {
		if f.Reaches > 0 {
			reaches = append(reaches, f.Reaches)
		}
	}
	if len(reaches) == 0 {
		return nil
	}
	slices.Sort(reaches)
	much := max(10, reaches[len(reaches)/2])
	var out []testFigures
	for _, f := range t.Tests {
		if f.Reaches >= much && 10*f.Kills < f.Reaches {
			out = append(out, f)
		}
	}
	byReach(out)
	return out
}

func byReach(list []testFigures) {
	slices.SortFunc(list, func(a, b testFigures) int {
		return cmp.Or(b.Reaches-a.Reaches, a.Kills-b.Kills, strings.Compare(a.Name, b.Name))
	})
}

const testsListed = 20

// Tests writes the tests' side of a result: what each class of tests reaches
// and kills, and which tests might be spared or do not look.
func Tests(w io.Writer, d *Document, o Options) error {
	if o.Width <= 0 {
		o.Width = defaultWidth
	}
	p := &testText{bufio.NewWriter(w), paint(o.Color), testTableOf(d), o.Width}
	if d.Partial || d.LeftOut > 0 {
		p.printf("%s not judged; all figures are about the rest.\n\n", were(d.LeftOut, "mutant"))
	}
	p.classes()
	p.lists(testsListed)
	return p.Flush()
}

type testText struct {
	*bufio.Writer
	paint
	table testTable
	width int
}

func (p *testText) printf(format string, args ...any) { fmt.Fprintf(p, format, args...) }

// classes prints a row a test class.
func (p *testText) classes() {
	kills := "kills"
	if !p.table.AllKills {
		kills = "first to kill"
	}
	head := []string{"test class", "tests", "reaches", kills, "of these"}
	if p.table.AllKills {
		head = append(head, "only it")
	}
	rows := [][]string{head}
	for _, f := range p.table.Classes {
		row := []string{visible(f.Name), fmt.Sprint(f.Tests), fmt.Sprint(f.Reaches), fmt.Sprint(f.Kills), share(f)}
		if p.table.AllKills {
			row = append(row, fmt.Sprint(f.Only))
		}
		rows = append(rows, row)
	}
	width := make([]int, len(head))
	for _, row := range rows {
		for i, cell := range row {
			width[i] = max(width[i], utf8.RuneCountInString(cell))
		}
	}
	for n, row := range rows {
		line := ""
		for i, cell := range row {
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(cell))
			if i == 0 {
				line += cell + pad
			} else {
				line += "  " + pad + cell
			}
		}
		if n == 0 {
			line = p.faint(line)
		}
		p.printf("%s\n", line)
	}
}

func share(f testFigures) string {
	if f.Reaches == 0 {
		return "-"
	}
	return fmt.Sprintf("%.0f %%", math.Floor(100*float64(f.Kills)/float64(f.Reaches)))
}

// lists names single tests, at most n of each kind.
func (p *testText) lists(n int) {
	if !p.table.AllKills {
		p.printf("\nThe first test that fails on a mutant kills it, and it is not known which others\nwould. assay run --all-kills finds that out.\n")
		return
	}
	for _, l := range p.table.lists(n) {
		p.printf("\n%s\n", p.strong(l.Title))
		if len(l.Items) == 0 {
			p.printf("  none\n")
			continue
		}
		for _, item := range l.Items {
			p.WriteString(wrap(item, "  ", p.width))
		}
		p.WriteString(wrap(l.Remark, "  ", p.width))
	}
}

// A testList names tests and says why.
type testList struct {
	Title  string
	Items  []string
	Remark string
}

// lists gives what there is to say of single tests, at most n of each kind.
func (t testTable) lists(n int) []testList {
	items := func(tests []testFigures) (out []string) {
		for _, f := range tests[:min(n, len(tests))] {
			out = append(out, fmt.Sprintf("%s: reaches %s, kills %d", visible(ShortTest(mutate.TestID(f.Name))), count(f.Reaches, "mutant"), f.Kills))
		}
		if more := len(tests) - n; more > 0 {
			out = append(out, fmt.Sprintf("and %d more", more))
		}
		return out
	}
	return []testList{
		{"Tests that kill no mutant which no other test kills", items(t.spare()), "Each by itself could go and every verdict would stay; not all of them at once."},
		{"Tests that reach many mutants and kill few", items(t.weak()), "They run code whose outcome they do not look at."},
	}
}

// tests is the tests' side in the report, where all of it is known.
func (p *text) tests() {
	if !p.r.AllKills {
		return
	}
	t := &testText{p.Writer, p.paint, testTableOf(Describe(p.r, Options{})), p.o.Width}
	t.lists(5)
}
