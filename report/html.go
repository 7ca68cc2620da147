package report

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"strings"

	"assay/mutate"
)

var (
	//go:embed page/page.html
	pageHTML string
	//go:embed page/base.css
	baseCSS string
	//go:embed page/page.css
	pageCSS string
	//go:embed page/php.js
	phpJS string
	//go:embed page/data.js
	dataJS string
	//go:embed page/source.js
	sourceJS string
	//go:embed page/beside.js
	besideJS string
	//go:embed page/page.js
	pageJS string
)

// A page is what page.html is filled with.
type page struct {
	Project, Title, Headline, Versions, Percent string
	Share                                       int // of a hundred, killed
	First                                       []pageGap
	MoreGaps                                    string
	Notes                                       []pageNote
	Classes                                     []pageClass
	Tests                                       []testList
	CSS                                         template.CSS
	JS, Data                                    template.JS
}

// A pageGap is a function in which a test pays.
type pageGap struct {
	ID, Where, Place, Count, Kind, Said string
	Changes                             []pageChange
}

// A pageChange is an edit with the code around it, on one line: what stands
// before it, its text, what stands behind it.
type pageChange struct {
	ID           string
	Line         int
	Before, Now  [3]string
	Removed      bool
	Kind, Advice string
}

type pageNote struct{ Place, Text string }

type pageClass struct {
	Title, Percent               string
	Counted, Survived, Unreached int
}

const (
	firstGaps    = 8  // that the page begins with
	gapChanges   = 3  // that are told of each
	snippetChars = 52 // of the code that is told
)

// HTML writes one file to work in, in a browser; it fetches nothing. It begins
// with where a test pays most. Sources and mutants are data in it, of which a
// script of its own shows a file at a time: there may be many thousands.
func HTML(w io.Writer, r *mutate.Result, o Options) error {
	t, err := template.New("page").Parse(pageHTML)
	if err != nil {
		return fmt.Errorf("the page: %w", err)
	}
	shared := hints{}
	data, err := json.Marshal(pageDataOf(r, shared, o)) // escapes <, > and &: nothing ends the element
	if err != nil {
		return fmt.Errorf("the page's data: %w", err)
	}
	s := Total(r)
	score, counts := s.Value()
	p := page{
		Project: visible(r.Project), Title: pageTitle(s), Headline: headline(r), Versions: pageVersions(r, o),
		Percent: percent(score, counts), Share: int(score), CSS: template.CSS(baseCSS + pageCSS), Data: template.JS(data),
		JS: template.JS("\"use strict\";\n(function () {\n" + phpJS + dataJS + sourceJS + besideJS + pageJS + "})();\n"),
	}
	advice := adviserOf(r)
	for _, g := range advice.gaps[:min(firstGaps, len(advice.gaps))] {
		p.First = append(p.First, advice.pageGap(g, shared, o))
	}
	if more := len(advice.gaps) - firstGaps; more > 0 {
		p.MoreGaps = fmt.Sprintf("%s more; the key n leads through all of them.", count(more, "function"))
	}
	for _, n := range r.Notes {
		p.Notes = append(p.Notes, pageNoteOf(n, o))
	}
	if r.AllKills {
		p.Tests = testTableOf(Describe(r, Options{})).lists(testsListed)
	}
	for _, c := range Classes(r) {
		p.Classes = append(p.Classes, pageClass{visible(c.Title()), percent(c.Score.Value()), c.Score.Counted(), c.Score.Survived, c.Score.Unreached})
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
	if o.Remote != nil {
		parts = append(parts, "commit "+o.Remote.Commit)
	}
	if o.Timings {
		parts = append(parts, fmt.Sprintf("tests alone %s, this run %s", rounded(r.Suite), rounded(r.Elapsed)))
	}
	return visible(strings.Join(parts, ", "))
}

func pageNoteOf(n mutate.Note, o Options) pageNote {
	at := ""
	if n.Path != "" {
		at = visible(o.Prefix + n.Path)
		if n.Line > 0 {
			at += fmt.Sprintf(":%d", n.Line)
		}
	}
	return pageNote{at, visible(n.Text)}
}

func (a *adviser) pageGap(g gap, shared hints, o Options) pageGap {
	m := g.first()
	p := pageGap{
		ID: m.ID, Where: visible(shortWhere(m)), Place: visible(fmt.Sprintf("%s%s:%d", o.Prefix, m.Source.Path, m.Line)),
		Count: fmt.Sprintf("%d survive", len(g.Verdicts)), Kind: g.Status.String(),
	}
	if len(g.Verdicts) == 1 {
		p.Count = "1 survives"
	}
	if g.Status == mutate.Unreached {
		p.Count = fmt.Sprintf("%d unreached", len(g.Verdicts))
		p.Said = fmt.Sprintf("No test runs %s. Begin with a test that calls it and looks at the outcome.", g.lines())
		return p
	}
	for _, v := range a.telling(g, gapChanges) {
		p.Changes = append(p.Changes, pageChangeOf(v, shared))
	}
	return p
}

func pageChangeOf(v mutate.Verdict, shared hints) pageChange {
	m := v.Mutant
	before, now := snippetParts(m, snippetChars)
	advice, _, _ := strings.Cut(shared.of(v), "\n\n")
	c := pageChange{ID: m.ID, Line: m.Line, Before: before, Now: now, Removed: now == [3]string{}, Advice: flat(advice)}
	if k := KindOf(m.Op); k != nil {
		c.Kind = k.Title
	}
	return c
}
