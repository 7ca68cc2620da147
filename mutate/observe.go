package mutate

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"assay/mutate/syntax"
)

// Observed is the text of a file in which values of changed expressions are worked out
// beside those of the original, as far as its mutants have sites: infection, in the model
// of Ammann and Offutt, "Introduction to Software Testing". After Just, Ernst and Fraser,
// "Efficient mutation analysis by propagating and partitioning infected execution states"
// (ISSTA 2014).
type Observed struct {
	Text []byte
	// Sites has, for the number of each mutant that is observed, that of its site: the
	// lowest of its mutants' numbers.
	Sites map[int]int
	// Expressions has the source of each site on one line, cut to LongestExpression bytes.
	Expressions map[int]string
}

// Observe writes the text in which the sites of mutants tell of values, by
//
//	\PHPUnit\AssayHarness\Observer::site(N)     before the site is evaluated
//	\PHPUnit\AssayHarness\Observer::value(...)  behind it, with the original's value and what works out the mutants'
//
// and the like; see the class. Lines stay where they are. What is left out is not observed:
// mutants whose text is no expression there, or would evaluate what the original does not;
// and sites that lie across others. An object of the project may do more, when it is asked
// for a property, than to give it: who runs the text has to look at what it leaves. Pure.
func (p *Points) Observe(ms []Numbered) Observed {
	o := observer{points: p, out: Observed{Sites: map[int]int{}, Expressions: map[int]string{}}}
	byKey := map[string]*observedSite{}
	for _, m := range ms {
		for i := range m.Sites {
			changed, ok := p.changedAt(m.Mutant, &m.Sites[i])
			if !ok {
				continue
			}
			key := fmt.Sprint(m.Sites[i].Span, m.Sites[i].Operands, m.Sites[i].Truth)
			at := byKey[key]
			if at == nil {
				at = &observedSite{Site: &m.Sites[i], number: m.Number}
				byKey[key] = at
				o.sites = append(o.sites, at)
			}
			at.number = min(at.number, m.Number)
			at.mutants, at.changed = append(at.mutants, m.Number), append(at.changed, changed)
			break
		}
	}
	slices.SortFunc(o.sites, func(a, b *observedSite) int {
		return cmp.Or(a.Start-b.Start, b.End-a.End, len(a.Operands)-len(b.Operands), a.number-b.number)
	})
	o.leaveOut()
	for _, s := range o.sites {
		for _, n := range s.mutants {
			o.out.Sites[n] = s.number
		}
		o.out.Expressions[s.number] = Shortened(p.oneLine(s.Start, s.End), LongestExpression)
	}
	o.write(syntax.Span{Start: 0, End: len(p.Source.Text)}, 0)
	o.out.Text = []byte(o.text.String())
	return o.out
}

// observedSite is a site with its mutants.
type observedSite struct {
	*Site
	number  int
	mutants []int
	changed []string
}

type observer struct {
	points *Points
	noted  int             // how many of the entries of functions have their notes
	sites  []*observedSite // outer before inner
	text   strings.Builder
	out    Observed
}

// leaveOut drops the sites that lie in another one and not in one of its operands, where
// that has some: of the rest of such a site only copies are evaluated.
func (o *observer) leaveOut() {
	var kept, open []*observedSite
	for _, s := range o.sites {
		for len(open) > 0 && open[len(open)-1].End <= s.Start {
			open = open[:len(open)-1]
		}
		fits := func(outer *observedSite) bool {
			return outer.Contains(s.Span) && (len(outer.Operands) == 0 && outer.Span != s.Span ||
				slices.ContainsFunc(outer.Operands, func(in syntax.Span) bool { return in.Contains(s.Span) }))
		}
		if !slices.ContainsFunc(open, func(outer *observedSite) bool { return !fits(outer) }) {
			kept, open = append(kept, s), append(open, s)
		}
	}
	o.sites = kept
}

// write writes the bytes of a span with the sites from one on that lie in it, and gives the
// first site behind.
func (o *observer) write(at syntax.Span, next int) int {
	start := at.Start
	for next < len(o.sites) && o.sites[next].Start < at.End {
		s := o.sites[next]
		o.plain(start, s.Start)
		next = o.site(s, next+1)
		start = s.End
	}
	o.plain(start, at.End)
	return next
}

// plain writes bytes as they are, with notes at the entries of functions.
func (o *observer) plain(start, end int) {
	src := o.points.Source.Text
	for ; o.noted < len(o.points.entries) && o.points.entries[o.noted].offset <= end; o.noted++ {
		at := o.points.entries[o.noted].offset
		o.text.Write(src[start:at])
		o.text.WriteString(entryNote(o.points.Source.Path))
		start = at
	}
	o.text.Write(src[start:end])
}

const observerClass = `\PHPUnit\AssayHarness\Observer::`

