package exec

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"assay/mutate"
)

// Run judges the tasks, several at a time, and gives each verdict to each,
// which is called from one goroutine at a time, in the order in which verdicts
// fall. When ctx ends Run returns ctx.Err() at once; what was decided by then
// has been given.
//
// Before anything counts, each worker passes two controls by the same path as
// the mutants: an unchanged file swapped in stays green, and a file that
// throws when it is loaded is killed.
func (e *Engine) Run(ctx context.Context, s *Survey, tasks []Task, each func(mutate.Verdict)) error {
	var mu sync.Mutex
	give := func(v mutate.Verdict) {
		mu.Lock()
		defer mu.Unlock()
		if ctx.Err() == nil {
			each(v)
		}
	}
	j := newBench(e, s)
	var err error
	if e.facts.Pcntl && !e.set.Cold && !e.set.SwapOnly {
		if j.schemata, err = s.combine(tasks, e.lint.parses); err != nil {
			return err
		}
		if s.loadsCount != "" {
			e.remark("%s asks which classes are loaded, so that they cannot all be loaded before the tests"+asFile, s.loadsCount)
		}
	}
	var reached []Task
	for _, t := range tasks {
		if len(t.Tests) == 0 {
			v, err := j.untested(t)
			if err != nil {
				return err
			}
			give(v)
			continue
		}
		reached = append(reached, t)
	}
	j.unsettled.Store(fewShare(reached))
	batches := j.batches(reached)
	queue := make(chan []Task, len(batches))
	for _, b := range batches {
		queue <- b
	}
	close(queue)
	g, ctx := errgroup.WithContext(ctx)
	for n := range min(e.set.Jobs, len(batches)) {
		g.Go(func() error { return j.work(ctx, n+1, queue, tasks, give) })
	}
	return g.Wait()
}

// bench holds what the workers of one Run share.
type bench struct {
	e          *Engine
	s          *Survey
	schemata   *schemata
	mu         sync.Mutex
	controls   map[string]outcome // stage and tests => the run of unchanged code
	named      map[*int][]mutate.TestID
	rests      map[*worker]*rests
	loops      map[*mutate.Points][]byte // see countingText
	sample     *Task                     // for controls
	readers    atomic.Bool               // tests that look at files are in no sequence
	wholeOnce  sync.Once
	declares   atomic.Pointer[map[int]bool] // tests that do; nil: all that may
	wholeGreen bool                         // the suite is in the whole stage, unchanged
	stubborn   sync.Map                     // methods whose tests cannot be made anew after all
	spoiled    atomic.Bool                  // a sequence was not what it should be: there are no more
	learning   sync.Mutex
	calm       sync.Map    // group => calm, of those that are known
	ranks      sync.Map    // see ranked
	unsettled  atomic.Bool // the same of sequences with tests that share state
}

// newBench gives a bench without schemata, on which nothing was judged yet.
func newBench(e *Engine, s *Survey) *bench {
	return &bench{e: e, s: s, schemata: &schemata{}, controls: map[string]outcome{}, rests: map[*worker]*rests{}, loops: map[*mutate.Points][]byte{}}
}

// work takes tasks until there are none, replacing its worker when it dies.
func (j *bench) work(ctx context.Context, number int, queue <-chan []Task, all []Task, give func(mutate.Verdict)) error {
	d := &desk{bench: j, number: number, all: all}
	defer func() {
		if d.w != nil {
			j.e.putBack(d.w)
		}
	}()
	for batch := range queue {
		if d.w == nil { // who has yet to say what it can do
			var err error
			if d.w, err = d.ready(ctx, number, all); err != nil {
				return cmp.Or(j.e.samePHP(), err)
			}
		}
		if err := d.judgeBatch(ctx, batch, give); err != nil {
			return err
		}
	}
	return nil
}

// desk is one worker's place, at which the next takes over when it dies.
type desk struct {
	*bench
	number int
	all    []Task
	w      *worker
}

// alone judges one mutant.
func (d *desk) alone(ctx context.Context, t Task, k known) (v mutate.Verdict, err error) {
	for range 2 {
		if err := ctx.Err(); err != nil {
			return v, err
		}
		if d.w == nil {
			if d.w, err = d.ready(ctx, d.number, d.all); err != nil {
				return v, cmp.Or(d.e.samePHP(), err)
			}
		}
		d.begin(d.w)
		if v, err = d.verdict(ctx, d.w, t, k); err == nil {
			v.Rests = d.restsOf(d.w)
			return v, nil
		}
		if ctx.Err() != nil {
			return v, ctx.Err()
		}
		if isControl(err) {
			return v, err
		}
		d.w.kill()
		d.w = nil
	}
	return mutate.Verdict{Mutant: t.Mutant, Status: mutate.Broken, Detail: err.Error()}, d.e.samePHP()
}

