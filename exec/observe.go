//go:build linux

package exec

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"sort"

	"assay/exec/recording"
	"assay/exec/supervisor"
	"assay/mutate"
)

// An observation is what a further recording of unchanged code told, in which the values
// of changed expressions were worked out beside those of the original. A segment in which
// they never were others, or in which the expression is not evaluated, does the same with
// the mutant as without it: its replay would tell nothing.
type observation struct {
	number map[*mutate.Mutant]int
	site   map[int]int   // number of a mutant => its site
	known  []bool        // segment => it did what was recorded, so that what was told of it counts
	others map[int][]int // mutant => segments in which its value was another one at some time, ascending
	parts  map[int][]int // site => segments in which not all of it is known, ascending
	times  map[int]map[int]int
	// expressions and values have, by site, what is told to people.
	expressions map[int]string
	values      map[int][]string
	refused     map[int]bool // mutants of whose values some could not be worked out
}

// What Observer::take() tells of a mutant or site N is a number 4 N + one of these.
const (
	toldOther     = iota // the mutant's value was another one
	toldEvaluated        // the site was evaluated, so often
	toldPartly           // of the site not all is known
	toldDisturbed        // working out a value ran code of the project
	toldKinds
)

// disturbing gives the sites at which working out a mutant's value ran code of the project.
func disturbing(run *recording.Run) map[int]bool {
	out := map[int]bool{}
	for _, s := range run.Segments {
		for _, what := range s.Points.Points {
			if what%toldKinds == toldDisturbed {
				out[what/toldKinds] = true
			}
		}
	}
	return out
}

// Observe has the next recording work out the values of mutants; what it finds out saves
// replays.
func (e *Engine) Observe(ms []*mutate.Mutant) { e.observed = ms }

// observing are mutants with the texts in which their values are worked out.
type observing struct {
	texts  map[string][]byte
	number map[*mutate.Mutant]int
	site   map[int]int
	// expressions has the source of the sites.
	expressions map[int]string
}

// textsToObserve makes those, without some sites; nil where there is nothing to observe.
func (e *Engine) textsToObserve(files []*mutate.Points, p *probing, before *observing, without map[int]bool) (*observing, error) {
	o := &observing{map[string][]byte{}, map[*mutate.Mutant]int{}, map[int]int{}, map[int]string{}}
	byFile := map[string][]mutate.Numbered{}
	for i, m := range e.observed {
		if len(m.Sites) > 0 && !p.dropped[m.Source.Path] && (before == nil || !without[before.site[before.number[m]]]) {
			byFile[m.Source.Path] = append(byFile[m.Source.Path], mutate.Numbered{Mutant: m, Number: i + 1})
		}
	}
	isSource := map[string]bool{}
	for _, f := range files {
		path := f.Source.Path
		isSource[path] = true
		if p.texts[path] == nil {
			continue
		}
		seen := f.Observe(byFile[path])
		ok, err := e.lint.parses(seen.Text)
		if err != nil {
			return nil, err
		}
		if !ok {
			o.texts[path] = p.texts[path] // its points say when its functions are run
			continue
		}
		o.texts[path] = seen.Text
		maps.Copy(o.expressions, seen.Expressions)
		for _, m := range byFile[path] {
			if site := seen.Sites[m.Number]; site != 0 {
				o.number[m.Mutant], o.site[m.Number] = m.Number, site
			}
		}
	}
	for path, text := range p.texts {
		if !isSource[path] {
			o.texts[path] = text
		}
	}
	if len(o.number) == 0 {
		return nil, nil
	}
	return o, nil
}

// recordObserving compares the values of mutants with those of the original in a run of the
// suite. Where the project's own code is run for a mutant's value, as by PHP when it asks an
// object for a property, the run is made again without these sites.
func (e *Engine) recordObserving(ctx context.Context, files []*mutate.Points, p *probing, plain *recording.Run) (*observing, *recording.Run, error) {
	var o *observing
	var run *recording.Run
	var without map[int]bool
	for range 2 {
		next, err := e.textsToObserve(files, p, o, without)
		if next == nil || err != nil {
			return nil, nil, err
		}
		o = next
		if run, err = e.recordObserved(ctx, o, plain); err != nil {
			return nil, nil, err
		}
		if without = disturbing(run); len(without) == 0 {
			break
		}
	}
	return o, run, nil
}

