package report

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/clipperhouse/displaywidth"

	"assay/mutate"
	"assay/mutate/syntax"
)

// A glyph is one character of a source line as a terminal shows it.
type glyph struct {
	text string
	sgr  string
}

const gutter = 5 // columns of line numbers and of codes, at least

// change prints the lines of a block once, with their numbers, and under them
// what each change makes of them, with the code by which it is found.
func (p *text) change(b block, context int) {
	h := hunkOf(b.first(), context)
	wide := gutter
	for _, v := range b.Verdicts {
		wide = max(wide, len(p.code[v.Mutant.ID]))
	}
	var hunks []Hunk
	lines := h.Lines
	for _, v := range b.Verdicts {
		hunks = append(hunks, hunkOf(v.Mutant, 0))
		lines = append(slices.Clip(lines), hunks[len(hunks)-1].Lines...)
	}
	indent := commonIndent(lines)
	put := func(label string, sign byte, l DiffLine, sgr []string) {
		line := fmt.Sprintf("  %s %s %s", p.faint(fmt.Sprintf("%*s", wide, label)), p.sign(sign),
			p.cells(l, sgr, len(indent), p.o.Width-wide-len("     ")))
		p.printf("%s\n", strings.TrimRight(line, " "))
	}
	number := h.OldStart
	source := func(ls []DiffLine) {
		for _, l := range ls {
			if l.Sign == '-' && len(b.Verdicts) > 1 {
				l.Mark = syntax.Span{} // it is another one for each change
			}
			put(fmt.Sprint(number), l.Sign, l, p.sourceShades(b.first().Source, number, l))
			number++
		}
	}
	before, old, after := parted(h.Lines)
	source(before)
	source(old[:min(diffLines, len(old))])
	if more := len(old) - diffLines; more > 0 {
		p.printf("  %*s   %s\n", wide, "", p.faint("… "+count(more, "more line")))
		number += more
	}
	p.news(b, hunks, wide, put)
	source(after)
}

// parted gives the lines of a hunk before the change, those that are removed,
// and those behind it.
func parted(lines []DiffLine) (before, old, after []DiffLine) {
	for i, l := range lines {
		switch {
		case l.Sign == '-':
			old = append(old, l)
		case l.Sign == '+':
		case slices.ContainsFunc(lines[:i], func(l DiffLine) bool { return l.Sign != ' ' }):
			after = append(after, l)
		default:
			before = append(before, l)
		}
	}
	return before, old, after
}

// news prints what the changes of a block put in place of its lines.
func (p *text) news(b block, hunks []Hunk, wide int, put func(string, byte, DiffLine, []string)) {
	for i, h := range hunks {
		v, n := b.Verdicts[i], 0
		code := p.code[v.Mutant.ID]
		var old []DiffLine
		for _, l := range h.Lines {
			if l.Sign == '-' {
				old = append(old, l)
			}
		}
		for _, l := range h.Lines {
			if l.Sign != '+' {
				continue
			}
			if n++; n > diffLines {
				continue
			}
			put(code, '+', l, p.newShades(v.Mutant.Source, h, old, l))
			code = ""
		}
		switch {
		case n == 0:
			p.printf("  %s   %s\n", p.faint(fmt.Sprintf("%*s", wide, code)), p.added("removed"))
		case n > diffLines:
			p.printf("  %*s   %s\n", wide, "", p.faint("… "+count(n-diffLines, "more line")))
		}
	}
}

func (p *text) sign(sign byte) string {
	switch sign {
	case '-':
		return p.lost("-")
	case '+':
		return p.added("+")
	}
	return " "
}

// sourceShades gives the SGR codes of each byte of a line of the source; of a
// line that is removed the mark stands out.
func (p *text) sourceShades(s *mutate.Source, number int, l DiffLine) []string {
	if !p.paint {
		return nil
	}
	out := make([]string, len(l.Text))
	shades := p.shades(s, number)
	if shades == nil && l.Sign == '-' {
		fill(out, 0, len(out), "31")
	}
	at := 0
	for _, sh := range shades {
		fill(out, at, sh.end, sh.code)
		at = sh.end
	}
	if l.Sign == '-' {
		fill(out, l.Mark.Start, l.Mark.End, "1;4;31")
	}
	return out
}

