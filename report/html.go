package report

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"strings"
	"unicode/utf16"

	"assay/mutate"
)

var (
	//go:embed page/page.html
	pageHTML string
	//go:embed page/page.css
	pageCSS string
	//go:embed page/page.js
	pageJS string
)

// A page is what page.html is filled with.
type page struct {
	Project, Title, Headline, Versions string
	First                              []pageGap
	MoreGaps                           string
	Notes                              []pageNote
	Classes                            []pageClass
	Tests                              []testList
	CSS                                template.CSS
	JS, Data                           template.JS
}

type pageGap struct{ ID, Where, Place, Count, Kind, Missing, Hint string }

type pageNote struct{ Place, Text string }

type pageClass struct {
	Index                        int
	Title, Percent               string
	Counted, Survived, Unreached int
}

const firstGaps = 10 // that the page begins with

// HTML writes one file to read in a browser; it fetches nothing. It begins
// with where a test pays most. The mutants are data in it, which a script of
// its own shows some at a time: there may be many thousands.
func HTML(w io.Writer, r *mutate.Result, o Options) error {
	t, err := template.New("page").Parse(pageHTML)
	if err != nil {
		return fmt.Errorf("the page: %w", err)
	}
	found := gaps(r)
	data, err := json.Marshal(pageDataOf(r, found, o)) // escapes <, > and &: nothing ends the element
	if err != nil {
		return fmt.Errorf("the page's data: %w", err)
	}
	s := Total(r)
	p := page{
		Project: visible(r.Project), Title: pageTitle(s), Headline: headline(r), Versions: pageVersions(r, o),
		CSS: template.CSS(pageCSS), JS: template.JS(pageJS), Data: template.JS(data),
	}
	for _, g := range found[:min(firstGaps, len(found))] {
		p.First = append(p.First, firstGap(g, o))
	}
	if more := len(found) - firstGaps; more > 0 {
		p.MoreGaps = fmt.Sprintf("%s more below, in the same order.", count(more, "place"))
	}
	for _, n := range r.Notes {
		at := ""
		if n.Path != "" {
			at = visible(o.Prefix + n.Path)
			if n.Line > 0 {
				at += fmt.Sprintf(":%d", n.Line)
			}
		}
		p.Notes = append(p.Notes, pageNote{at, visible(n.Text)})
	}
	if r.AllKills {
		p.Tests = testTableOf(Describe(r, Options{})).lists(testsListed)
	}
	for i, c := range Classes(r) {
		p.Classes = append(p.Classes, pageClass{i, visible(c.Title()), percent(c.Score.Value()), c.Score.Counted(), c.Score.Survived, c.Score.Unreached})
	}
	var b bytes.Buffer
	if err := t.Execute(&b, p); err != nil {
		return fmt.Errorf("the page: %w", err)
	}
	_, err = w.Write(b.Bytes())
	return err
}

func pageTitle(s mutate.Score) string {
	switch {
	case s.Counted() == 0:
		return "There is no mutant to judge"
	case s.Survived+s.Unreached == 0:
		return "The tests kill every mutant"
	case s.Survived == 0:
		return count(s.Unreached, "mutant") + " unreached"
	case s.Unreached == 0:
		return count(s.Survived, "mutant") + " survived"
	default:
		return fmt.Sprintf("%s survived, %d unreached", count(s.Survived, "mutant"), s.Unreached)
	}
}

func pageVersions(r *mutate.Result, o Options) string {
	var parts []string
	if r.PHP != "" {
		parts = append(parts, "PHP "+r.PHP)
	}
	if r.PHPUnit != "" {
		parts = append(parts, "PHPUnit "+r.PHPUnit)
	}
	if r.Breadth != "" {
		parts = append(parts, "breadth "+r.Breadth)
	}
	if o.Timings {
		parts = append(parts, fmt.Sprintf("tests alone %s, this run %s", rounded(r.Suite), rounded(r.Elapsed)))
	}
	return visible(strings.Join(parts, ", "))
}

func firstGap(g gap, o Options) pageGap {
	m := g.first()
	p := pageGap{
		ID: m.ID, Where: visible(m.Where()), Place: visible(fmt.Sprintf("%s%s:%d", o.Prefix, m.Source.Path, m.Line)),
		Count: count(len(g.Verdicts), "mutant"), Kind: g.Status.String(), Missing: g.missing(),
	}
	if g.Status == mutate.Survived {
		first, _, _ := strings.Cut(Meaning(commonest(g)), "\n\n")
		p.Hint = flat(first)
	} else {
		p.Hint = "Begin with a test that calls it and looks at the outcome."
	}
	return p
}

// commonest is the operator with the most survivors in a gap, the first of
// those that have as many.
func commonest(g gap) *mutate.Operator {
	n := map[*mutate.Operator]int{}
	best := g.first().Op
	for _, v := range g.Verdicts {
		n[v.Mutant.Op]++
	}
	for _, v := range g.Verdicts {
		if n[v.Mutant.Op] > n[best] {
			best = v.Mutant.Op
		}
	}
	return best
}

// pageData is what page.js reads. Others are referred to by their index.
type pageData struct {
	Status  []string    `json:"status"`
	Words   []string    `json:"words"` // for people, of each status
	Ops     [][3]string `json:"ops"`   // ID, rule, meaning
	Files   []pageFile  `json:"files"`
	Classes []string    `json:"classes"`
	Places  []string    `json:"places"` // functions
	Tests   []string    `json:"tests"`
	Lists   [][]int     `json:"lists"` // of tests
	Mutants [][]any     `json:"mutants"`
}

