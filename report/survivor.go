package report

import (
	"fmt"
	"path/filepath"
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
		p.heading("%s: %s that no test notices", visible(c.Title()), count(c.Score.Survived, "change"))
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

// reached says which tests run the code, in the order in which they ran.
func reached(tests []mutate.TestID) string {
	if len(tests) == 0 {
		return ""
	}
	var names []string
	for _, id := range tests[:min(testsNamed, len(tests))] {
		names = append(names, visible(ShortTest(id)))
	}
	list := strings.Join(names, ", ")
	if more := len(tests) - len(names); more > 0 {
		list += fmt.Sprintf(" and %d more", more)
	}
	if len(tests) == 1 {
		return "1 test runs this code and stays green: " + list
	}
	return fmt.Sprintf("%d tests run this code and stay green: %s", len(tests), list)
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