// newShades does that for a line that a change puts in. What stands before and
// behind the change is as in the source and has its colours.
func (p *text) newShades(s *mutate.Source, h Hunk, old []DiffLine, l DiffLine) []string {
	if !p.paint {
		return nil
	}
	out := make([]string, len(l.Text))
	head, tail := l.Text[:l.Mark.Start], l.Text[l.Mark.End:]
	fill(out, 0, len(out), "32")
	if n := len(old); n > 0 {
		first, last := p.shades(s, h.OldStart), p.shades(s, h.OldStart+n-1)
		if len(first) > 0 && strings.HasPrefix(old[0].Text, head) {
			copy(out[:len(head)], p.sourceShades(s, h.OldStart, DiffLine{Sign: ' ', Text: old[0].Text}))
		}
		if len(last) > 0 && strings.HasSuffix(old[n-1].Text, tail) {
			codes := p.sourceShades(s, h.OldStart+n-1, DiffLine{Sign: ' ', Text: old[n-1].Text})
			copy(out[l.Mark.End:], codes[len(codes)-len(tail):])
		}
	}
	fill(out, l.Mark.Start, l.Mark.End, "1;4;32")
	return out
}

func fill(codes []string, from, to int, code string) {
	for i := from; i < min(to, len(codes)); i++ {
		codes[i] = code
	}
}

// commonIndent is the white space with which all lines begin that are not empty.
func commonIndent(lines []DiffLine) string {
	indent, first := "", true
	for _, l := range lines {
		white := l.Text[:len(l.Text)-len(strings.TrimLeft(l.Text, " \t"))]
		if strings.TrimSpace(l.Text) == "" {
			continue
		}
		if first {
			indent, first = white, false
		}
		for !strings.HasPrefix(white, indent) {
			indent = indent[:len(indent)-1]
		}
	}
	return indent
}

// cells gives a line for a terminal, without its first indent bytes, in at most
// width columns: where it is longer, what is around its mark. What could
// disturb the terminal is escaped, and a tab is four blanks.
func (p *text) cells(l DiffLine, codes []string, indent, width int) string {
	text := strings.TrimRight(l.Text, "\r")
	var line []glyph
	total, markAt := 0, 0
	for i := min(indent, len(text)); i < len(text); {
		_, n := utf8.DecodeRuneInString(text[i:])
		s := visible(text[i : i+n])
		if s == "\t" {
			s = "    "
		}
		c := glyph{text: s}
		if codes != nil {
			c.sgr = codes[i]
		}
		if i < l.Mark.Start {
			markAt = len(line) + 1
		}
		line = append(line, c)
		total += displaywidth.String(s)
		i += n
	}
	if total > width {
		line = cutCells(line, markAt, max(width, 8))
	}
	return p.join(line)
}

// cutCells leaves width columns of a line: from its beginning if the mark is
// in them, else from a third before the mark.
func cutCells(line []glyph, mark, width int) []glyph {
	wide := func(cs []glyph) (n int) {
		for _, c := range cs {
			n += displaywidth.String(c.text)
		}
		return n
	}
	begin := 0
	if wide(line[:min(mark, len(line))]) > width*2/3 {
		for begin = mark; begin > 0 && wide(line[begin-1:mark]) < width/3; begin-- {
		}
	}
	out := slices.Clone(line[begin:])
	used := 0
	if begin > 0 {
		out, used = append([]glyph{{text: "…"}}, out...), 1
	}
	if wide(out) <= width {
		return out
	}
	for i := used; i < len(out); i++ {
		if used += displaywidth.String(out[i].text); used > width-1 {
			return append(out[:i], glyph{text: "…"})
		}
	}
	return out
}

// join puts cells together, with one sequence for neighbours of one colour.
func (p *text) join(line []glyph) string {
	var b strings.Builder
	for i := 0; i < len(line); {
		j := i
		var run strings.Builder
		for ; j < len(line) && line[j].sgr == line[i].sgr; j++ {
			run.WriteString(line[j].text)
		}
		if line[i].sgr == "" {
			b.WriteString(run.String())
		} else {
			b.WriteString(p.sgr(line[i].sgr, run.String()))
		}
		i = j
	}
	return b.String()
}
