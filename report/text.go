package report

import (
	"bufio"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"assay/mutate"
)

const (
	contextLines = 1   // around a change
	classesNamed = 3   // of tests that reach a survivor
	diffLines    = 24  // of a change that is longer, the rest is counted
	lineChars    = 160 // of what is told in a line, as a failure's message
	defaultWidth = 100

	// What a brief report has at most.
	briefSurvivors = 20
	briefRows      = 20 // of classes, of functions that no test runs, of what is new, accepted or skipped
)

// Text writes the report for people. Its end is the answer, for that is what a
// terminal shows: the classes, the score, what to fix first, and where the rest
// is. Before it stand the survivors, each with what it says about the tests,
// what no test runs, and what to know about the run.
func Text(w io.Writer, r *mutate.Result, o Options) error {
	if o.Width <= 0 {
		o.Width = defaultWidth
	}
	p := newText(w, r, o)
	p.advice, p.code, p.same = adviserOf(r), codes(r), sameGaps(r)
	p.survivors()
	p.unreached()
	p.fresh()
	p.exempt()
	p.equivalents()
	p.tests()
	p.notes()
	if err := p.table(); err != nil {
		return err
	}
	p.score()
	p.first()
	p.closing()
	return p.Flush()
}

func newText(w io.Writer, r *mutate.Result, o Options) *text {
	return &text{Writer: bufio.NewWriter(&withoutFirstBlank{w: w}), paint: paint(o.Color), o: o, r: r,
		classes: Classes(r), total: Total(r), hints: hints{}, php: map[*mutate.Source][][]shade{}}
}

type text struct {
	*bufio.Writer // keeps the first error until Flush
	paint
	o       Options
	r       *mutate.Result
	classes []*Class
	total   mutate.Score
	advice  *adviser
	hints   hints
	code    map[string]string // by ID; see codes
	same    map[string]string // by ID; see sameGaps
	left    int               // survivors that a brief report does not show
	php     map[*mutate.Source][][]shade
}

func (p *text) printf(format string, args ...any) { fmt.Fprintf(p, format, args...) }

func (p *text) heading(format string, args ...any) {
	p.printf("\n%s\n", p.strong(strings.TrimSuffix(wrap(fmt.Sprintf(format, args...), "", p.o.Width), "\n")))
}

// withoutFirstBlank drops the blank line with which every part of the report
// sets itself off from the one before, of the first.
type withoutFirstBlank struct {
	w     io.Writer
	begun bool
}

func (b *withoutFirstBlank) Write(text []byte) (int, error) {
	n := 0
	if !b.begun && len(text) > 0 {
		if b.begun = true; text[0] == '\n' {
			text, n = text[1:], 1
		}
	}
	m, err := b.w.Write(text)
	return n + m, err
}

// brief gives how many of n things are listed.
func (p *text) brief(n int) int {
	if p.o.Brief {
		return min(n, briefRows)
	}
	return n
}

// more says how many were not listed.
func (p *text) more(n int, noun string) {
	if n > 0 {
		p.printf("  and %s\n", count(n, noun))
	}
}

// score says in words what the totals mean, and what they are not about.
func (p *text) score() {
	s := p.total
	if s.Counted() > 0 {
		said := wrap(scoreSaid(s), "", p.o.Width)
		score, rest, _ := strings.Cut(said, ":")
		p.printf("\n%s:%s", p.strong(score), rest)
	}
	if said := besideSaid(s); said != "" {
		said = strings.TrimSuffix(wrap(said, "", p.o.Width), "\n")
		if s.Broken > 0 {
			said = p.lost(said)
		}
		p.printf("%s\n", said)
	}
	switch left := were(p.r.LeftOut, "mutant"); {
	case p.r.LeftOut > 0 && p.r.Partial:
		p.WriteString(wrap(fmt.Sprintf("The run ended early: %s left out; all figures are about the rest.", left), "", p.o.Width))
	case p.r.Partial:
		p.printf("The run ended early.\n")
	case p.r.LeftOut > 0:
		p.WriteString(wrap(fmt.Sprintf("%s left out; all figures are about the rest.", left), "", p.o.Width))
	}
	if p.o.Timings {
		p.printf("The tests alone take %s; this run took %s.\n", rounded(p.r.Suite), rounded(p.r.Elapsed))
	}
}