// recordObserved runs the suite with these texts. Where that does not come to its end
// nothing is observed.
func (e *Engine) recordObserved(ctx context.Context, o *observing, plain *recording.Run) (*recording.Run, error) {
	w, err := e.supervisor(ctx, forObserved, 3, false)
	if err != nil {
		return nil, err
	}
	defer w.Kill()
	defer e.turns.take()()
	run, outcome, err := w.Record(ctx, supervisor.Walk{Records: "probed", Texts: o.texts, Looks: looks(plain)})
	if err != nil {
		return nil, err
	}
	if !outcome.Done {
		e.remark("While values of mutants were compared with those of the original, PHP ended in %s (%s); the tests from there on were replayed on every mutant that they reach.",
			cmp.Or(e.own(w.Facts.Root, outcome.RunName), "the suite"), cmp.Or(outcome.Last, lastLines(outcome.Output, 1)))
	}
	e.ownSuite(w.Facts.Root, &run.Suite)
	for _, values := range run.Values {
		for i, v := range values {
			values[i] = e.own(w.Facts.Root, v)
		}
	}
	return run, nil
}

// mostUnseen is how many segments there are at most between two looks at the state in the run
// in which values are compared.
const mostUnseen = 16

// looks gives the boundaries at which the state is looked at in that run: those around
// segments that changed it in the recording, and others now and then.
func looks(plain *recording.Run) []int {
	var out []int
	last := 0
	for n := range plain.Segments {
		changes := len(plain.Segments[n].Changes) > 0 || n < len(plain.Files) && len(plain.Files[n]) > 0
		next := n+1 < len(plain.Segments) && (len(plain.Segments[n+1].Changes) > 0 || len(plain.Files[n+1]) > 0)
		if n == 0 || changes || next || n+1-last >= mostUnseen || n+2 >= len(plain.Segments) {
			out, last = append(out, n+1), n+1
		}
	}
	return out
}

// observe takes in what the run told; o and run are nil where nothing could be compared.
func (b *Baseline) observe(o *observing, plain, run *recording.Run) {
	if o == nil || run == nil {
		b.seen = &observation{}
		return
	}
	b.seen = &observation{number: o.number, site: o.site, known: b.rec.Repeats(plain, run, looks(plain)),
		others: map[int][]int{}, parts: map[int][]int{}, times: map[int]map[int]int{},
		expressions: o.expressions, values: run.Values, refused: map[int]bool{}}
	for _, n := range run.Refused {
		b.seen.refused[n] = true
	}
	for n, s := range run.Segments {
		if n >= len(b.seen.known) || !b.seen.known[n] {
			continue
		}
		if t := b.rec.Segments[n].Test; t >= 0 && b.unreliable[t] {
			b.seen.known[n] = false
			continue
		}
		if slices.ContainsFunc(s.Points.Points, func(what int) bool { return what%toldKinds == toldDisturbed }) {
			b.seen.known[n] = false
			continue
		}
		b.seen.note(n, s.Points.Points, s.Points.Times)
	}
}

// note takes in what Observer::take() tells of a segment.
func (o *observation) note(segment int, told, times []int) {
	add := func(to map[int][]int, key int) {
		if list := to[key]; len(list) == 0 || list[len(list)-1] != segment {
			to[key] = append(list, segment)
		}
	}
	for i, what := range told {
		switch key := what / toldKinds; what % toldKinds {
		case toldOther:
			add(o.others, key)
		case toldEvaluated:
			if o.times[key] == nil {
				o.times[key] = map[int]int{}
			}
			o.times[key][segment] += times[i]
		case toldPartly:
			add(o.parts, key)
		}
	}
}

// differing gives those of some segments in which a mutant may make a difference; all of
// them where it was not observed.
func (b *Baseline) differing(m *mutate.Mutant, pairs []int) (out []int) {
	if b.seen == nil || b.seen.number[m] == 0 || !b.isStatement(m) {
		return pairs
	}
	n := b.seen.number[m]
	others, parts := b.seen.others[n], b.seen.parts[b.seen.site[n]]
	readers := b.texts[m.Source.Path]
	for _, s := range pairs {
		if s >= len(b.seen.known) || !b.seen.known[s] || isIn(others, s) || isIn(parts, s) || isIn(readers, s) {
			out = append(out, s)
		}
	}
	if len(out) == len(pairs) {
		out = pairs
	}
	return slices.Clip(out)
}

// isStatement reports whether nobody can see a mutant but those that run its statement, or
// read the file as text.
func (b *Baseline) isStatement(m *mutate.Mutant) bool {
	return m.Constant == "" && !b.dropped[m.Source.Path] && m.Point != mutate.FileLevel && !m.Outside && !m.Inspected
}

func isIn(ascending []int, n int) bool {
	i := sort.SearchInts(ascending, n)
	return i < len(ascending) && ascending[i] == n
}
