//go:build linux

package exec

import (
	"context"
	"maps"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"assay/exec/judging"
	"assay/exec/recording"
	"assay/exec/supervisor"
	"assay/mutate"
)

// Judge judges the tasks, several at a time, and gives each verdict to each, which is
// called from one goroutine at a time, in the order in which verdicts fall. When ctx
// ends Judge returns ctx.Err() at once; what was decided by then has been given.
//
// Before anything counts, each way to replay a mutant is tried on unchanged code, which
// must stay green and converge, and on code that cannot pass; see control.go.
func (e *Engine) Judge(ctx context.Context, b *Baseline, tasks []Task, each func(mutate.Verdict)) error {
	left := tasks
	once := func(context.Context, bool) (now []Task) {
		now, left = left, nil
		return now
	}
	return e.judge(ctx, b, tasks, feeding{&Feed{Next: once}, false}, each)
}

// unplayed is the verdict on a mutant that nothing reaches, or that does what the original
// does wherever it is reached.
func (j *bench) unplayed(t Task) (mutate.Verdict, error) {
	if t.Same > 0 { // PHP has compiled it when it was observed
		return j.verdict(&kase{task: t}, judging.Finding{Status: mutate.Survived, Test: -1}), nil
	}
	ok, err := j.e.lint.parses(t.Mutant.Edit.Apply(t.Mutant.Source.Text))
	v := mutate.Verdict{Mutant: t.Mutant, Status: mutate.Unreached}
	if !ok {
		v.Status = mutate.Stillborn
	}
	return v, err
}

// A kase is one mutant while it is judged.
type kase struct {
	task    Task
	subject judging.Subject
	steps   []judging.Step
	ran     map[int]bool // tests that were run on it
	time    time.Duration
	opened  map[string]bool
	whole   bool            // tests that do not reach it were run on it as well
	alone   bool            // it has been killed, and all tests that kill it by themselves are looked for
	found   judging.Finding // what killed it first, then
	kills   map[int]bool    // tests that kill it by themselves
	begun   bool            // a worker has had it
	level   level           // at which its steps were planned
	// killer is a finding that stands if what comes before it in the suite leaves the state
	// as it is recorded; see order.go.
	killer    judging.Finding
	before    []int           // segments that are replayed to know that
	doubted   map[int]bool    // tests whose kill had to happen once more; see order.go
	isThrough bool            // see through
	covered   map[int]bool    // segments that were run behind one that left another state
	left      map[string]bool // what its steps have left under names that are others in every run
}

// bench holds what the workers of one Judge share.
type bench struct {
	e        *Engine
	b        *Baseline
	schemata *schemata
	feeding  feeding
	asking   sync.Mutex
	give     func(mutate.Verdict)
	stats    *Stats
	desks    map[judging.Form][]*desk
	preload  [][2]string
	times    []int64

	mu         sync.Mutex
	suite      *judging.Suite
	waiting    map[judging.Form]map[int][]*kase // boundary => cases whose next step begins there
	cases      []*kase                          // all that were admitted
	open       int                              // those without a verdict
	rehearsed  map[rehearsal]bool
	rehearsing sync.Mutex
	ids        map[*int][]mutate.TestID
	level      level
	unreliable map[int]bool // tests that fail by chance: their outcome does not count
	redOnce    map[int]bool // tests that failed in one walker
}

// newBench makes a bench for tasks, of which none is handed to it yet; see admit.
func (e *Engine) newBench(b *Baseline, tasks []Task, f feeding, give func(mutate.Verdict)) (*bench, error) {
	j := &bench{e: e, b: b, feeding: f, give: give, desks: map[judging.Form][]*desk{}, waiting: map[judging.Form]map[int][]*kase{}, rehearsed: map[rehearsal]bool{},
		ids: map[*int][]mutate.TestID{}, stats: newStats(b), unreliable: maps.Clone(b.unreliable), redOnce: map[int]bool{}}
	j.stats.Compared = b.compared(tasks)
	j.suite = judging.NewSuite(b.rec, nil, !e.forks())
	for _, t := range b.Tests {
		j.times = append(j.times, t.Time.Microseconds())
	}
	if e.forks() {
		j.preload = b.classes
	}
	for n := range min(e.set.Jobs, max(1, len(tasks))) {
		d := &desk{bench: j, number: n + 1}
		j.desks[judging.Batched] = append(j.desks[judging.Batched], d)
		if f.apart {
			d = &desk{bench: j, number: n + 1}
		}
		j.desks[judging.Played] = append(j.desks[judging.Played], d)
	}
	var err error
	if j.schemata, err = e.combine(b, tasks); err != nil {
		return nil, err
	}
	return j, nil
}

