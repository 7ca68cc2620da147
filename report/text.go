package report

import (
	"bufio"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/olekukonko/tablewriter"
	"github.com/olekukonko/tablewriter/tw"

	"assay/mutate"
)

const (
	contextLines = 2   // around a change
	classesNamed = 3   // of tests that reach a survivor
	diffLines    = 24  // of a change that is longer, the rest is counted
	lineChars    = 160 // of a source line, around the change
)

// Text writes the report for people: a table of the classes, the whole in a
// sentence, each survivor with
// what it says about the tests, what no test runs, and what to know about the
// run.
func Text(w io.Writer, r *mutate.Result, o Options) error {
	if o.Width <= 0 {
		o.Width = 100
	}
	b := bufio.NewWriter(w)
	p := &text{Writer: b, paint: paint(o.Color), o: o, r: r, classes: Classes(r), total: Total(r)}
	if err := p.table(); err != nil {
		return err
	}
	p.score()
	p.fresh()
	p.survivors()
	p.unreached()
	p.exempt()
	p.tests()
	p.notes()
	p.closing()
	return b.Flush()
}

type text struct {
	*bufio.Writer // keeps the first error until Flush
	paint
	o       Options
	r       *mutate.Result
	classes []*Class
	total   mutate.Score
}

func (p *text) printf(format string, args ...any) { fmt.Fprintf(p, format, args...) }

func (p *text) heading(format string, args ...any) {
	p.printf("\n%s\n", p.strong(fmt.Sprintf(format, args...)))
}

// table prints a row a class.
func (p *text) table() error {
	if p.total.Counted() == 0 && p.r.LeftOut > 0 {
		p.printf("No mutant was judged that counts.\n")
		return nil
	}
	if p.total.Counted() == 0 {
		p.printf("There is no mutant to judge: the code and the operators that were chosen give none.\n")
		return nil
	}
	right := slices.Repeat([]tw.Align{tw.AlignRight}, 7)
	right[0] = tw.AlignLeft
	t := tablewriter.NewTable(p,
		tablewriter.WithConfig(tablewriter.Config{}), // resets what stands before it
		tablewriter.WithHeaderAutoFormat(tw.Off),
		tablewriter.WithRowAutoWrap(tw.WrapNone),
		tablewriter.WithAlignment(right),
		tablewriter.WithRendition(tw.Rendition{
			Borders:  tw.BorderNone,
			Symbols:  tw.NewSymbols(tw.StyleLight),
			Settings: tw.Settings{Separators: tw.Separators{BetweenColumns: tw.Off, BetweenRows: tw.Off}},
		}))
	t.Header("class", "mutants", "killed", "survived", "unreached", "timed out", "score")
	for _, c := range p.classes {
		if c.Score.Counted() == 0 {
			continue
		}
		if err := t.Append(p.row(visible(c.Title()), c.Score)); err != nil {
			return fmt.Errorf("the table of classes: %w", err)
		}
	}
	if err := t.Render(); err != nil {
		return fmt.Errorf("the table of classes: %w", err)
	}
	return nil
}

func (p *text) row(title string, s mutate.Score) []string {
	figure := func(n int, emphasis func(string) string) string {
		if n == 0 {
			return p.faint("0")
		}
		return emphasis(fmt.Sprint(n))
	}
	as := func(s string) string { return s }
	return []string{
		title, figure(s.Counted(), as), figure(s.Killed, as), figure(s.Survived, p.lost),
		figure(s.Unreached, p.lost), figure(s.TimedOut, as), percent(s.Value()),
	}
}

