package report

import (
	"cmp"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"assay/mutate"
)

// A listed entry is a survivor that is shown, with those that belong to it; see sameGaps.
type listed struct {
	mutate.Verdict
	of    []mutate.Verdict
	worth worth // of the one that is worth most
}

// size is how many survivors an entry stands for.
func (l listed) size() int { return 1 + len(l.of) }

// entriesOf gives the entries of a function.
func (p *text) entriesOf(g gap) []listed {
	var out []listed
	index := map[string]int{}
	for _, v := range sorted(g.Verdicts) {
		if _, belongs := p.same[v.Mutant.ID]; !belongs {
			index[v.Mutant.ID] = len(out)
			out = append(out, listed{Verdict: v, worth: p.advice.worths.of(v)})
		}
	}
	for _, v := range sorted(g.Verdicts) {
		if id, belongs := p.same[v.Mutant.ID]; belongs {
			e := &out[index[id]]
			e.of, e.worth = append(e.of, v), min(e.worth, p.advice.worths.of(v))
		}
	}
	return out
}

// survivors prints what survived by class, function and line, the functions first in which a test
// pays most; and what is least likely to show a gap behind all the rest. A brief report has as
// many entries as fit its bound.
func (p *text) survivors() {
	var all [][]listed // by function
	var order []listed
	for _, g := range p.advice.gaps {
		if g.Status == mutate.Survived {
			all = append(all, p.entriesOf(g))
			order = append(order, all[len(all)-1]...)
		}
	}
	chosen := map[*mutate.Mutant]bool{}
	slices.SortStableFunc(order, func(a, b listed) int { return cmp.Compare(a.worth, b.worth) })
	if p.o.Brief {
		order = order[:min(briefSurvivors, len(order))]
	}
	p.left = p.total.Survived
	for _, e := range order {
		chosen[e.Mutant] = true
		p.left -= e.size()
	}
	p.listed(all, chosen, false)
	p.listed(all, chosen, true)
}

// listed prints the chosen entries, either those that are least likely to show a gap or the rest.
func (p *text) listed(all [][]listed, chosen map[*mutate.Mutant]bool, least bool) {
	type part struct {
		entries []listed
		hidden  int // survivors of the function that are not here
	}
	var classes []*Class // in the order in which they come
	parts := map[*Class][]part{}
	of := map[[2]string]*Class{}
	for _, c := range p.classes {
		of[[2]string{c.Name, c.File}] = c
	}
	for _, entries := range all {
		var cut part
		for _, e := range entries {
			switch {
			case (e.worth == worthLeast) != least:
			case chosen[e.Mutant]:
				cut.entries = append(cut.entries, e)
			default:
				cut.hidden += e.size()
			}
		}
		if cut.entries == nil {
			continue
		}
		m := cut.entries[0].Mutant
		c := of[[2]string{m.Class, m.Source.Path}]
		if parts[c] == nil {
			classes = append(classes, c)
		}
		parts[c] = append(parts[c], cut)
	}
	if least && classes != nil {
		p.heading("Least likely to show a gap: nothing was found, and survivors like these seldom show one")
	}
	for _, c := range classes {
		if least {
			p.printf("\n%s\n", p.strong(visible(c.Title())))
		} else {
			p.heading("%s: %s survived", visible(c.Title()), count(c.Score.Survived, "mutant"))
		}
		for _, part := range parts[c] {
			p.function(part.entries, part.hidden)
		}
	}
}

func (p *text) function(entries []listed, hidden int) {
	n := hidden
	var shown []mutate.Verdict
	of := map[*mutate.Mutant][]mutate.Verdict{}
	for _, e := range entries {
		n += e.size()
		shown = append(shown, e.Verdict)
		of[e.Mutant] = e.of
	}
	if name := shown[0].Mutant.Function; name != "" {
		p.printf("\n%s\n", p.strong(visible(fmt.Sprintf("In %s: %s", name, count(n, "mutant")))))
	}
	for _, b := range blocks(shown) {
		p.printf("\n")
		p.block(b, of)
	}
	if hidden > 0 {
		p.printf("\n  … and %d more in it\n", hidden)
	}
}

// block prints lines of the source once, what the changes make of them, and
// what the tests lack.
func (p *text) block(b block, of map[*mutate.Mutant][]mutate.Verdict) {
	at := p.position(b.first())
	if len(b.Verdicts) > 1 {
		at = p.positionAt(b.first(), fmt.Sprintf("%s%s:%d", p.o.Prefix, b.first().Source.Path, b.First))
	}
	p.printf("%s\n", p.strong(at))
	p.change(b, contextLines)
	for _, v := range b.Verdicts {
		if len(of[v.Mutant]) > 0 {
			lead := "and "
			if len(b.Verdicts) > 1 {
				lead = p.code[v.Mutant.ID] + ": and "
			}
			p.WriteString(wrap(lead+p.shared(v, of[v.Mutant]), "  ", p.o.Width))
		}
	}
	told := block{First: b.First, Lines: b.Lines}
	for _, v := range b.Verdicts {
		told.Verdicts = append(told.Verdicts, v)
		for _, o := range of[v.Mutant] {
			if v.Proof == nil && !isName(v.Mutant) && !holds(v.Mutant, o.Mutant) {
				told.Verdicts = append(told.Verdicts, o) // another case may be missing for it
			}
		}
	}
	p.lacking(told)
}

// lacking says what a block means for the tests: each advice once, with its
// operator, and each list of tests once.
func (p *text) lacking(b block) {
	type said struct{ op, advice string }
	var all []said
	var lists []string
	by, byList := map[said][]string{}, map[string][]string{}
	for _, v := range b.Verdicts {
		s, list := said{v.Mutant.Op.ID, p.hints.of(v)}, reached(v.Reaching)
		if by[s] == nil {
			all = append(all, s)
		}
		if byList[list] == nil {
			lists = append(lists, list)
		}
		by[s] = append(by[s], p.code[v.Mutant.ID]+mark(v))
		byList[list] = append(byList[list], p.code[v.Mutant.ID])
	}
	p.evaluated(b)
	for _, s := range all {
		op := s.op
		if len(all) > 1 || mark(b.Verdicts[0]) != "" {
			op = strings.Join(by[s], ", ") + ": " + op
		}
		p.WriteString(wrap(p.faint(op), "  ", p.o.Width))
		p.WriteString(wrap(s.advice, "  ", p.o.Width))
	}
	for _, list := range lists {
		if list == "" {
			continue
		}
		if len(lists) > 1 {
			list = strings.Join(byList[list], ", ") + ": " + list
		}
		p.WriteString(wrap(list, "  ", p.o.Width))
	}
	p.proofs(b)
}

// Meaning is what a survivor of the operator says about the tests, as long as nothing is
// known of it; see hints for what is said of a single one.
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
	return p.positionAt(m, fmt.Sprintf("%s%s:%d:%d", p.o.Prefix, m.Source.Path, m.Line, m.Column))
}

// positionAt is position with another text.
func (p *text) positionAt(m *mutate.Mutant, at string) string {
	at = visible(at)
	if p.o.EditorURL == "" {
		return at
	}
	path := filepath.Join(p.r.Root, filepath.FromSlash(m.Source.Path))
	return link(editorURL(p.o.EditorURL, path, m.Line, m.Column), at)
}
