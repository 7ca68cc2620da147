package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"net/url"
	"strings"
)

var (
	//go:embed page/history.html
	historyHTML string
	//go:embed page/history.css
	historyCSS string
)

type historyPage struct {
	Project, Title, Headline, Aside, Scale string
	CSS                                    template.CSS
	Score, Moves, Time                     chart
	Kinds                                  []changeKindShown
	Runs, Earlier                          []historyRun
	Classes                                []historyClass
}

// A historyRun is what changed in one run.
type historyRun struct {
	When, Said string
	Groups     []historyGroup
	Open       bool
}

type historyGroup struct {
	Title string
	IDs   []historyID
}

// A historyID is a mutant; Link leads to it in the page of the run, or is "".
type historyID struct{ Word, ID, Link string }

type changeKindShown struct{ Title, Class string }

type historyClass struct {
	Title, Percent, Change string
	Survived, Unreached    int
	Traces                 []string
	Dots                   []chartDot
}

// TrendOptions say how a history is shown as a page.
type TrendOptions struct {
	Project string
	Others  int // more runs, which cannot be compared
	// PageOf gives the address of the page of a run, as seen from that of the
	// history; "" where there is none. nil: there is none of any.
	PageOf func(*Record) string
}

// HistoryHTML writes one file to read in a browser; it fetches nothing and has
// no script. records are comparable and at least one.
func HistoryHTML(w io.Writer, records []Record, o TrendOptions) error {
	t, err := template.New("history").Parse(historyHTML)
	if err != nil {
		return fmt.Errorf("the page: %w", err)
	}
	last := records[len(records)-1]
	all, classes := trends(records)
	score, ok := last.Counts.Value()
	p := historyPage{Project: visible(o.Project), CSS: template.CSS(baseCSS + historyCSS),
		Title:    "Mutation score " + percent(score, ok),
		Headline: headlineOf(records), Aside: visible(fmt.Sprintf("PHP %s, PHPUnit %s", last.PHP, last.PHPUnit)),
		Score: scoreChart(all, records), Moves: movesChart(records), Time: timeChart(records)}
	if o.Others > 0 {
		p.Aside += fmt.Sprintf("; %s of other files or operators and cannot be compared", were(o.Others, "more run"))
	}
	for i := len(records) - 1; i > 0; i-- {
		if records[i].changed() {
			p.Runs = append(p.Runs, runOf(&records[i], len(p.Runs) == 0, o))
		}
	}
	if n := changedRuns; len(p.Runs) > n {
		p.Runs, p.Earlier = p.Runs[:n], p.Runs[n:]
	}
	for _, k := range changeKinds {
		if k.class != "" {
			p.Kinds = append(p.Kinds, changeKindShown{k.title, k.class})
		}
	}
	low := lowest(append(classes, all))
	p.Scale = fmt.Sprintf("from %s to 100 %%", percent(low, true))
	for _, c := range classes {
		p.Classes = append(p.Classes, classOf(c, low))
	}
	var b bytes.Buffer
	if err := t.Execute(&b, p); err != nil {
		return fmt.Errorf("the page: %w", err)
	}
	_, err = w.Write(b.Bytes())
	return err
}

func headlineOf(records []Record) string {
	first, last := records[0], records[len(records)-1]
	if len(records) == 1 {
		return fmt.Sprintf("One run, of %s: %s. A trend takes two.", day(last.When), lostIn(last.Counts))
	}
	a, aok := first.Counts.Value()
	b, bok := last.Counts.Value()
	step := ""
	if aok && bok {
		step = fmt.Sprintf(", %s points", moved(b-a))
	}
	return fmt.Sprintf("%d runs, %s to %s%s: %s now.", len(records), day(first.When), day(last.When), step, lostIn(last.Counts))
}

func runOf(rec *Record, open bool, o TrendOptions) historyRun {
	run := historyRun{When: day(rec.When), Said: rec.changesSaid(), Open: open}
	if rec.Commit != "" {
		run.When += visible(", commit " + rec.Commit)
	}
	page := ""
	if o.PageOf != nil {
		page = o.PageOf(rec)
	}
	for i, ids := range rec.changes() {
		g := historyGroup{Title: changeKinds[i].title}
		for _, id := range ids {
			link := ""
			if page != "" && changeKinds[i].title != "gone with their code" {
				link = page + "#" + url.PathEscape(id)
			}
			g.IDs = append(g.IDs, historyID{changeKinds[i].word, visible(id), link})
		}
		if g.IDs != nil {
			run.Groups = append(run.Groups, g)
		}
	}
	return run
}