// testPairs gives the tests of a task that pass the mutant themselves, in its order.
func (j *bench) testPairs(t Task) []int {
	return slices.DeleteFunc(slices.Clone(t.Reach), func(i int) bool {
		_, found := slices.BinarySearch(t.Pairs, j.b.rec.Tests[i].Segment)
		return !found
	})
}

// isPlanned reports whether the steps of the cases have been made.
func (j *bench) isPlanned() bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.stats.planned
}

// isCold reports whether nothing is forked.
func (j *bench) isCold() bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.suite.Cold
}

func (j *bench) pending() bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.open > 0
}

func (j *bench) each(v mutate.Verdict) { j.give(v) }

// plan makes the steps of all cases, once it is known which tests can be copied.
func (j *bench) plan(copied map[int][]string) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.stats.planned {
		return
	}
	j.stats.planned = true
	refused := j.suite.Refused
	j.suite = judging.NewSuite(j.b.rec, copied, j.suite.Cold)
	maps.Copy(refused, j.unreliable)
	j.suite.Refused, j.suite.NoBatches, j.suite.Whole = refused, j.e.set.SwapOnly, j.e.changesPlaces.Load()
	for _, c := range j.cases {
		j.planCase(c)
	}
}

// planCase makes the steps of a case. j.mu is held.
func (j *bench) planCase(c *kase) {
	c.steps = j.suite.Plan(&c.subject, &j.stats.Reasons)
	j.queue(c)
}

// queue puts a case where its next step is made. j.mu is held.
func (j *bench) queue(c *kase) {
	if c.level < j.level {
		j.lower(c)
	}
	s := c.steps[0]
	at := j.waiting[s.Form]
	if at == nil {
		at = map[int][]*kase{}
		j.waiting[s.Form] = at
	}
	at[s.Boundary] = append(at[s.Boundary], c)
}

// take gives up to n cases whose next step begins at a boundary and is made in the same
// way as the first of them.
func (j *bench) take(form judging.Form, boundary, n int) []*kase {
	j.mu.Lock()
	defer j.mu.Unlock()
	list := j.waiting[form][boundary]
	var out, left []*kase
	for _, c := range list {
		if len(out) < n && (len(out) == 0 || c.steps[0].Swap == out[0].steps[0].Swap && c.steps[0].Entry == out[0].steps[0].Entry && c.alone == out[0].alone) {
			c.begun = true
			out = append(out, c)
		} else {
			left = append(left, c)
		}
	}
	if len(left) == 0 {
		delete(j.waiting[form], boundary)
	} else {
		j.waiting[form][boundary] = left
	}
	return out
}

// next gives the first boundary from one on at which cases wait; ok is false for none.
func (j *bench) next(form judging.Form, from int) (boundary int, ok bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	for n := range j.waiting[form] {
		if n >= from && (!ok || n < boundary) {
			boundary, ok = n, true
		}
	}
	return boundary, ok
}

// walk has workers go through the suite once, and make all steps of a form.
func (j *bench) walk(ctx context.Context, form judging.Form) error {
	if _, ok := j.next(form, 0); !ok && j.isPlanned() {
		return nil
	}
	g, ctx := errgroup.WithContext(ctx)
	for _, d := range j.desks[form] {
		g.Go(func() error {
			d.form = form
			return d.walk(ctx)
		})
	}
	return g.Wait()
}

// close ends the workers.
func (j *bench) close() {
	var g errgroup.Group
	for form, desks := range j.desks {
		for n, d := range desks {
			if form == judging.Played && d == j.desks[judging.Batched][n] {
				continue
			}
			g.Go(func() error {
				d.close()
				return nil
			})
		}
	}
	g.Wait()
}

// passed notes that a step left a mutant alive, and gives the verdict after the last.
func (j *bench) passed(c *kase) {
	j.mu.Lock()
	c.steps = j.uncovered(c, c.steps[1:])
	if len(c.steps) == 0 && c.killer.Status != mutate.Unset {
		if !c.covered[j.b.rec.Tests[c.killer.Test].Segment] {
			j.mu.Unlock()
			j.decided(c, c.killer)
			return
		}
		c.steps = j.stepsAfter(c)
	}
	if len(c.steps) > 0 {
		j.queue(c)
		j.mu.Unlock()
		return
	}
	if c.found.Status == mutate.Unset && j.through(c) {
		j.mu.Unlock()
		return
	}
	j.open--
	j.mu.Unlock()
	f := judging.Finding{Status: mutate.Survived, Test: -1}
	if c.found.Status != mutate.Unset {
		f = c.found
	}
	j.each(j.verdict(c, f))
}