// site writes one site; next is the first that may lie in it.
func (o *observer) site(s *observedSite, next int) int {
	src := o.points.Source.Text
	name, params := "value", "()"
	if s.Truth {
		name = "truth"
	}
	if len(s.Operands) > 0 {
		name += "Of"
		var list []string
		for i := range s.Operands {
			list = append(list, operandName(i))
		}
		params = "(" + strings.Join(list, ",") + ")"
	}
	fmt.Fprintf(&o.text, ` %s%s(%ssite(%d),`, observerClass, name, observerClass, s.number) // the blank: it may stand behind a keyword
	if len(s.Operands) == 0 {
		next = o.write(s.Span, next)
	} else {
		o.text.WriteString("[")
		at := s.Start
		for _, in := range s.Operands {
			o.text.WriteString(strings.Repeat("\n", strings.Count(string(src[at:in.Start]), "\n")))
			next = o.write(in, next)
			o.text.WriteString(",")
			at = in.End
		}
		o.text.WriteString(strings.Repeat("\n", strings.Count(string(src[at:s.End]), "\n")) + "],")
		o.text.WriteString("fn" + params + "=>" + o.points.withOperands(s.Site, Edit{}))
	}
	fmt.Fprintf(&o.text, `,isset(%s$off[%d])?null:[`, observerClass, s.number)
	for i, n := range s.mutants {
		fmt.Fprintf(&o.text, "%d=>fn%s=>%s,", n, params, s.changed[i])
	}
	o.text.WriteString("])")
	return next
}

func operandName(i int) string { return fmt.Sprintf("$assay%d", i) }

// withOperands gives the text of a site, with an edit made unless that is the zero one, and
// variables in place of the operands, on one line.
func (p *Points) withOperands(s *Site, e Edit) string {
	var out strings.Builder
	at := s.Start
	edits := make([]Edit, 0, len(s.Operands)+1)
	for i, in := range s.Operands {
		edits = append(edits, Edit{in, operandName(i)})
	}
	if e != (Edit{}) {
		edits = append(edits, e)
		slices.SortStableFunc(edits, func(a, b Edit) int { return cmp.Or(a.Start-b.Start, a.End-b.End) })
	}
	for _, x := range edits {
		out.WriteString(p.oneLine(at, x.Start) + x.New)
		at = x.End
	}
	return out.String() + p.oneLine(at, s.End)
}

// changedAt gives the expression that a mutant has at a site; ok is false where that is no
// expression by itself, or could have effects that the original does not have.
func (p *Points) changedAt(m *Mutant, s *Site) (text string, ok bool) {
	if text = s.changed; text == "" {
		text = p.withOperands(s, m.Edit)
	}
	f, err := syntax.Parse("", []byte("<?php "+text+";"))
	if err != nil || len(f.Damage) > 0 || strings.ContainsAny(m.Edit.New, "\r\n") {
		return "", false
	}
	var whole *syntax.Node
	for _, c := range f.Root.NamedChildren() {
		switch {
		case c.Is("php_tag"):
		case c.Is("expression_statement") && whole == nil && len(c.NamedChildren()) == 1:
			whole = c.NamedChildren()[0]
		default:
			return "", false
		}
	}
	if whole == nil || whole.Bad || f.Text(whole) != text {
		return "", false
	}
	if !s.closed && topOf(f, whole) < s.top {
		return "", false // it would be put together with its neighbours in another way
	}
	check := placer{file: f, pure: map[*syntax.Node]bool{}}
	return guarded(f, whole), check.isPure(whole) && usesOperands(f, whole, len(s.Operands))
}

// loose are the operators by which PHP looks into objects and arrays, however deep they are.
var loose = words("== != <> < > <= >= <=>")

// guarded gives an expression whose loose comparisons are made by the observer, which does
// not look into what may have no end: PHP gives up the process there.
func guarded(f *syntax.File, whole *syntax.Node) string {
	var edits []Edit
	whole.Walk(func(n *syntax.Node) bool {
		if operator := n.Child("operator"); n.Is("binary_expression") && operator != nil && loose[operator.Kind] {
			edits = append(edits, Edit{syntax.Span{Start: n.Start, End: n.Start}, observerClass + "loosely("},
				Edit{operator.Span, fmt.Sprintf(",'%s',", operator.Kind)}, Edit{syntax.Span{Start: n.End, End: n.End}, ")"})
		}
		return true
	})
	slices.SortStableFunc(edits, func(a, b Edit) int { return cmp.Or(a.Start-b.Start, a.End-b.End) })
	var out strings.Builder
	at := whole.Start
	for _, e := range edits {
		out.Write(f.Src[at:e.Start])
		out.WriteString(e.New)
		at = e.End
	}
	out.Write(f.Src[at:whole.End])
	return out.String()
}

// usesOperands reports whether an expression evaluates all operands, once each, in their
// order, whatever their values are.
func usesOperands(f *syntax.File, whole *syntax.Node, n int) bool {
	next, ok := 0, true
	whole.Walk(func(c *syntax.Node) bool {
		name := ""
		if c.Is("variable_name") {
			name = f.Text(c)
		}
		if !strings.HasPrefix(name, "$assay") {
			return ok
		}
		ok = ok && next < n && name == operandName(next)
		next++
		for at := c; ok && at != whole; {
			around := expressionAround(at)
			ok = around != nil && !isConditional(around, operandIn(around, at)) && !isLookedFor(f, around)
			at = around
		}
		return ok
	})
	return ok && next == n
}

// operandIn gives the child of a node that holds another.
func operandIn(n, inner *syntax.Node) *syntax.Node {
	for inner.Parent != n {
		inner = inner.Parent
	}
	return inner
}

// oneLine gives a part of the source with blanks for line breaks between tokens.
func (p *Points) oneLine(start, end int) string {
	var out []byte
	first, _ := slices.BinarySearchFunc(p.breaks, start, func(b syntax.Span, at int) int { return cmp.Compare(b.Start, at) })
	for _, b := range p.breaks[first:] {
		if b.End > end {
			break
		}
		out = append(append(out, p.Source.Text[start:b.Start]...), ' ')
		start = b.End
	}
	return string(append(out, p.Source.Text[start:end]...))
}
