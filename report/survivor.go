package report

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"

	"assay/mutate"
)

// survivors prints each surviving mutant, worst class first.
func (p *text) survivors() {
	for _, c := range p.classes {
		if c.Score.Survived == 0 {
			continue
		}
		p.heading("%s: %s survived", visible(c.Title()), count(c.Score.Survived, "mutant"))
		for _, v := range c.Verdicts {
			if v.Status == mutate.Survived {
				p.printf("\n")
				p.survivor(v)
			}
		}
	}
}

func (p *text) survivor(v mutate.Verdict) {
	m := v.Mutant
	p.printf("%s  %s%s\n", p.strong(p.position(m)), visible(m.Where()), p.strong(mark(v)))
	p.printf("  %s, mutant %s\n", m.Op.ID, m.ID)
	p.diff(Diff(m.Source.Text, m.Edit, contextLines))
	p.WriteString(wrap(Meaning(m.Op), "  ", p.o.Width))
	p.WriteString(wrap(reached(v.Reaching), "  ", p.o.Width))
}

// Meaning is what a survivor of the operator says about the tests.
func Meaning(op *mutate.Operator) string {
	_, rest, _ := strings.Cut(op.Doc, "\n\n")
	return strings.TrimSpace(rest)
}

// Rule is what the operator changes, in one line.
func Rule(op *mutate.Operator) string {
	first, _, _ := strings.Cut(op.Doc, "\n")
	return first
}

// reached says of which classes the tests are that run a survivor's code.
func reached(tests []mutate.TestID) string {
	if len(tests) == 0 {
		return ""
	}
	var classes []string
	n := map[string]int{}
	for _, id := range tests {
		class, _, _ := strings.Cut(visible(ShortTest(id)), "::")
		if n[class] == 0 {
			classes = append(classes, class)
		}
		n[class]++
	}
	slices.SortStableFunc(classes, func(a, b string) int { return n[b] - n[a] })
	if len(tests) == 1 {
		return "1 test of " + classes[0] + " runs this and passes."
	}
	if len(classes) == 1 {
		return fmt.Sprintf("%d tests of %s run this and pass.", len(tests), classes[0])
	}
	named := classes
	if len(classes) > classesNamed+1 { // a single one is named rather than counted
		named = classes[:classesNamed]
	}
	var parts []string
	left := len(tests)
	for _, c := range named {
		parts = append(parts, fmt.Sprintf("%d of %s", n[c], c))
		left -= n[c]
	}
	if left > 0 {
		parts = append(parts, fmt.Sprintf("%d of %d more classes", left, len(classes)-len(named)))
	}
	return fmt.Sprintf("%d tests run this and pass: %s.", len(tests), strings.Join(parts, ", "))
}

// ShortTest gives a test's name without its namespace.
func ShortTest(id mutate.TestID) string {
	class, rest, ok := strings.Cut(string(id), "::")
	if !ok {
		return string(id)
	}
	return class[strings.LastIndexByte(class, '\\')+1:] + "::" + rest
}

// position gives "src/Fare.php:12:9", as a hyperlink when a pattern is set.
func (p *text) position(m *mutate.Mutant) string {
	at := visible(fmt.Sprintf("%s%s:%d:%d", p.o.Prefix, m.Source.Path, m.Line, m.Column))
	if p.o.EditorURL == "" {
		return at
	}
	path := filepath.Join(p.r.Root, filepath.FromSlash(m.Source.Path))
	return link(editorURL(p.o.EditorURL, path, m.Line, m.Column), at)
}

// diff prints a hunk for reading: what could disturb a terminal is escaped,
// long lines are cut around the change, long changes counted.
func (p *text) diff(h Hunk) {
	p.printf("  %s\n", p.faint(h.Header()))
	for i, l := range h.Lines {
		if i == diffLines {
			p.printf("  %s\n", p.faint(fmt.Sprintf("… %s more", count(len(h.Lines)-i, "line"))))
			return
		}
		p.diffLine(l)
	}
}

func (p *text) diffLine(l DiffLine) {
	before, mark, after := excerpt(l)
	var s string
	switch l.Sign {
	case '-':
		s = p.lost("-"+before) + p.sgr("1;4;31", mark) + p.lost(after)
	case '+':
		s = p.added("+"+before) + p.sgr("1;4;32", mark) + p.added(after)
	default:
		s = " " + before + mark + after
	}
	p.printf("  %s\n", s)
}

// excerpt cuts a line into what stands before, in and behind its mark, and
// shortens each where the whole is too long to read.
func excerpt(l DiffLine) (before, mark, after string) {
	text := strings.TrimSuffix(l.Text, "\r")
	end := min(l.Mark.End, len(text))
	start := min(l.Mark.Start, end)
	before, mark, after = visible(text[:start]), visible(text[start:end]), visible(text[end:])
	if utf8.RuneCountInString(before+mark+after) <= lineChars {
		return before, mark, after
	}
	if r := []rune(before); len(r) > lineChars/3 {
		before = "…" + string(r[len(r)-lineChars/3:])
	}
	return before, clip(mark, lineChars/3), clip(after, lineChars/3)
}

func clip(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:n]) + "…"
	}
	return s
}