// decided gives the verdict on a mutant that some test has decided, or goes on to look
// for all that kill it.
func (j *bench) decided(c *kase, f judging.Finding) {
	j.mu.Lock()
	if j.doubt(c, f) || j.confirm(c, f) {
		j.mu.Unlock()
		return
	}
	if j.e.allKills && j.lookForAll(c, f) {
		j.mu.Unlock()
		return
	}
	j.open--
	j.mu.Unlock()
	j.each(j.verdict(c, f))
}

// replan has the pairs of a case that its steps have still to replay replayed in other
// ways than they were planned to be; of the present step the tests from one on.
func (j *bench) replan(c *kase, from int, played bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	c.steps = j.stepsLeft(c, from, played)
	j.queue(c)
}

// stepsLeft plans once more what a case has still to replay. j.mu is held.
func (j *bench) stepsLeft(c *kase, from int, played bool) []judging.Step {
	if c.alone {
		return j.stepsAlone(c, c.untried(from), played)
	}
	pairs := j.unresolved(c, from)
	slices.Sort(pairs)
	pairs = slices.Compact(pairs)
	if played {
		return j.suite.Play(&c.subject, pairs)
	}
	return j.planned(c, pairs)
}

// unresolved gives the pairs of a case that its steps have still to replay; of the
// present step those whose tests are from one on, in its order.
func (j *bench) unresolved(c *kase, from int) []int {
	var pairs []int
	for k, s := range c.steps {
		pairs = append(pairs, s.Segments...)
		tests := s.Tests
		if k == 0 && from > 0 {
			tests = tests[min(from, len(tests)):]
		}
		for _, t := range tests {
			pairs = append(pairs, j.b.rec.Tests[t].Segment)
		}
	}
	return pairs
}

func (j *bench) verdict(c *kase, f judging.Finding) mutate.Verdict {
	v := mutate.Verdict{Mutant: c.task.Mutant, Status: f.Status, How: f.How, Detail: f.Detail, Reaching: j.idsOf(c.task.Reach), Time: c.time}
	for _, t := range c.task.Reach {
		if c.ran[t] && (t == f.Test || j.isAsked(c, t)) {
			v.Ran++
		}
	}
	if v.Status == mutate.Survived && len(c.task.Reach) == 0 && j.b.others[c.task.Mutant.Point] {
		v.Status = mutate.Unreached // only the data of tests that are not run do
	}
	if v.Status == mutate.Survived {
		v.Seen = c.task.Seen
	}
	switch {
	case f.Name != "":
		v.Killer = mutate.TestID(f.Name)
	case f.Test >= 0 && f.Test < len(j.b.Tests):
		v.Killer = j.b.Tests[f.Test].ID
	}
	if j.e.allKills {
		for _, t := range c.task.Reach {
			if c.kills[t] {
				v.Killers = append(v.Killers, j.b.Tests[t].ID)
			}
		}
	}
	v.Rests = mutate.Rests{Opened: slices.Sorted(maps.Keys(c.opened)), Whole: c.whole}
	return v
}

// isAsked reports whether a case has a test run for the mutant's sake: others are run on the
// way from one to the next, or behind one that leaves another state, and which of these
// depends on how long they take.
func (j *bench) isAsked(c *kase, test int) bool {
	_, is := slices.BinarySearch(c.task.Pairs, j.b.rec.Tests[test].Segment)
	return is || c.subject.All || c.subject.Rebuilt[test] || !slices.ContainsFunc(c.task.Pairs, func(n int) bool { return j.b.rec.Segments[n].Kind == recording.Test })
}

// idsOf names tests. Mutants of one point share the list, which must not be written to:
// with thousands of tests it is what takes the memory.
func (j *bench) idsOf(tests []int) []mutate.TestID {
	if len(tests) == 0 {
		return nil
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if out := j.ids[&tests[0]]; len(out) == len(tests) {
		return out
	}
	out := make([]mutate.TestID, len(tests))
	for i, t := range tests {
		out[i] = j.b.Tests[t].ID
	}
	j.ids[&tests[0]] = out
	return out
}

// note takes in what was run for a case.
func (c *kase) note(tests []supervisor.TestRun, opened []string) {
	for _, t := range tests {
		if t.Test >= 0 {
			c.ran[t.Test] = true
		}
		c.time += time.Duration(t.Time) * time.Microsecond
	}
	for _, path := range opened {
		c.opened[path] = true
	}
}