// score says in words what the totals mean, and what they are not about.
func (p *text) score() {
	s := p.total
	if s.Counted() > 0 {
		score, rest, _ := strings.Cut(scoreSaid(s), ":")
		p.printf("\n%s:%s\n", p.strong(score), rest)
	}
	if said := besideSaid(s); said != "" {
		if s.Broken > 0 {
			said = p.lost(said)
		}
		p.printf("%s\n", said)
	}
	switch {
	case p.r.LeftOut > 0 && p.r.Partial:
		p.printf("%s %s left out; all figures are about the rest.\n",
			p.strong("The run ended early:"), were(p.r.LeftOut, "mutant"))
	case p.r.Partial:
		p.printf("%s\n", p.strong("The run ended early."))
	case p.r.LeftOut > 0:
		p.printf("%s left out; all figures are about the rest.\n", were(p.r.LeftOut, "mutant"))
	}
	if p.o.Timings {
		p.printf("The tests alone take %s; this run took %s.\n", rounded(p.r.Suite), rounded(p.r.Elapsed))
	}
}

func were(n int, noun string) string {
	if n == 1 {
		return "1 " + noun + " was"
	}
	return count(n, noun) + " were"
}

func are(n int, noun string) string {
	if n == 1 {
		return "1 " + noun + " is"
	}
	return count(n, noun) + " are"
}

func rounded(d time.Duration) time.Duration {
	if d < time.Second {
		return d.Round(time.Millisecond)
	}
	return d.Round(100 * time.Millisecond)
}

// unreached lists the methods that hold unreached mutants.
func (p *text) unreached() {
	if p.total.Unreached == 0 {
		return
	}
	p.heading("Unreached: no test runs these lines")
	for _, c := range p.classes {
		for _, g := range unreachedIn(c) {
			at := p.position(g[0].Mutant)
			lines := fmt.Sprintf("line %d", g[0].Mutant.Line)
			if last := g[len(g)-1].Mutant.Line; last != g[0].Mutant.Line {
				lines = fmt.Sprintf("lines %d to %d", g[0].Mutant.Line, last)
			}
			p.printf("  %s  %s: %s, %s\n", at, visible(g[0].Mutant.Where()), count(len(g), "mutant"), lines)
		}
	}
}

// unreachedIn groups by method, in the order of their first mutants.
func unreachedIn(c *Class) [][]mutate.Verdict {
	index := map[string]int{}
	var out [][]mutate.Verdict
	for _, v := range c.Verdicts {
		if v.Status != mutate.Unreached {
			continue
		}
		i, ok := index[v.Mutant.Function]
		if !ok {
			i = len(out)
			index[v.Mutant.Function] = i
			out = append(out, nil)
		}
		out[i] = append(out[i], v)
	}
	return out
}

// notes prints what the reader must know to judge the run, and our own faults.
func (p *text) notes() {
	if len(p.r.Notes) > 0 {
		p.heading("To know about this run")
		for _, n := range p.r.Notes {
			where := ""
			if n.Path != "" {
				where = p.o.Prefix + n.Path
				if n.Line > 0 {
					where += fmt.Sprintf(":%d", n.Line)
				}
				where = visible(where) + ": "
			}
			p.WriteString(wrap(where+visible(n.Text), "  ", p.o.Width))
		}
	}
	if p.total.Broken == 0 {
		return
	}
	p.heading("assay failed on these; that is a fault of assay, not of your project")
	for _, c := range p.classes {
		for _, v := range c.Verdicts {
			if v.Status == mutate.Broken {
				p.printf("  %s  %s  %s: %s\n", p.position(v.Mutant), v.Mutant.Op.ID, v.Mutant.ID, oneLine(v.Detail, lineChars))
			}
		}
	}
}

func (p *text) closing() {
	switch {
	case p.total.Survived > 0:
		p.printf("\nassay inspect ID shows one of them again, with all the tests that reach it;\nassay try ID runs the tests on it and shows PHPUnit's own output.\n")
	case p.total.Counted() > 0 && p.total.Unreached == 0 && p.r.LeftOut == 0 && p.total.Accepted+p.total.Skipped == 0:
		p.printf("\nNone survived.\n")
	}
}
