package report

import (
	"fmt"
	"strings"

	"assay/mutate"
)

// An apart is what somebody set apart for one reason: one survivor that was
// accepted, or what a comment skips in one function.
type apart struct {
	Verdicts []mutate.Verdict // by position, at least one
	Accepted bool             // was judged, and no test noticed it
	Reason   string
}

func (a apart) first() *mutate.Mutant { return a.Verdicts[0].Mutant }

// setApart lists what somebody set apart, by position.
func setApart(r *mutate.Result) []apart {
	type key struct{ file, class, function, reason string }
	index := map[key]int{}
	var out []apart
	for _, v := range sorted(r.Verdicts) {
		if v.Status != mutate.Suppressed {
			continue
		}
		m := v.Mutant
		if v.Found != mutate.Unset {
			out = append(out, apart{[]mutate.Verdict{v}, true, v.Detail})
			continue
		}
		k := key{m.Source.Path, m.Class, m.Function, m.Suppressed}
		i, ok := index[k]
		if !ok {
			i = len(out)
			index[k] = i
			out = append(out, apart{Reason: m.Suppressed})
		}
		out[i].Verdicts = append(out[i].Verdicts, v)
	}
	return out
}

// said says in a line what was set apart, without the place.
func (a apart) said() string {
	if !a.Accepted {
		return fmt.Sprintf("%s skipped by a comment", count(len(a.Verdicts), "mutant"))
	}
	m := a.first()
	return fmt.Sprintf("%s, mutant %s, accepted (%s): %s", m.Op.ID, m.ID, a.Verdicts[0].Found, Change(m))
}

// apartCount says how much was set apart, in a few words for each way; nil when
// nothing was.
func apartCount(r *mutate.Result) []string {
	accepted, skipped := 0, 0
	for _, v := range r.Verdicts {
		switch {
		case v.Status != mutate.Suppressed:
		case v.Found != mutate.Unset:
			accepted++
		default:
			skipped++
		}
	}
	var out []string
	if accepted > 0 {
		out = append(out, fmt.Sprintf("%d accepted that no test notices", accepted))
	}
	if skipped > 0 {
		out = append(out, fmt.Sprintf("%d skipped by comments in the source", skipped))
	}
	return out
}

// apart lists what somebody set apart.
func (p *text) apart() {
	found := setApart(p.r)
	if len(found) == 0 {
		return
	}
	p.heading("Set apart, and not counted")
	for _, a := range found {
		p.printf("  %s  %s: %s\n", p.position(a.first()), visible(a.first().Where()), a.said())
		p.WriteString(wrap("because "+visible(a.Reason), "    ", p.o.Width))
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
		return "Nothing is new among what no test notices."
	}
	return fmt.Sprintf("New since the result that this one is compared with: %s that no test notices.", count(n, "change"))
}

// fresh lists what is new.
func (p *text) fresh() {
	if !p.r.Compared {
		return
	}
	p.heading("%s", freshSaid(p.r))
	for _, v := range fresh(p.r) {
		p.printf("  %s  %s: %s, mutant %s, %s\n", p.position(v.Mutant), visible(v.Mutant.Where()), v.Mutant.Op.ID, v.Mutant.ID, v.Status)
	}
}

// mark says behind a place that it is new.
func mark(v mutate.Verdict) string {
	if v.New {
		return "  (new)"
	}
	return ""
}

// markdownApart folds away what somebody set apart, as much as fits.
func markdownApart(b *strings.Builder, r *mutate.Result, o Options) {
	found := setApart(r)
	if len(found) == 0 {
		return
	}
	fmt.Fprintf(b, "<details><summary>Set apart, and not counted: %s</summary>\n\n", strings.Join(apartCount(r), ", "))
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
