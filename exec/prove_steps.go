//go:build linux

package exec

import (
	"cmp"
	"maps"
	"slices"
	"strings"

	"assay/exec/proving"
	"assay/mutate"
)

// replayed takes in what came of the calls as they were recorded.
func (h *hunt) replayed(a *proving.Answer) {
	var good, again, idle []*proving.Input
	why := h.why
	for i, in := range h.job.Ordered {
		o, twice := proving.At(a.Original, i), proving.At(a.Again, i)
		switch {
		case o == nil || twice == nil:
			why["a process that does not end"]++
		case o.State == proving.CallFailed && in.Changed == 0 && len(in.Calls) > 1:
			if less := in.Without(o.Call); less != nil {
				again = append(again, less)
			} else {
				why["calls that fail when they are made again"]++
			}
		case o.State == proving.Warned:
			why["calls that end with a warning"]++
		case o.State != proving.Counts:
			why["calls that cannot be made again"]++
		case h.impure(o) != "":
			why[h.impure(o)]++
		case o.Digest != twice.Digest:
			why["calls that have two outcomes"]++
		case !o.Reached:
			idle = append(idle, in)
		default:
			good = append(good, in)
			h.see(a, i, in)
			if in.Changed == 0 && proving.Differ(o, proving.At(a.Mutant, i)) {
				h.search.Seen = mutate.Unasserted
			}
		}
	}
	h.count(a)
	if h.search.Seen == mutate.SeenUnset && h.differs && h.all && len(good) == len(h.job.Ordered) {
		h.search.Seen = mutate.Absorbed
	}
	if len(good) == 0 && len(again) > 0 && h.failures == 0 {
		h.failures++
		h.bases = again
		return
	}
	if h.bases = append(good, idle...); len(h.bases) == 0 {
		h.search.Tried, h.search.Reached = 0, 0
		h.refuse(refused(why))
		return
	}
	h.afterRound()
}

// refused says why calls that can be made are not used.
func refused(why map[string]int) string {
	reasons := []string{}
	for reason := range why {
		reasons = append(reasons, reason)
	}
	slices.SortFunc(reasons, func(a, b string) int { return cmp.Or(why[b]-why[a], cmp.Compare(a, b)) })
	return "no call that reaches the change can be used: " + strings.Join(reasons[:min(len(reasons), 4)], "; ")
}

// impure says what code that was run does that a test should not depend on; "" for nothing.
func (h *hunt) impure(l *proving.Line) string {
	for _, point := range l.Passed {
		if _, is := h.p.functions[point]; is {
			h.entered[point] = true
			continue
		}
		why, dated := proving.Impure(h.p.own[point])
		h.dated = max(h.dated, dated)
		if why != "" {
			return why
		}
	}
	return ""
}

// changesFiles says why calls are not made any more that have changed files.
func (h *hunt) changesFiles(a *proving.Answer, files []string) string {
	for _, l := range a.Original {
		if l != nil && h.impure(l) != "" {
			return h.impure(l)
		}
	}
	return "the calls change files: " + firstOf(files, 3)
}

// count notes how many inputs were tried and reached the change.
func (h *hunt) count(a *proving.Answer) {
	h.search.Tried += len(h.job.Ordered)
	for _, side := range [][]*proving.Line{a.Original, a.Mutant} {
		for _, l := range side {
			if l == nil {
				h.endings++
			}
		}
	}
	for i, l := range a.Original {
		if l != nil && l.Reached && l.State != proving.Refused {
			h.search.Reached++
			h.reaching = append(h.reaching, h.job.Ordered[i])
		}
	}
}

// see notes an input of which both sides differ in something that can be looked at.
func (h *hunt) see(a *proving.Answer, i int, in *proving.Input) {
	o, m := proving.At(a.Original, i), proving.At(a.Mutant, i)
	if !proving.Differ(o, m) {
		return
	}
	if looks := proving.Looks(o.Tree, m.Tree); len(looks) > 0 {
		h.found = append(h.found, candidate{in, looks[:min(len(looks), 4)]})
	}
}

