//go:build linux

package exec

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"

	"assay/exec/proving"
	"assay/exec/supervisor"
	"assay/mutate"
)

// phase is how far a hunt has come.
type phase uint8

const (
	replaying  phase = iota // the calls of the suite as they are
	varying                 // with changed arguments
	shrinking               // what differs is made smaller
	confirming              // and is made once more, each side in processes of its own
	comparing               // where nothing was found, how often the changed expression had another value
	over
)

// How many inputs are tried at a time, and how often something is tried.
const (
	mostBases    = 40
	mostLater    = 15
	inRound      = 300
	mostShrinks  = 20
	mostConfirms = 8
	mostEndings  = 6
)

// hunt looks for a finding for one mutant.
type hunt struct {
	p         *prover
	at        int // index of the task
	m         *mutate.Mutant
	phase     phase
	search    mutate.Search
	bases     []*proving.Input
	differs   bool           // the changed expression had another value in some test
	all       bool           // bases are all calls of the tests that reach the change
	why       map[string]int // reasons for which recorded calls are not used
	dated     int
	entered   map[int]bool // points of functions that calls have entered
	variation *proving.Variation
	reaching  []*proving.Input // those tried that reach the change
	job       *proving.Job     // that is being tried
	digests   map[string]bool
	found     []candidate
	waited    int // rounds since something was found that is not plain
	shrinks   int
	confirms  int
	failures  int
	endings   int // inputs with which a process has ended
}

// candidate is an input of which both sides differ.
type candidate struct {
	in    *proving.Input
	looks []mutate.Look
}

func (c candidate) rank() int { return proving.Rank(c.looks[0]) }

func (p *prover) newHunt(at int, t Task) *hunt {
	h := &hunt{p: p, at: at, m: t.Mutant, search: mutate.Search{Mutant: t.Mutant, Differed: -1}, digests: map[string]bool{}, entered: map[int]bool{}}
	direct, later, why := p.recording.Inputs(p.entries(t.Mutant)...)
	h.why = why
	direct, later = h.usable(direct, why), h.usable(later, why)
	h.bases = append(spread(direct, mostBases), spread(later, mostLater)...)
	h.differs = t.Seen.Word == mutate.Differs
	h.all = len(why) == 0 && len(h.bases) == len(direct)+len(later)
	if len(h.bases) == 0 {
		return h.refuse(noCall(why))
	}
	return h
}

// usable leaves out what a test elsewhere could not hold, and what must not be called.
func (h *hunt) usable(all []*proving.Input, why map[string]int) (out []*proving.Input) {
	for _, in := range all {
		switch {
		case in.Mentions(h.p.roots):
			why["a path of this machine"]++
		case !h.p.set.mayCall(in):
			why["a function that is not to be called"]++
		default:
			out = append(out, in)
		}
	}
	return out
}

// entries gives the points of the functions that may show a change: the one that holds it, or
// all of its class or file.
func (p *prover) entries(m *mutate.Mutant) (points []int) {
	if f, ok := p.named(m); ok && m.Constant == "" {
		return []int{f.Point}
	}
	for point, f := range p.functions {
		if f.path == m.Source.Path {
			points = append(points, point)
		}
	}
	return points
}

// spread takes some of a list, from all of it.
func spread(all []*proving.Input, n int) []*proving.Input {
	if len(all) <= n {
		return all
	}
	out := slices.Clone(all[:n/2])
	rest := all[n/2:]
	for i := range n - n/2 {
		out = append(out, rest[i*len(rest)/(n-n/2)])
	}
	return out
}

// noCall says why no call that was recorded can be made again.
func noCall(why map[string]int) string {
	if len(why) == 0 {
		return "the tests were not seen to make a call that reaches the change"
	}
	var parts []string
	reasons := slices.Collect(maps.Keys(why))
	slices.SortFunc(reasons, func(a, b string) int { return cmp.Or(why[b]-why[a], cmp.Compare(a, b)) })
	for _, reason := range reasons {
		parts = append(parts, fmt.Sprintf("%s (%d)", reason, why[reason]))
	}
	return "no call that reaches the change can be made again; they need: " + firstOf(parts, 4)
}

func (h *hunt) refuse(why string) *hunt {
	h.search.Why, h.phase = why, over
	return h
}

// hurry ends a hunt because the time is up, but for what was found and is not confirmed yet.
func (h *hunt) hurry() {
	switch {
	case h.phase == over:
	case len(h.found) == 0:
		h.phase = over
	case h.phase != comparing:
		h.phase = confirming
	}
}

// isSelected reports whether the mutant is one of several in its file.
func (h *hunt) isSelected() bool { return h.p.number[h.m] != 0 }

