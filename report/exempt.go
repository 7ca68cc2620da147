package report

import (
	"fmt"
	"strings"

	"assay/mutate"
)

// An exemption is what the user keeps out of the score for one reason: one
// survivor that was accepted, or what a comment skips in one function.
type exemption struct {
	Verdicts []mutate.Verdict // by position, at least one
	Reason   string
}

// accepted reports whether it is an accepted survivor, and not skipped.
func (a exemption) accepted() bool { return a.Verdicts[0].Status == mutate.Accepted }

func (a exemption) first() *mutate.Mutant { return a.Verdicts[0].Mutant }

// exemptions lists what was accepted and skipped, by position.
func exemptions(r *mutate.Result) []exemption {
	type key struct{ file, class, function, reason string }
	index := map[key]int{}
	var out []exemption
	for _, v := range sorted(r.Verdicts) {
		if v.Status == mutate.Accepted {
			out = append(out, exemption{[]mutate.Verdict{v}, v.Detail})
		}
		if v.Status != mutate.Skipped {
			continue
		}
		m := v.Mutant
		k := key{m.Source.Path, m.Class, m.Function, m.Skipped}
		i, ok := index[k]
		if !ok {
			i = len(out)
			index[k] = i
			out = append(out, exemption{Reason: m.Skipped})
		}
		out[i].Verdicts = append(out[i].Verdicts, v)
	}
	return out
}

// said says in a line what it is about, without the place.
func (a exemption) said() string {
	if !a.accepted() {
		return fmt.Sprintf("skipped, %s", count(len(a.Verdicts), "mutant"))
	}
	m := a.first()
	return fmt.Sprintf("accepted, %s, mutant %s (otherwise %s): %s", m.Op.ID, m.ID, a.Verdicts[0].WouldBe, Change(m))
}

// exemptTitle says how many mutants were accepted and skipped, as a heading.
func exemptTitle(r *mutate.Result) string {
	switch s := Total(r); {
	case s.Skipped == 0:
		return fmt.Sprintf("Accepted: %s", count(s.Accepted, "mutant"))
	case s.Accepted == 0:
		return fmt.Sprintf("Skipped by comments: %s", count(s.Skipped, "mutant"))
	default:
		return fmt.Sprintf("Accepted: %s; skipped by comments: %s", count(s.Accepted, "mutant"), count(s.Skipped, "mutant"))
	}
}

// exempt lists what was accepted and skipped.
func (p *text) exempt() {
	found := exemptions(p.r)
	if len(found) == 0 {
		return
	}
	p.heading("%s", exemptTitle(p.r))
	n := p.brief(len(found))
	for _, a := range found[:n] {
		p.item(a.first(), visible(a.first().Where())+": "+a.said())
		p.WriteString(wrap("because "+visible(a.Reason), "    ", p.o.Width))
	}
	p.more(len(found)-n, "more")
}

// equivalents lists the mutants that are the same code as their original, where that is asked
// for or everything is shown.
func (p *text) equivalents() {
	if p.total.Equivalent == 0 || p.o.Brief && !p.o.Equivalents {
		return
	}
	p.heading("Equivalent: PHP compiles %s to the same code as the original", count(p.total.Equivalent, "mutant"))
	for _, v := range sorted(p.r.Verdicts) {
		if v.Status == mutate.Equivalent {
			m := v.Mutant
			p.item(m, fmt.Sprintf("%s: %s, mutant %s (otherwise %s): %s", visible(m.Where()), m.Op.ID, m.ID, v.WouldBe, Change(m)))
		}
	}
}

// fresh gives the verdicts that are new against the result before, by position.
func fresh(r *mutate.Result) []mutate.Verdict {
	var out []mutate.Verdict
	for _, v := range sorted(r.Verdicts) {
		if v.New {
			out = append(out, v)
		}
	}
	return out
}

// freshSaid says how many are new; "" when nothing was compared.
func freshSaid(r *mutate.Result) string {
	if !r.Compared {
		return ""
	}
	n := len(fresh(r))
	if n == 0 {
		return "No mutant that survived or is unreached is new."
	}
	return fmt.Sprintf("New since the result that this one is compared with: %s, survived or unreached.", count(n, "mutant"))
}

// fresh lists what is new.
func (p *text) fresh() {
	if !p.r.Compared {
		return
	}
	p.heading("%s", freshSaid(p.r))
	found := fresh(p.r)
	n := p.brief(len(found))
	for _, v := range found[:n] {
		p.item(v.Mutant, fmt.Sprintf("%s: %s, mutant %s, %s", visible(v.Mutant.Where()), v.Mutant.Op.ID, v.Mutant.ID, v.Status))
	}
	p.more(len(found)-n, "more")
}

// mark says behind a place that it is new.
func mark(v mutate.Verdict) string {
	if v.New {
		return "  (new)"
	}
	return ""
}

// markdownExempt folds away what was accepted and skipped, as much as fits.
func markdownExempt(b *strings.Builder, r *mutate.Result, o Options) {
	found := exemptions(r)
	if len(found) == 0 {
		return
	}
	fmt.Fprintf(b, "<details><summary>%s</summary>\n\n", exemptTitle(r))
	for i, a := range found {
		m := a.first()
		item := fmt.Sprintf("- %s, %s: %s, because %s\n", code(fmt.Sprintf("%s%s:%d", o.Prefix, m.Source.Path, m.Line)), code(m.Where()), markdownText(a.said()), markdownText(a.Reason))
		if b.Len()+len(item) > markdownBytes {
			fmt.Fprintf(b, "- … and %d more\n", len(found)-i)
			break
		}
		b.WriteString(item)
	}
	b.WriteString("\n</details>\n\n")
}

// markdownFresh lists what is new, as much as fits in a tenth of the text.
func markdownFresh(b *strings.Builder, r *mutate.Result, o Options) {
	found, begin := fresh(r), b.Len()
	if len(found) > 0 {
		b.WriteString("**New**\n\n")
	}
	for i, v := range found {
		m := v.Mutant
		if b.Len()-begin > markdownBytes/10 {
			fmt.Fprintf(b, "- … and %d more\n", len(found)-i)
			break
		}
		fmt.Fprintf(b, "- %s, %s: %s, mutant %s, %s\n", code(fmt.Sprintf("%s%s:%d", o.Prefix, m.Source.Path, m.Line)), code(m.Where()), code(Change(m)), code(m.ID), v.Status)
	}
	if len(found) > 0 {
		b.WriteByte('\n')
	}
}
