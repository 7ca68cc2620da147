package report

import (
	"fmt"
	"html"
	"io"
	"strings"

	"assay/mutate"
)

// markdownBytes bounds the whole text: forges take comments of 65,536
// characters (GitHub's limit, from memory).
const markdownBytes = 60_000

// Markdown writes GitHub-flavoured Markdown for a comment on a pull request:
// the score, where a test pays most, and the survivors folded away as diffs, as
// many as fit.
func Markdown(w io.Writer, r *mutate.Result, o Options) error {
	var b strings.Builder
	s := Total(r)
	fmt.Fprintf(&b, "### %s\n\n", headline(r))
	markdownFresh(&b, r, o)
	found := gaps(r)
	if len(found) > 0 {
		markdownGaps(&b, found, o)
	}
	if s.Survived > 0 {
		markdownSurvivors(&b, found, s.Survived, o)
	}
	markdownExempt(&b, r, o)
	if len(r.Notes) > 0 {
		b.WriteString("**To know about this run**\n\n")
		for i, n := range r.Notes {
			if b.Len() > markdownBytes {
				fmt.Fprintf(&b, "- … and %s more\n", count(len(r.Notes)-i, "note"))
				break
			}
			where := ""
			if n.Path != "" {
				where = o.Prefix + n.Path
				if n.Line > 0 {
					where += fmt.Sprintf(":%d", n.Line)
				}
				where = code(where) + ": "
			}
			fmt.Fprintf(&b, "- %s%s\n", where, markdownText(n.Text))
		}
	}
	_, err := io.WriteString(w, strings.TrimRight(b.String(), "\n")+"\n")
	return err
}

// markdownGaps is the table of what pays most.
func markdownGaps(b *strings.Builder, found []gap, o Options) {
	const most = 10
	b.WriteString("| mutants | where | what became of them |\n|---:|---|---|\n")
	for _, g := range found[:min(most, len(found))] {
		m := g.first()
		fmt.Fprintf(b, "| %d | %s, %s | %s |\n", len(g.Verdicts), cell(code(m.Where())), cell(code(fmt.Sprintf("%s%s:%d", o.Prefix, m.Source.Path, m.Line))), g.missing())
	}
	if more := len(found) - most; more > 0 {
		fmt.Fprintf(b, "\n… and %d more places.\n", more)
	}
	b.WriteByte('\n')
}

func markdownSurvivors(b *strings.Builder, found []gap, all int, o Options) {
	shown, advice := 0, hints{}
	for _, g := range found {
		if g.Status != mutate.Survived {
			continue
		}
		for _, v := range g.Verdicts {
			item := markdownSurvivor(v, advice, o)
			if b.Len()+len(item) > markdownBytes*9/10 {
				fmt.Fprintf(b, "%d of %s are shown; there is no room for the rest.\n\n", shown, count(all, "survivor"))
				return
			}
			b.WriteString(item)
			shown++
		}
	}
}

func markdownSurvivor(v mutate.Verdict, advice hints, o Options) string {
	m := v.Mutant
	diff := shownDiff(m)
	fence := strings.Repeat("`", max(3, 1+longestRun(diff, '`')))
	return fmt.Sprintf("<details><summary><code>%s</code> %s%s</summary>\n\n%sdiff\n%s%s\n\n%s\n\n%s Mutant %s, operator %s.\n\n</details>\n\n",
		html.EscapeString(visible(fmt.Sprintf("%s%s:%d", o.Prefix, m.Source.Path, m.Line))), html.EscapeString(visible(m.Where())), mark(v),
		fence, diff, fence, markdownText(flat(advice.alone(v))), markdownText(reached(v.Reaching)), code(m.ID), code(m.Op.ID))
}

// code makes a code span, in which nothing is obeyed.
func code(s string) string {
	s = visible(s)
	ticks := strings.Repeat("`", 1+longestRun(s, '`'))
	if strings.HasPrefix(s, "`") || strings.HasSuffix(s, "`") {
		s = " " + s + " "
	}
	return ticks + s + ticks
}

// cell makes a text fit for a cell of a table.
func cell(s string) string { return strings.ReplaceAll(s, "|", `\|`) }

var markdownEscapes = strings.NewReplacer(`\`, `\\`, "`", "\\`", "*", `\*`, "_", `\_`, "<", "&lt;", ">", "&gt;", "&", "&amp;",
	"[", `\[`, "]", `\]`, "#", `\#`, "|", `\|`, "~", `\~`, "@", "&#64;", "\n", " ")

// markdownText makes plain text of what may look like markup or a mention.
func markdownText(s string) string { return markdownEscapes.Replace(visible(s)) }

func longestRun(s string, c byte) int {
	longest, run := 0, 0
	for i := range len(s) {
		if s[i] != c {
			run = 0
			continue
		}
		run++
		longest = max(longest, run)
	}
	return longest
}