func classOf(t trend, low float64) historyClass {
	values := t.values()
	score, ok := t.last().Value()
	c := historyClass{Title: visible(t.Title), Percent: percent(score, ok), Survived: t.last().Survived, Unreached: t.last().Unreached}
	if d, ok := changeOver(values); ok && len(values) > 1 {
		c.Change = moved(d)
	}
	scale := axis{left: 4, right: 140, top: 4, bottom: 28, low: low, high: 100}
	c.Traces = scale.traces(values)
	if n := len(values) - 1; values[n] != nil {
		c.Dots = []chartDot{{X: scale.x(n, n+1), Y: scale.y(*values[n])}}
	}
	return c
}

func lowest(ts []trend) float64 {
	low := 100.0
	for _, t := range ts {
		for _, v := range t.values() {
			if v != nil {
				low = math.Min(low, *v)
			}
		}
	}
	return math.Min(math.Floor(low/10)*10, 90)
}

// A chart is an SVG of one picture; lengths are units of its view box.
type chart struct {
	Label, Says          string
	Width, Height        int
	Left, Right, TextX   int
	DateY, CommitY, DayY int
	Ticks                []chartTick
	Dates                []chartDate
	Bars                 []chartBar
	Traces               []string
	Dots                 []chartDot
}

type chartTick struct{ Y, TextY, Text, Class string }
type chartDate struct{ X, Text, Commit, Day, Anchor string }
type chartBar struct{ X, Y, W, H, Class, Title string }
type chartDot struct{ X, Y, Title string }

// An axis turns runs and values into places.
type axis struct {
	left, right, top, bottom float64
	low, high                float64
}

func (a axis) x(i, n int) string {
	if n < 2 {
		return number((a.left + a.right) / 2)
	}
	return number(a.left + (a.right-a.left)*float64(i)/float64(n-1))
}

func (a axis) y(v float64) string { return number(a.at(v)) }

func (a axis) at(v float64) float64 {
	if a.high == a.low {
		return (a.top + a.bottom) / 2
	}
	return a.bottom - (a.bottom-a.top)*(v-a.low)/(a.high-a.low)
}

func number(f float64) string { return strings.TrimSuffix(fmt.Sprintf("%.1f", f), ".0") }

// traces draws a line through neighbours that are known.
func (a axis) traces(values []*float64) []string {
	var out []string
	var points []string
	flush := func() {
		if len(points) > 1 {
			out = append(out, strings.Join(points, " "))
		}
		points = nil
	}
	for i, v := range values {
		if v == nil {
			flush()
			continue
		}
		points = append(points, a.x(i, len(values))+","+a.y(*v))
	}
	flush()
	return out
}

const (
	chartWidth, chartHeight = 620, 244
	chartLeft, chartRight   = 14, 552 // what the lines mean stands behind them: the newest run is there
	chartTop, chartBottom   = 12, 176
)

// newChart lays out a chart with about four lines across.
func newChart(label, says string, records []Record, low, high float64, text func(float64) string) (chart, axis) {
	c := chart{Label: label, Says: says, Width: chartWidth, Height: chartHeight, Left: chartLeft, Right: chartRight, TextX: chartRight + 8, DateY: chartBottom + 24, CommitY: chartBottom + 41, DayY: chartBottom + 59}
	a := axis{left: chartLeft + 12, right: chartRight - 12, top: chartTop, bottom: chartBottom, low: low, high: high}
	step := niceStep((high - low) / 4)
	for v := math.Ceil(low/step) * step; v <= high+step/1e6; v += step {
		class := "grid"
		if math.Abs(v) < step/1e6 {
			v, class = 0, "zero"
		}
		c.Ticks = append(c.Ticks, chartTick{a.y(v), number(a.at(v) + 4), text(v), class})
	}
	c.Dates = chartDates(records, a)
	return c, a
}