type pageFile struct {
	Path string `json:"path"`
	Text string `json:"text"` // as visible shows it; page.js colours what it shows
}

var pageStatuses = [][2]string{
	{"survived", "survived"}, {"unreached", "unreached"}, {"killed", "killed"}, {"timed_out", "timed out"},
	{"accepted", "accepted"}, {"skipped", "skipped"}, {"stillborn", "stillborn"}, {"broken", "broken"},
}

// pageBuilder numbers what mutants share.
type pageBuilder struct {
	pageData
	o       Options
	index   map[any]int
	tests   *testIndex
	classes map[[2]string]int
}

// number gives the index of a key and whether it is new.
func (p *pageBuilder) number(key any, next int) (int, bool) {
	if i, ok := p.index[key]; ok {
		return i, false
	}
	p.index[key] = next
	return next, true
}

func pageDataOf(r *mutate.Result, found []gap, o Options) pageData {
	var d Document
	p := &pageBuilder{o: o, index: map[any]int{}, tests: d.addTests(r, o), classes: map[[2]string]int{}}
	p.Ops, p.Files, p.Classes, p.Places, p.Tests = [][3]string{}, []pageFile{}, []string{}, []string{}, []string{}
	p.Mutants = [][]any{}
	p.tests.set(nil) // its index is 0
	for _, t := range d.Tests {
		p.Tests = append(p.Tests, visible(t.Name))
	}
	for i, s := range pageStatuses {
		p.Status, p.Words = append(p.Status, s[0]), append(p.Words, s[1])
		p.index[s[0]] = i
	}
	for i, c := range Classes(r) {
		p.Classes = append(p.Classes, visible(c.Title()))
		p.classes[[2]string{c.Name, c.File}] = i
	}
	for _, g := range found {
		said := fmt.Sprintf("%s %s", count(len(g.Verdicts), "mutant"), g.missing())
		for _, v := range g.Verdicts {
			p.add(v, said)
		}
	}
	for _, v := range sorted(r.Verdicts) {
		if v.Status != mutate.Survived && v.Status != mutate.Unreached {
			p.add(v, "")
		}
	}
	p.Lists = d.TestSets
	return p.pageData
}

func (p *pageBuilder) add(v mutate.Verdict, gap string) {
	m := v.Mutant
	op, isNew := p.number(m.Op, len(p.Ops))
	if isNew {
		p.Ops = append(p.Ops, [3]string{m.Op.ID, Rule(m.Op), Meaning(m.Op)})
	}
	file, isNew := p.number(m.Source, len(p.Files))
	if isNew {
		p.Files = append(p.Files, pageSource(m.Source, p.o))
	}
	where := [3]string{m.Class, m.Function, m.Source.Path}
	fn, isNew := p.number(where, len(p.Places))
	if isNew {
		p.Places = append(p.Places, visible(m.Where()))
	}
	said := ""
	if v.Status != mutate.Survived {
		said = capital(sentence(&v)) + "."
	}
	if v.New {
		said = strings.TrimSpace("New since the result that this one is compared with. " + said)
	}
	row := []any{m.ID, op, file, p.classes[[2]string{m.Class, m.Source.Path}], fn, m.Line, m.Column, p.index[v.Status.String()], p.tests.set(v.Reaching), said}
	p.Mutants = append(p.Mutants, append(append(row, pageEdit(m)...), gap))
}

// capital makes the beginning of a sentence of a text that begins with a letter.
func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// pageEdit gives the lines that an edit changes: the first, from 1 (of none,
// the line before), how many, where the mark begins in the first and ends in
// the last; and the same of the lines put in, as one text or nil.
func pageEdit(m *mutate.Mutant) []any {
	// Only the lines of the edit: going through the whole file for each of many
	// thousands takes long.
	src, e := m.Source.Text, m.Edit
	from, to := lineStart(src, e.Start), lineEnd(src, e.End)
	e.Start, e.End = e.Start-from, e.End-from
	h := Diff(src[from:to], e, 0)
	h.OldStart += m.Line - 1
	var text any
	var lines []string
	old, new := [2]int{}, [2]int{}
	seen := [2]bool{}
	for _, l := range h.Lines {
		side, at := &old, 0
		if l.Sign == '+' {
			side, at = &new, 1
			lines = append(lines, visible(strings.TrimSuffix(l.Text, "\r")))
		}
		end := min(l.Mark.End, len(strings.TrimSuffix(l.Text, "\r")))
		if !seen[at] {
			side[0] = units(visible(l.Text[:min(l.Mark.Start, end)]))
			seen[at] = true
		}
		side[1] = units(visible(l.Text[:end]))
	}
	if lines != nil {
		text = strings.Join(lines, "\n")
	}
	return []any{h.OldStart, h.OldLines, old[0], old[1], text, new[0], new[1]}
}

// units is the length in UTF-16 units, as scripts count.
func units(s string) int { return len(utf16.Encode([]rune(s))) }

func pageSource(s *mutate.Source, o Options) pageFile {
	lines := strings.Split(string(s.Text), "\n")
	for i, l := range lines {
		lines[i] = visible(strings.TrimSuffix(l, "\r"))
	}
	return pageFile{visible(o.Prefix + s.Path), strings.Join(lines, "\n")}
}
