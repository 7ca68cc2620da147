package report

import (
	"fmt"
	"path"
	"slices"
	"strings"

	"github.com/clipperhouse/displaywidth"
	"github.com/olekukonko/tablewriter"
	"github.com/olekukonko/tablewriter/tw"

	"assay/mutate"
)

// A column of the table of classes.
type column struct {
	title string
	of    func(mutate.Score) int
	gap   bool // what is in it is missing in the tests
}

var columns = []column{
	{"mutants", mutate.Score.Counted, false},
	{"killed", func(s mutate.Score) int { return s.Killed }, false},
	{"survived", func(s mutate.Score) int { return s.Survived }, true},
	{"unreached", func(s mutate.Score) int { return s.Unreached }, true},
	{"timed out", func(s mutate.Score) int { return s.TimedOut }, false},
}

// table prints a row a class, the worst first. Columns in which there is
// nothing are left out, and names are shortened where they do not fit.
func (p *text) table() error {
	if p.total.Counted() == 0 && p.r.LeftOut > 0 {
		p.printf("\nNo mutant was judged that counts.\n")
		return nil
	}
	if p.total.Counted() == 0 {
		p.printf("\nThere is no mutant to judge: the code and the operators that were chosen give none.\n")
		return nil
	}
	rows := slices.DeleteFunc(slices.Clone(p.classes), func(c *Class) bool { return c.Score.Counted() == 0 })
	rest := 0
	if p.o.Brief && len(rows) > briefRows {
		rows, rest = rows[:briefRows], len(rows)-briefRows
	}
	used := slices.DeleteFunc(slices.Clone(columns), func(c column) bool { return c.of(p.total) == 0 })
	room := func() int { // for names; every column has a blank on either side
		n := p.o.Width - len("  ") - len(" 100.0 % ")
		for _, c := range used {
			n -= len(c.title) + 2
		}
		return n
	}
	if room() < 20 { // what was killed is the rest
		used = slices.DeleteFunc(used, func(c column) bool { return c.title == "killed" })
	}
	p.printf("\n")
	t := newTable(p, len(used)+2)
	header := []string{"class"}
	for _, c := range used {
		header = append(header, c.title)
	}
	t.Header(append(header, "score"))
	for i, name := range shortTitles(rows, room()) {
		row := []string{name}
		for _, c := range used {
			row = append(row, p.figure(c.of(rows[i].Score), c.gap))
		}
		if err := t.Append(append(row, percent(rows[i].Score.Value()))); err != nil {
			return fmt.Errorf("the table of classes: %w", err)
		}
	}
	if err := t.Render(); err != nil {
		return fmt.Errorf("the table of classes: %w", err)
	}
	if rest > 0 {
		p.printf(" and %s, none with a lower score\n", count(rest, "more class"))
	}
	return nil
}

func newTable(p *text, n int) *tablewriter.Table {
	align := slices.Repeat([]tw.Align{tw.AlignRight}, n)
	align[0] = tw.AlignLeft
	return tablewriter.NewTable(p,
		tablewriter.WithConfig(tablewriter.Config{}), // resets what stands before it
		tablewriter.WithHeaderAutoFormat(tw.Off),
		tablewriter.WithRowAutoWrap(tw.WrapNone),
		tablewriter.WithAlignment(align),
		tablewriter.WithRendition(tw.Rendition{
			Borders:  tw.BorderNone,
			Symbols:  tw.NewSymbols(tw.StyleLight),
			Settings: tw.Settings{Separators: tw.Separators{BetweenColumns: tw.Off, BetweenRows: tw.Off}},
		}))
}

func (p *text) figure(n int, gap bool) string {
	switch {
	case n == 0:
		return p.faint("0")
	case gap:
		return p.lost(fmt.Sprint(n))
	}
	return fmt.Sprint(n)
}

// shortTitles gives the names of classes in at most width columns. Where they do
// not all fit, the parts of all namespaces become initials; where that does not
// do, they go, and so do the folders of files; and then the beginnings of names
// that are still too long.
func shortTitles(classes []*Class, width int) []string {
	width = max(width, 12)
	var out []string
	for level, short := range []func(namespace []string) []string{
		func(ns []string) []string { return ns },
		func(ns []string) []string {
			var initials []string
			for _, part := range ns {
				initials = append(initials, string([]rune(part + " ")[:1]))
			}
			return initials
		},
		func(ns []string) []string { return nil },
	} {
		out = out[:0]
		fits := true
		for _, c := range classes {
			parts := strings.Split(visible(c.Title()), `\`)
			last := len(parts) - 1
			name := strings.Join(append(slices.Clip(short(parts[:last])), parts[last]), `\`)
			if c.Name == "" && level == 2 {
				name = path.Base(name)
			}
			fits = fits && displaywidth.String(name) <= width
			out = append(out, cutBegin(name, width))
		}
		if fits {
			break
		}
	}
	return out
}

// cutBegin takes so much from the beginning of a text that it fits.
func cutBegin(s string, width int) string {
	if displaywidth.String(s) <= width {
		return s
	}
	r := []rune(s)
	for len(r) > 0 && displaywidth.String(string(r)) > width-1 {
		r = r[1:]
	}
	return "…" + string(r)
}

// cutEnd is cutBegin for the other end.
func cutEnd(s string, width int) string {
	if displaywidth.String(s) <= width {
		return s
	}
	r := []rune(s)
	for len(r) > 0 && displaywidth.String(string(r)) > width-1 {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}