// chartDates marks some runs, with their commits under them. Of runs of one day
// the times are told, and the day once.
func chartDates(records []Record, a axis) []chartDate {
	n := len(records)
	marks := n
	if n > 6 { // more would not stand beside each other
		marks = 4
	}
	var out []chartDate
	before := ""
	for k := range marks {
		i, anchor := 0, "middle"
		if marks > 1 {
			i = k * (n - 1) / (marks - 1)
		}
		switch {
		case n > 1 && i == 0:
			anchor = "start"
		case n > 1 && i == n-1:
			anchor = "end"
		}
		when := records[i].When.Local()
		d := chartDate{X: a.x(i, n), Text: when.Format("2006-01-02"), Commit: records[i].Commit, Anchor: anchor}
		if sameDay(records, i) {
			if d.Text != before {
				d.Day = d.Text
			}
			before, d.Text = d.Text, when.Format("15:04")
		}
		if len(d.Commit) > 7 {
			d.Commit = d.Commit[:7]
		}
		d.Commit = visible(d.Commit)
		out = append(out, d)
	}
	return out
}

// sameDay reports whether another run was on the day of the one with index i.
func sameDay(records []Record, i int) bool {
	date := func(r Record) string { return r.When.Local().Format("2006-01-02") }
	return i > 0 && date(records[i-1]) == date(records[i]) || i+1 < len(records) && date(records[i+1]) == date(records[i])
}

// niceStep rounds up to 1, 2 or 5 times a power of ten.
func niceStep(s float64) float64 {
	if s <= 0 {
		return 1
	}
	power := math.Pow(10, math.Floor(math.Log10(s)))
	for _, f := range []float64{1, 2, 5} {
		if f*power >= s*(1-1e-9) {
			return f * power
		}
	}
	return 10 * power
}

func scoreChart(all trend, records []Record) chart {
	values := all.values()
	low := lowest([]trend{all})
	says := fmt.Sprintf("Mutation score of %d runs", len(records))
	if v := values[len(values)-1]; v != nil {
		says += ", at the end " + percent(*v, true)
	}
	c, a := newChart("Mutation score over time", says, records, low, 100, func(v float64) string { return number(v) + " %" })
	c.Traces = a.traces(values)
	for i, v := range values {
		if v != nil {
			c.Dots = append(c.Dots, chartDot{a.x(i, len(values)), a.y(*v), fmt.Sprintf("%s: %s, %s", day(records[i].When), percent(*v, true), lostIn(records[i].Counts))})
		}
	}
	return c
}

// movesChart has a bar up for what got worse and a bar down for what got better
// in each run, in parts. It leaves out what the first run found: all of it would
// be new.
func movesChart(records []Record) chart {
	up, down, worse, better := 2, 2, 0, 0 // so that the lines across are whole numbers
	for i := range records[1:] {
		u, d := 0, 0
		for k, ids := range records[i+1].changes() {
			switch changeKinds[k].good {
			case -1:
				u += len(ids)
			case 1:
				d += len(ids)
			}
		}
		up, down, worse, better = max(up, u), max(down, d), worse+u, better+d
	}
	c, a := newChart("What changed", fmt.Sprintf("Over all these runs %d mutants came to survive or to be unreached, and %d were killed", worse, better), records,
		-float64(down), float64(up), func(v float64) string { return number(math.Abs(v)) })
	width := math.Min(18, 0.7*(a.right-a.left)/math.Max(1, float64(len(records)-1)))
	for i := range records[1:] {
		rec := &records[i+1]
		x := a.left + (a.right-a.left)*float64(i+1)/float64(len(records)-1) - width/2
		high, low := 0.0, 0.0
		for k, ids := range rec.changes() {
			n, kind := float64(len(ids)), changeKinds[k]
			if n == 0 || kind.good == 0 {
				continue
			}
			top := high + n
			if kind.good > 0 {
				top = low
				low -= n
			} else {
				high = top
			}
			c.Bars = append(c.Bars, chartBar{number(x), a.y(top), number(width), number(a.at(top-n) - a.at(top)), kind.class,
				fmt.Sprintf("%s: %d %s", day(rec.When), len(ids), kind.title)})
		}
	}
	return c
}

func timeChart(records []Record) chart {
	var values []*float64
	high := 0.0
	for i := range records {
		values = append(values, &records[i].Seconds)
		high = math.Max(high, records[i].Seconds)
	}
	if high == 0 {
		high = 1
	}
	c, a := newChart("Time taken", fmt.Sprintf("Time that %d runs took, at the end %s", len(records), spell(records[len(records)-1].Seconds)), records, 0, high, spell)
	c.Traces = a.traces(values)
	for i, v := range values {
		c.Dots = append(c.Dots, chartDot{a.x(i, len(values)), a.y(*v), fmt.Sprintf("%s: %s, %s judged", day(records[i].When), spell(*v), count(records[i].Judged, "mutant"))})
	}
	return c
}