// ready gives a worker that has passed the controls.
func (j *bench) ready(ctx context.Context, number int, all []Task) (*worker, error) {
	w, err := j.e.takeSpare(ctx, number)
	if err != nil {
		return nil, j.e.notReady(err)
	}
	if err := sameSuite(j.s.rows, w.facts.Tests); err != nil {
		return nil, err
	}
	known := j.s.known()
	known.Schemata = j.schemata.request
	rep, err := w.ask(ctx, request{Known: known})
	if err != nil {
		return nil, err
	}
	if len(rep.Whole) == 0 && known.Schemata != nil {
		j.e.remark("The sources cannot all be loaded before the tests" + asFile)
	}
	if w.whole, w.unfit = rep.Whole, nil; rep.Sequences && (rep.Anew || j.schemata.remade == nil) {
		w.unfit = map[int]bool{}
		for _, i := range rep.Unfit {
			w.unfit[i] = true
		}
	}
	w.anew, w.checked = rep.Anew, map[way]bool{}
	j.mu.Lock()
	defer j.mu.Unlock()
	for i := range all {
		if n := len(all[i].Tests); n > 0 && all[i].Mutant.Point != mutate.FileLevel && (j.sample == nil || n < len(j.sample.Tests)) {
			j.sample = &all[i]
		}
	}
	return w, nil
}

func (j *bench) request(t Task, text []byte, tests []int) runRequest {
	r := runRequest{Path: t.Mutant.Source.Path, Text: text, Mode: "judge"}
	r.Classes = j.s.heldBack(r.Path)
	if tests != nil {
		r.Tests, r.Names = tests, names(j.s.rows, tests)
	}
	return r
}

// verdict judges one mutant.
func (j *bench) verdict(ctx context.Context, w *worker, t Task, k known) (v mutate.Verdict, err error) {
	text := t.Mutant.Edit.Apply(t.Mutant.Source.Text)
	f, o, ran, err := j.ask(ctx, w, t, text, k)
	if err != nil {
		return v, err
	}
	if refused, err := j.stillborn(f, o, text); err != nil || refused {
		return mutate.Verdict{Mutant: t.Mutant, Status: mutate.Stillborn, Detail: f.Detail}, err
	}
	v = mutate.Verdict{Mutant: t.Mutant, Status: f.Status, How: f.How, Detail: f.Detail, Reaching: j.ids(t.Reach), Ran: j.reachingRun(t, ran)}
	for _, x := range ran {
		v.Time += time.Duration(x.Time) * time.Microsecond
	}
	switch {
	case f.Name != "":
		v.Killer = mutate.TestID(f.Name)
	case f.Test >= 0 && f.Test < len(j.s.Tests):
		v.Killer = j.s.Tests[f.Test].ID
	}
	if j.e.allKills && (v.Status == mutate.Killed || v.Status == mutate.TimedOut) {
		v.Killers, err = j.killers(ctx, w, t, text)
	}
	return v, err
}

// round is some tests that are run together, and what they said if that is known.
type round struct {
	tests   []int
	said    *outcome
	suspect bool
	wider   bool // they include such as do not reach the mutant
}

// rounds are those of a task, each of which decides what the one before leaves open.
func (j *bench) rounds(t Task, k known) []round {
	said := append(k.said, nil, nil)
	last := round{tests: t.Last, said: said[1]}
	out := []round{{tests: t.Tests, said: said[0]}, last}
	switch {
	case k.touch != nil && t.shares(j.s):
		out = []round{{tests: t.Touch, said: k.touch}, last}
	case said[0] == nil && t.Last != nil && !j.repeatable(t):
		out = []round{{tests: t.First, suspect: k.suspect}, {tests: slices.Concat(t.Tests, t.Last), suspect: k.suspect}}
	case said[0] == nil:
		out = []round{{tests: t.First, suspect: k.suspect}, {tests: t.Tests, suspect: k.suspect}, last}
	}
	if k.touch != nil && !t.shares(j.s) {
		out = append(out, round{tests: t.Touch, said: k.touch})
	} else {
		out = append(out, round{tests: t.Wider, wider: true})
	}
	return append(out, round{tests: t.Rest, wider: true})
}

// ask runs the rounds of a task on a changed text until one notices the change. What
// some of the tests say is held against more of them wherever the two could differ:
// tests that share state are asked with all that share it. o is what the last said, and
// ran has all that were run.
func (j *bench) ask(ctx context.Context, w *worker, t Task, text []byte, k known) (f finding, o outcome, ran []testRun, err error) {
	var tests []int
	for _, r := range j.rounds(t, k) {
		if len(r.tests) == 0 {
			continue
		}
		if tests = r.tests; r.said != nil {
			o = *r.said
			j.rest(w, o)
		} else if o, err = j.watched(ctx, w, t, text, tests, r.suspect); err != nil {
			return f, o, ran, err
		}
		ran = slices.Concat(ran, o.Tests)
		if f = judge(o); f.Status == mutate.Unset && r.wider {
			return f, o, ran, errors.New("the wider run gives no answer: " + f.Detail)
		}
		if f.Status != mutate.Survived {
			break
		}
	}
	if f.Status == mutate.Unset {
		f = finding{Status: mutate.Killed, How: mutate.Crash, Test: -1, Detail: "it ends its parent process"}
	}
	if f.ByExit {
		var all outcome
		f, all, err = j.byExit(ctx, w, t, tests, text, f, o)
		ran = slices.Concat(ran, all.Tests)
	}
	return f, o, ran, err
}

