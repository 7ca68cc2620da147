package exec

// Telling endless loops from long ones.

import (
	"context"
	"maps"
	"slices"

	"assay/mutate"
)

// How often a loop may go round once it is entered in a test before it is taken
// for endless, if by then the test has used 0.1 seconds of processor time:
// tooOften times as often as it does in the whole of that test, tooOftenAnywhere
// times as often as in the test where it does most, and at least leastTooOften
// times. Five times as often, it may not take any time at all. See Probe.php.
const (
	tooOften         = 5_000
	tooOftenAnywhere = 50
	leastTooOften    = 20_000
)

// beginCounting is to be called before notePasses.
func (s *Survey) beginCounting() {
	s.peak, s.loopBodies, s.passes = map[int]int64{}, map[int]bool{}, make([]map[int]int64, len(s.rows))
	for _, p := range s.points {
		for _, id := range p.Loops {
			s.loopBodies[id] = true
		}
	}
}

// notePasses notes how often a test's loops go round.
func (s *Survey) notePasses(t testRun) {
	for p, n := range t.Points {
		if !s.loopBodies[p] {
			continue
		}
		n := int64(n)
		s.peak[p] = max(s.peak[p], n)
		if t.Test < 0 || n*tooOften <= leastTooOften {
			continue
		}
		if s.passes[t.Test] == nil {
			s.passes[t.Test] = map[int]int64{}
		}
		s.passes[t.Test][p] = max(s.passes[t.Test][p], n)
	}
}

// count finds out about a suspect: a loop that goes round thousands of times more
// often than in any test is endless, and that shows soon. In the whole stage the
// sources have what it takes to count; else probes are put into the changed text
// and into what other sources the tests load. Where counting shows nothing (a loop
// without a body, recursion, a function of PHP's that takes long) only time can
// tell.
func (j *bench) count(ctx context.Context, w *worker, t Task, r runRequest) (outcome, error) {
	r.Soft = false
	c := r
	counted := j.limit(&c, w)
	if c.Whole {
		return j.run(ctx, w, c)
	}
	if ok, err := j.putProbes(&c, t, counted); err != nil {
		return outcome{}, err
	} else if ok {
		if o, err := j.run(ctx, w, c); err != nil || o.TimedOut || o.OverFull {
			return o, err
		}
	}
	return j.run(ctx, w, r)
}

// limit gives a request the loops of all sources that its tests load, and how
// often each may go round. It returns these sources.
func (j *bench) limit(r *runRequest, w *worker) (counted []*mutate.Points) {
	r.Count, r.Loops, r.Often = map[int]int64{}, map[int]int{}, map[int]map[int]int64{}
	tests := r.Tests
	if tests == nil {
		for i := range j.s.Tests {
			tests = append(tests, i)
		}
	}
	asked := map[int]bool{}
	for _, i := range tests {
		asked[i] = true
	}
	for path, p := range j.s.points {
		loads := path == r.Path || slices.ContainsFunc(j.s.byFile[path], func(i int) bool { return asked[i] })
		if len(p.Loops) == 0 || j.s.dropped[path] || !loads || r.Whole && !w.whole[path] {
			continue
		}
		counted = append(counted, p)
		maps.Copy(r.Loops, p.Loops)
		for _, id := range p.Loops {
			r.Count[id] = max(leastTooOften, tooOftenAnywhere*j.s.peak[id])
		}
	}
	for _, i := range tests {
		often := map[int]int64{}
		for p, n := range j.s.passes[i] {
			if limit := r.Count[p]; limit > 0 && n*tooOften > limit {
				often[p] = n * tooOften
			}
		}
		if len(often) > 0 {
			r.Often[i] = often
		}
	}
	return counted
}

// putProbes has a request swap in what counts. Not where the change and the
// probes get in each other's way.
func (j *bench) putProbes(r *runRequest, t Task, counted []*mutate.Points) (bool, error) {
	p := j.s.points[r.Path]
	if p == nil || j.s.dropped[r.Path] || len(counted) == 0 {
		return false, nil
	}
	r.Text = p.CountingWith(t.Mutant.Edit)
	if ok, err := j.e.lint.parses(r.Text); err != nil || !ok {
		return false, err
	}
	r.Others = map[string][]byte{}
	for _, other := range counted {
		if other != p {
			r.Others[other.Source.Path] = j.countingText(other)
		}
	}
	return true, nil
}

// countingText gives a file, unchanged, with its loops counted.
func (j *bench) countingText(p *mutate.Points) []byte {
	j.mu.Lock()
	defer j.mu.Unlock()
	text, ok := j.loops[p]
	if !ok {
		text = p.CountingWith(mutate.NoEdit)
		j.loops[p] = text
	}
	return text
}
