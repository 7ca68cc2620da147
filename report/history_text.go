package report

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strings"
	"time"
	"unicode/utf8"
)

const (
	eighths      = "▁▂▃▄▅▆▇█"
	plotColumns  = 40 // at most; the newest runs are shown
	changedRuns  = 10 // of which it is told
	idsOfAKind   = 8
	whenFormat   = "2006-01-02 15:04"
	noPlotSymbol = "·"
)

// HistoryText prints the trend for people: the score of all and of each class
// as a plot of a character a run, what changed among the survivors, the time that
// runs took. records are comparable and at least one; others is how many more
// the history has.
func HistoryText(w io.Writer, records []Record, others int, o Options) error {
	p := &historyText{Writer: bufio.NewWriter(w), paint: paint(o.Color), records: records, width: o.Width}
	if p.width <= 0 {
		p.width = defaultWidth
	}
	first, last := records[0], records[len(records)-1]
	if len(records) == 1 {
		p.printf("One run, of %s. A trend takes two.\n", day(last.When))
	} else {
		p.printf("%d runs, %s to %s\n", len(records), day(first.When), day(last.When))
	}
	if others > 0 {
		p.printf("%s of other files or operators and cannot be compared.\n", were(others, "more run"))
	}
	p.scores()
	p.changes()
	p.times()
	return p.Flush()
}

type historyText struct {
	*bufio.Writer
	paint
	records []Record
	width   int
}

func (p *historyText) printf(format string, args ...any) { fmt.Fprintf(p, format, args...) }

func day(t time.Time) string { return t.Local().Format(whenFormat) }

// scores prints a row for all and one a class, on one scale.
func (p *historyText) scores() {
	all, classes := trends(p.records)
	rows := append([]trend{all}, classes...)
	low, high, title := 100.0, 0.0, 0
	for _, t := range rows {
		title = max(title, utf8.RuneCountInString(visible(t.Title)))
		for _, v := range newest(t.values()) {
			if v != nil {
				low, high = math.Min(low, *v), math.Max(high, *v)
			}
		}
	}
	if low > high {
		p.printf("\nThere was no mutant to judge.\n")
		return
	}
	if low == high {
		low = math.Max(0, high-1)
	}
	p.printf("\n%s\n", p.strong(fmt.Sprintf("Mutation score, from %s (▁) to %s (█)", percent(low, true), percent(high, true))))
	for _, t := range rows {
		values := t.values()
		change := ""
		if d, ok := changeOver(values); ok && len(values) > 1 {
			change = moved(d)
		}
		score, ok := t.last().Value()
		p.printf("  %s%s  %s  %8s  %7s  %s\n", visible(t.Title), strings.Repeat(" ", title-utf8.RuneCountInString(visible(t.Title))),
			plot(newest(values), low, high), percent(score, ok), change, lostIn(t.last()))
	}
}

// newest gives the values that there is room for.
func newest(values []*float64) []*float64 { return values[max(0, len(values)-plotColumns):] }

// plot draws a character a value; a point where there is none.
func plot(values []*float64, low, high float64) string {
	var b strings.Builder
	steps := []rune(eighths)
	for _, v := range values {
		if v == nil {
			b.WriteString(noPlotSymbol)
			continue
		}
		at := 0
		if high > low {
			at = int(math.Round((*v - low) / (high - low) * float64(len(steps)-1)))
		}
		b.WriteRune(steps[min(max(at, 0), len(steps)-1)])
	}
	return b.String()
}

func moved(d float64) string {
	s := fmt.Sprintf("%+.1f", d)
	if s == "+0.0" || s == "-0.0" {
		return "±0"
	}
	return s
}

func lostIn(c Counts) string {
	return fmt.Sprintf("%d survived, %d unreached", c.Survived, c.Unreached)
}

// changes names what came and went, the newest run first. Of the first run
// there is nothing to compare with.
func (p *historyText) changes() {
	p.printf("\n%s\n", p.strong("What changed, against the run before"))
	shown := 0
	for i := len(p.records) - 1; i > 0 && shown < changedRuns; i-- {
		rec := &p.records[i]
		if !rec.changed() {
			continue
		}
		shown++
		at := ""
		if rec.Commit != "" {
			at = ", commit " + visible(rec.Commit)
		}
		p.WriteString(wrap(fmt.Sprintf("%s%s: %s", day(rec.When), at, rec.changesSaid()), "  ", p.width))
		for i, ids := range rec.changes() {
			p.ids(changeKinds[i], ids)
		}
	}
	if shown == 0 {
		p.printf("  nothing in these runs\n")
	}
}

func (p *historyText) ids(kind changeKind, ids []string) {
	color := map[int]func(string) string{-1: p.lost, 1: p.added, 0: func(s string) string { return s }}[kind.good]
	for i, id := range ids {
		if i == idsOfAKind {
			p.printf("    and %d more: %s\n", len(ids)-i, kind.title)
			return
		}
		p.printf("    %s: %s\n", color(kind.word+" "+visible(id)), kind.title)
	}
}

func (p *historyText) times() {
	var values []*float64
	low, high := math.Inf(1), 0.0
	for i := range p.records {
		values = append(values, &p.records[i].Seconds)
	}
	for _, v := range newest(values) {
		low, high = math.Min(low, *v), math.Max(high, *v)
	}
	last := p.records[len(p.records)-1]
	p.printf("\n%s\n", p.strong(fmt.Sprintf("Time taken, from %s (▁) to %s (█)", spell(low), spell(high))))
	p.printf("  %s  %s; %s judged, the other verdicts were known\n", plot(newest(values), low, high), spell(last.Seconds), count(last.Judged, "mutant"))
}

func spell(s float64) string {
	d := time.Duration(s * float64(time.Second))
	if d < time.Minute {
		return fmt.Sprintf("%.1f s", s)
	}
	return d.Round(time.Second).String()
}