// watched runs tests on a changed text and finds out whether they end.
//
// A run that takes much longer than the tests do unchanged is stopped early
// and made again with its loops counted; see count.
//
// A run whose parent was ended by it is made again in a process of its own.
func (j *bench) watched(ctx context.Context, w *worker, t Task, text []byte, tests []int, suspect bool) (outcome, error) {
	r := j.request(t, text, tests)
	j.choose(&r, w, t)
	if suspect {
		return j.count(ctx, w, t, r)
	}
	return j.watch(ctx, w, t, r)
}

// choose has a request answered from the whole stage, if that has the mutant.
func (j *bench) choose(r *runRequest, w *worker, t Task) {
	if w.whole[t.Mutant.Source.Path] && j.schemata.anew[j.schemata.number[t.Mutant]] == nil {
		r.Mutant = j.schemata.number[t.Mutant]
		r.Place = j.schemata.place[r.Mutant]
		r.Whole = r.Place > 0
	}
}

// watch is watched for a request that is made already.
func (j *bench) watch(ctx context.Context, w *worker, t Task, r runRequest) (outcome, error) {
	r.Soft = true
	o, err := j.run(ctx, w, r)
	if err != nil {
		return o, err
	}
	if !o.Done && !o.Shut && !o.Suspect && len(o.Events) == 0 {
		// It was ended from within or for its memory; in which test is told now.
		r.Exact = true
		if o, err = j.run(ctx, w, r); err != nil {
			return o, err
		}
	}
	if o.Orphaned && o.Done {
		r.Cold = true
		if o, err = j.run(ctx, w, r); err != nil {
			return o, err
		}
	}
	if !o.Suspect {
		return o, nil
	}
	return j.count(ctx, w, t, r)
}

// byExit decides where only the end of the process speaks against a mutant: if the
// same tests on unchanged code end so as well, the whole suite is asked; all is what
// it said then.
func (j *bench) byExit(ctx context.Context, w *worker, t Task, tests []int, text []byte, f finding, o outcome) (_ finding, all outcome, err error) {
	c, err := j.control(ctx, w, t, tests, o.Stage)
	if err != nil || judge(c).Status == mutate.Survived || !sameEnd(c, o) {
		return f, all, err
	}
	if all, err = j.watched(ctx, w, t, text, nil, false); err != nil {
		return f, all, err
	}
	if f = judge(all); f.Status == mutate.Unset {
		err = errors.New("the wider run gives no answer: " + f.Detail)
	}
	return f, all, err
}

// reachingRun counts the tests that reach a mutant among those that were run.
func (j *bench) reachingRun(t Task, ran []testRun) int {
	numbers, ids := make(map[int]bool, len(t.Reach)), make(map[string]bool, len(t.Reach))
	for _, i := range t.Reach {
		numbers[i], ids[string(j.s.Tests[i].ID)] = true, true
	}
	seen := map[string]bool{}
	for _, x := range ran {
		name := x.Name
		if name == "" && x.Test >= 0 && x.Test < len(j.s.rows) {
			name = j.s.rows[x.Test].ID
		}
		if numbers[x.Test] || ids[name] {
			seen[name] = true
		}
	}
	return len(seen)
}

// stillborn reports whether PHP refuses the changed file: its parser, seen as
// a ParseError of a test, or its compiler, seen as a fatal error.
func (j *bench) stillborn(f finding, o outcome, text []byte) (bool, error) {
	suspect := f.Status == mutate.Killed && (strings.Contains(f.Detail, "ParseError") ||
		(f.How == mutate.PrematureEnd && o.Last != "" && !strings.HasPrefix(o.Last, "Uncaught")))
	if !suspect {
		return false, nil
	}
	ok, err := j.e.lint.compiles(text, j.e.dir)
	return !ok, err
}

// untested is the verdict on a mutant that no test reaches.
func (j *bench) untested(t Task) (mutate.Verdict, error) {
	ok, err := j.e.lint.parses(t.Mutant.Edit.Apply(t.Mutant.Source.Text))
	v := mutate.Verdict{Mutant: t.Mutant, Status: mutate.Unreached}
	if !ok {
		v.Status = mutate.Stillborn
	}
	return v, err
}

// ids names tests. Mutants of one point share the list, which must not be
// written to: with thousands of tests it is what takes the memory.
func (j *bench) ids(tests []int) []mutate.TestID {
	if len(tests) == 0 {
		return nil
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if out := j.named[&tests[0]]; len(out) == len(tests) {
		return out
	}
	out := make([]mutate.TestID, len(tests))
	for i, t := range tests {
		out[i] = j.s.Tests[t].ID
	}
	if j.named == nil {
		j.named = map[*int][]mutate.TestID{}
	}
	j.named[&tests[0]] = out
	return out
}
