package report

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"assay/mutate"
)

// GitHub writes workflow commands: what is printed so by a step becomes a mark
// in the review. GitHub shows only the first marks of a step (ten of a kind,
// from memory), so the gaps that pay most come first, a survivor each before a
// second one of any.
//
// The form of the commands and what must be escaped in them are those of
// GitHub's documentation of workflow commands, from memory.
func GitHub(w io.Writer, r *mutate.Result, o Options) error {
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, "::notice title=assay::%s\n", commandText(headline(r)))
	for _, said := range githubExempt(r, o) {
		fmt.Fprintf(b, "::notice title=assay::%s\n", commandText(said))
	}
	rest, advice := gaps(r), hints{}
	for round := 0; len(rest) > 0; round++ {
		var more []gap
		for _, g := range rest {
			if g.Status == mutate.Unreached {
				last := g.Verdicts[len(g.Verdicts)-1].Mutant.Line
				annotate(b, "notice", o, g.first(), last, "No test runs this code", g.unreachedSaid())
				continue
			}
			v := g.Verdicts[round]
			annotate(b, "warning", o, v.Mutant, v.Mutant.Line, survivedTitle(v)+v.Mutant.Op.ID,
				fmt.Sprintf("%s\n%s\n%s\nMutant %s", outcome(v), flat(advice.alone(v)), reached(v.Reaching), v.Mutant.ID))
			if round+1 < len(g.Verdicts) {
				more = append(more, g)
			}
		}
		rest = more
	}
	return b.Flush()
}

func survivedTitle(v mutate.Verdict) string {
	if v.New {
		return "New, survived: "
	}
	return "Survived: "
}

// githubExempt puts all that was accepted and skipped into one mark, which is about no line.
func githubExempt(r *mutate.Result, o Options) []string {
	found := exemptions(r)
	if len(found) == 0 {
		return nil
	}
	const most = 50 // lines; the other formats have them all
	lines := []string{exemptTitle(r) + "."}
	for i, a := range found {
		if i == most {
			lines = append(lines, fmt.Sprintf("… and %d more", len(found)-most))
			break
		}
		m := a.first()
		lines = append(lines, fmt.Sprintf("%s%s:%d %s: %s, because %s", o.Prefix, m.Source.Path, m.Line, m.Where(), a.said(), flat(a.Reason)))
	}
	return []string{strings.Join(lines, "\n")}
}

func annotate(b *bufio.Writer, kind string, o Options, m *mutate.Mutant, last int, title, text string) {
	end := ""
	if last > m.Line {
		end = fmt.Sprintf(",endLine=%d", last)
	}
	fmt.Fprintf(b, "::%s file=%s,line=%d%s,title=%s::%s\n", kind, commandValue(o.Prefix+m.Source.Path), m.Line, end, commandValue(title), commandText(text))
}

var (
	textEscapes  = strings.NewReplacer("%", "%25", "\r", "%0D", "\n", "%0A")
	valueEscapes = strings.NewReplacer("%", "%25", "\r", "%0D", "\n", "%0A", ":", "%3A", ",", "%2C")
)

// commandText keeps line ends, which the reader sees as such.
func commandText(s string) string {
	lines := strings.Split(s, "\n")
	for i, l := range lines {
		lines[i] = visible(l)
	}
	return textEscapes.Replace(strings.Join(lines, "\n"))
}

func commandValue(s string) string { return valueEscapes.Replace(visible(s)) }