// varied takes in what came of changed arguments.
func (h *hunt) varied(a *proving.Answer) {
	h.count(a)
	for i, in := range h.job.Ordered {
		o := proving.At(a.Original, i)
		if o == nil || o.State != proving.Counts {
			continue
		}
		h.see(a, i, in)
		if o.Reached && !h.digests[o.Digest] {
			h.digests[o.Digest] = true
			h.variation.Keep(in)
		}
	}
	h.afterRound()
}

// plain is the rank up to which a look is good enough to end the search.
const plain = 20

// afterRound decides how it goes on.
func (h *hunt) afterRound() {
	if h.variation == nil {
		h.variation = proving.NewVariation(h.p.recording, h.bases, h.words(), h.p.set.Seed, h.m.ID)
	}
	h.phase = varying
	if len(h.found) == 0 {
		return
	}
	slices.SortStableFunc(h.found, func(x, y candidate) int {
		return cmp.Or(x.rank()-y.rank(), min(x.in.Changed, 1)-min(y.in.Changed, 1), len(x.in.Calls)-len(y.in.Calls), x.in.Changed-y.in.Changed, x.in.Size()-y.in.Size())
	})
	h.found = h.found[:min(len(h.found), 40)]
	if h.waited++; h.found[0].rank() < plain || h.waited > 2 || h.search.Tried >= h.p.set.Inputs {
		h.phase = shrinking
	}
}

// words are the literals of the function that is changed, then of those around it.
func (h *hunt) words() *proving.Words {
	w := &proving.Words{}
	if f, ok := h.p.of(h.m); ok {
		edit := h.m.Edit
		edit.Start, edit.End = edit.Start-f.Start, edit.End-f.Start
		w.Read(h.p.text(f))
		w.Read(string(edit.Apply([]byte(h.p.text(f)))))
		w.Patterns()
	}
	w.Read(h.m.Edit.New)
	if f, ok := h.p.named(h.m); ok {
		w.Read(h.p.text(f))
	}
	for _, point := range slices.Sorted(maps.Keys(h.entered)) {
		w.Read(h.p.text(h.p.functions[point]))
	}
	w.Read(string(h.m.Source.Text))
	return w
}

// shrunk takes the first of the smaller inputs that still differs, as plainly.
func (h *hunt) shrunk(a *proving.Answer) {
	was := h.found[0]
	for i, in := range h.job.Ordered {
		o, m := proving.At(a.Original, i), proving.At(a.Mutant, i)
		if !proving.Differ(o, m) {
			continue
		}
		if looks := proving.Looks(o.Tree, m.Tree); len(looks) > 0 && proving.Rank(looks[0]) <= was.rank() && looks[0].Original.Thrown == was.looks[0].Original.Thrown {
			h.found[0] = candidate{in, looks[:min(len(looks), 4)]}
			if h.shrinks++; h.shrinks < mostShrinks {
				return
			}
			break
		}
	}
	h.phase, h.shrinks = confirming, 0
}

// confirmed takes in what one look saw in processes of their own.
func (h *hunt) confirmed(a *proving.Answer) {
	c := h.found[0]
	o, again, m := proving.At(a.Original, 0), proving.At(a.Again, 0), proving.At(a.Mutant, 0)
	if o != nil && again != nil && m != nil && o.State == proving.Counts && again.State == proving.Counts && m.State <= proving.Warned && m.State != proving.Refused && h.impure(o) == "" {
		if look, ok := proving.Confirm(c.looks[0], o.Tree, again.Tree, m.Tree); ok {
			h.search.Findings = []mutate.Finding{h.finding(c.in, look)}
			h.phase = over
			return
		}
	}
	if h.confirms++; len(c.looks) > 1 {
		h.found[0].looks = c.looks[1:]
	} else {
		h.found = h.found[1:]
	}
	if h.confirms >= mostConfirms || len(h.found) == 0 {
		h.found, h.confirms, h.waited = nil, 0, 0
		h.phase = varying
	}
}

// finding writes down what was found.
func (h *hunt) finding(in *proving.Input, look mutate.Look) mutate.Finding {
	f := mutate.Finding{Mutant: h.m, Calls: in.Calls, Looks: []mutate.Look{look}, Changed: in.Changed > 0, Tried: h.search.Tried, Differed: h.search.Differed}
	if in.From >= 0 && in.From < len(h.p.b.Tests) {
		f.From = h.p.b.Tests[in.From].ID
	}
	return f
}