// first names the functions in which a test pays most, each with the changes
// that tell most. Score, list and closing fit a screen of 24 lines.
func (p *text) first() {
	found := p.advice.gaps
	if len(found) == 0 {
		return
	}
	if len(found) > firstFunctions {
		p.heading("What to fix first, %d of %s", firstFunctions, count(len(found), "function"))
	} else {
		p.heading("What to fix first")
	}
	for i, g := range found[:min(firstFunctions, len(found))] {
		m := g.first()
		said := fmt.Sprintf("%d survive", len(g.Verdicts))
		if len(g.Verdicts) == 1 {
			said = "1 survives"
		}
		if g.Status == mutate.Unreached {
			said = fmt.Sprintf("%d unreached, %s", len(g.Verdicts), g.lines())
		}
		head := fmt.Sprintf("%d  %s: %s", i+1, visible(shortWhere(m)), said)
		at := fmt.Sprintf("%s%s:%d", p.o.Prefix, m.Source.Path, m.Line)
		room := p.o.Width - width(head) - 4
		if room < 12 {
			head, room = cutEnd(head, p.o.Width-2), 0
		}
		if at = cutBegin(visible(at), room); room > 0 {
			p.printf("  %s  %s\n", p.strong(head), p.faint(p.positionAt(m, at)))
		} else {
			p.printf("  %s\n", p.strong(head))
		}
		if g.Status == mutate.Survived {
			for _, v := range p.advice.telling(g, firstChanges) {
				p.tell(v)
			}
		}
	}
}

const (
	firstFunctions = 5 // to be fixed first
	firstChanges   = 2 // of each
)

// tell shows a change on one line, with its code at the end.
func (p *text) tell(v mutate.Verdict) {
	m, code := v.Mutant, p.code[v.Mutant.ID]
	line := fmt.Sprintf("%10d  ", m.Line)
	room := p.o.Width - len(line) - len(code) - len("  →    ")
	before, after := snippetParts(m, room/2)
	if after == [3]string{} {
		if before, after = snippetParts(m, room-len("removed")); after == [3]string{} {
			after[1] = "removed"
		}
	}
	said := p.three(before, "4;31") + "  →  " + p.three(after, "4;32")
	if width(said) > room+len("  →  ") { // wide characters
		plain := paint(false)
		said = cutEnd(plain.three(before, "")+"  →  "+plain.three(after, ""), room+len("  →  "))
	}
	p.printf("%s%s  %s\n", p.faint(line), said, p.faint(code))
}

// three joins a text with what stands before and behind it, and paints it.
func (p paint) three(parts [3]string, codes string) string {
	return strings.TrimLeft(parts[0], " ") + p.sgr(codes, parts[1]) + strings.TrimRight(parts[2], " ")
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
	var found [][]mutate.Verdict
	for _, c := range p.classes {
		found = append(found, unreachedIn(c)...)
	}
	n := p.brief(len(found))
	for _, g := range found[:n] {
		m := g[0].Mutant
		said := fmt.Sprintf("%s: %s, %s", shortWhere(m), count(len(g), "mutant"), gap{mutate.Unreached, g}.lines())
		p.item(m, visible(said))
	}
	p.more(len(found)-n, "more function")
}

// item prints a place and what is said of it, on one line where that fits.
func (p *text) item(m *mutate.Mutant, said string) {
	at := fmt.Sprintf("%s%s:%d:%d", p.o.Prefix, m.Source.Path, m.Line, m.Column)
	if width(visible(at))+width(said)+4 <= p.o.Width {
		p.printf("  %s  %s\n", p.position(m), said)
		return
	}
	p.printf("  %s\n%s", p.position(m), wrap(said, "    ", p.o.Width))
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
				p.item(v.Mutant, fmt.Sprintf("%s  %s: %s", v.Mutant.Op.ID, v.Mutant.ID, oneLine(v.Detail, lineChars)))
			}
		}
	}
}

// closing says what is not shown, and what to do with what is.
func (p *text) closing() {
	switch s := p.total; {
	case s.Survived > 0:
		p.printf("\n")
		if p.left > 0 {
			p.WriteString(wrap(fmt.Sprintf("%d of %s are above; --all shows all, --write html=FILE a page.",
				s.Survived-p.left, count(s.Survived, "survivor")), "", p.o.Width))
		}
		code := p.code[p.advice.example().ID]
		p.WriteString(wrap(fmt.Sprintf("assay inspect %s shows that one with its tests, assay try %s runs them.", code, code), "", p.o.Width))
		if !wasSearched(p.r) {
			p.WriteString(wrap("assay prove looks for tests that kill what survived.", "", p.o.Width))
		}
	case s.Counted() > 0 && s.Unreached == 0 && p.r.LeftOut == 0 && s.Accepted+s.Skipped == 0:
		p.printf("\nNone survived.\n")
	}
}

// wasSearched reports whether tests that kill survivors have been looked for.
func wasSearched(r *mutate.Result) bool {
	return slices.ContainsFunc(r.Verdicts, func(v mutate.Verdict) bool {
		return v.Proof != nil || v.Seen.Word == mutate.Unasserted || v.Seen.Word == mutate.Absorbed
	})
}