// nextJob makes what is to be tried next; nil where the hunt is over.
func (h *hunt) nextJob() *proving.Job {
	j := &proving.Job{ID: h.at, Sides: []string{proving.Original, proving.Mutated}, Whole: !h.isSelected(), Points: []int{}}
	if h.isSelected() {
		j.Mutant = h.p.number[h.m]
		j.Place = h.p.place[j.Mutant]
	}
	if h.m.Point != mutate.FileLevel {
		j.Points = append(j.Points, cmp.Or(h.m.Entered, h.m.Point))
	}
	if h.dated > 1 || h.phase == confirming { // else the search goes on with what is checked when it is confirmed
		j.Dated = h.dated
	}
	var inputs []*proving.Input
	switch h.phase {
	case replaying:
		j.Sides = []string{proving.Original, proving.Again, proving.Mutated}
		inputs, j.Tells = h.bases, true
	case varying:
		if h.endings < mostEndings {
			inputs = h.variation.Next(min(inRound, h.p.set.Inputs-h.search.Tried))
		}
	case shrinking:
		if in := h.found[0].in; in.Changed > 0 { // else the tests make this very call
			inputs = h.p.recording.Smaller(in)
		}
	case comparing:
		j.Sides, j.Observed = []string{proving.Original}, h.at+1
		inputs = h.reaching
	case confirming:
		j.Sides, j.Fresh, j.Whole = []string{proving.Original, proving.Again, proving.Mutated}, true, true
		j.Tells = true
		j.LookAt(h.found[0].looks[0])
		if look := h.found[0].looks[0]; look.Kind == mutate.LookArgument {
			h.found[0].in = h.found[0].in.ToVariable(look.Argument)
		}
		inputs = []*proving.Input{h.found[0].in}
	}
	for _, in := range inputs {
		j.Add(in)
	}
	if len(inputs) == 0 && h.phase == shrinking {
		h.phase = confirming
		return h.nextJob()
	}
	if len(inputs) == 0 && h.phase == varying && len(h.reaching) > 0 && len(h.m.Sites) > 0 {
		h.phase = comparing
		return h.nextJob()
	}
	if len(inputs) == 0 {
		h.phase = over
		return nil
	}
	return j
}

// try makes the next step of some hunts.
func (p *prover) try(ctx context.Context, w *supervisor.Client, hunts []*hunt) error {
	var jobs []*proving.Job
	var selected []*hunt
	for _, h := range hunts {
		if h.job = h.nextJob(); h.job == nil {
			continue
		}
		if h.phase == comparing {
			if err := p.observe(ctx, w, h); err != nil {
				return err
			}
			continue
		}
		if !h.isSelected() {
			if err := p.trySwapped(ctx, w, h); err != nil {
				return err
			}
			continue
		}
		jobs, selected = append(jobs, h.job), append(selected, h)
	}
	if len(jobs) == 0 {
		return nil
	}
	answers, o, err := p.ask(ctx, w, p.texts, jobs)
	if err != nil {
		return err
	}
	if len(selected) > 1 && (!o.Done || len(o.Opened) > 0) { // one of them is to blame
		for _, h := range selected {
			if answers, o, err = p.ask(ctx, w, p.texts, []*proving.Job{h.job}); err != nil {
				return err
			}
			h.hear(answers, o)
		}
		return nil
	}
	for _, h := range selected {
		h.hear(answers, o)
	}
	return nil
}

// trySwapped makes the next step of a hunt whose mutant cannot be selected: each side has a
// process in which its file is loaded.
func (p *prover) trySwapped(ctx context.Context, w *supervisor.Client, h *hunt) error {
	sides := h.job.Sides
	original, mutant := *h.job, *h.job
	original.Sides, mutant.Sides = sides[:len(sides)-1], sides[len(sides)-1:]
	texts := maps.Clone(p.texts)
	m := h.m
	texts[m.Source.Path] = p.b.points[m.Source.Path].Probed()
	answers, o, err := p.ask(ctx, w, texts, []*proving.Job{&original})
	if err != nil {
		return err
	}
	texts[m.Source.Path] = m.Edit.Apply(m.Source.Text)
	others, o2, err := p.ask(ctx, w, texts, []*proving.Job{&mutant})
	if err != nil {
		return err
	}
	if a, is := answers[h.at]; is {
		a.Mutant = others[h.at].Mutant
		answers[h.at] = a
	}
	o.Opened = append(o.Opened, o2.Opened...)
	h.hear(answers, o)
	return nil
}

// observe finds out in how many inputs the changed expression had another value.
func (p *prover) observe(ctx context.Context, w *supervisor.Client, h *hunt) error {
	m := h.m
	h.phase = over
	seen := p.b.points[m.Source.Path].Observe([]mutate.Numbered{{Mutant: m, Number: h.job.Observed}})
	ok, err := p.e.lint.parses(seen.Text)
	if err != nil || !ok || seen.Sites[h.job.Observed] == 0 {
		return err
	}
	texts := maps.Clone(p.texts)
	texts[m.Source.Path] = seen.Text
	answers, o, err := p.ask(ctx, w, texts, []*proving.Job{h.job})
	if a, is := answers[h.at]; is && o.Done && len(a.Original) == len(h.job.Ordered) {
		h.search.Differed = 0
		for _, l := range a.Original {
			if l != nil && l.Other {
				h.search.Differed++
			}
		}
	}
	return err
}

// hear takes in what came of the hunt's job.
func (h *hunt) hear(answers map[int]proving.Answer, o *supervisor.Outcome) {
	a, ok := answers[h.at]
	switch {
	case len(o.Opened) > 0:
		h.refuse(h.changesFiles(&a, o.Opened))
	case !ok:
		if h.failures++; h.failures > 1 {
			h.refuse("the process that was to make the calls ended: " + cmp.Or(o.Last, lastLines(o.Output, 3)))
		}
	case h.phase == replaying:
		h.replayed(&a)
	case h.phase == varying:
		h.varied(&a)
	case h.phase == shrinking:
		h.shrunk(&a)
	case h.phase == confirming:
		h.confirmed(&a)
	}
}
