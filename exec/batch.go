//go:build linux

package exec

import (
	"context"
	"slices"
	"strings"

	"assay/exec/judging"
	"assay/exec/recording"
	"assay/exec/supervisor"
	"assay/exec/wire"
	"assay/mutate"
)

// rehearsal is a test at a boundary: a copy of it, unchanged, must pass there before it
// judges anything.
type rehearsal struct {
	boundary, test int
}

// batch makes the next steps of some cases in as few processes as it takes. When it fails
// it has left those whose steps have not been made.
func (d *desk) batch(ctx context.Context, boundary int, left *[]*kase) error {
	cases := *left
	if err := d.reach(ctx, boundary); err != nil {
		return err
	}
	if err := d.rehearse(ctx, boundary, cases); err != nil {
		return err
	}
	cases = d.withoutRefusedTests(cases)
	*left = cases
	if len(cases) == 0 {
		return nil
	}
	if err := d.control(ctx, cases[0]); err != nil {
		return err
	}
	for len(cases) > 0 {
		o, err := d.replay(ctx, "batch", d.batchOf(cases), len(cases))
		if err != nil {
			return err
		}
		cases = d.takeIn(o, cases)
		*left = cases
	}
	return nil
}

// batchOf asks for a batch; each list of tests is in it once.
func (d *desk) batchOf(cases []*kase) supervisor.Replay {
	step := cases[0].steps[0]
	r := supervisor.Replay{From: supervisor.FromWalker, Soft: d.e.suspects.limit(),
		Job: wire.Job{Kind: wire.Batch, Swap: step.Swap, All: cases[0].alone}}
	lists := map[*int]int{}
	for _, c := range cases {
		tests := c.steps[0].Tests
		at, ok := lists[&tests[0]]
		if !ok {
			at = len(r.Job.Lists)
			lists[&tests[0]] = at
			r.Job.Lists = append(r.Job.Lists, tests)
		}
		part := [3]int{0, 0, at}
		if c.subject.Entry == judging.Selected {
			n := d.schemata.number[c.task.Mutant]
			part[0], part[1] = d.schemata.place[n], n
		}
		r.Job.Parts = append(r.Job.Parts, part)
		if step.Swap {
			m := c.task.Mutant
			if r.Sources == nil {
				r.Sources = map[string][]byte{}
			}
			r.Sources[m.Source.Path] = m.Source.Text
			r.Edits = append(r.Edits, supervisor.FileEdit{Path: m.Source.Path, Edit: m.Edit})
		}
	}
	d.mayLeave(&r.Job)
	if step.Entry == judging.Swapped { // each needs a process in which its file is not loaded yet
		r.Job.Parts, r.Edits = r.Job.Parts[:1], r.Edits[:1]
	}
	return r
}

// mayLeave tells a batch which tests leave what has another name in every run.
func (d *desk) mayLeave(job *wire.Job) {
	for _, t := range slices.Concat(job.Lists...) {
		if d.b.rec.LeavesOwn(d.b.rec.Tests[t].Segment) {
			job.Own = append(job.Own, t)
		}
	}
	slices.Sort(job.Own)
	if job.Own = slices.Compact(job.Own); len(job.Own) > 0 {
		job.Known = d.b.rec.DeclaredRoots()
	}
}

// replay makes a replay and counts it.
func (d *desk) replay(ctx context.Context, way string, r supervisor.Replay, steps int) (*supervisor.Outcome, error) {
	defer d.e.turns.take()()
	o, err := d.w.Replay(ctx, r)
	if err != nil {
		return nil, err
	}
	d.count(way, steps, o.Wall, o.Faults)
	return o, nil
}

// takeIn notes what a batch says of its cases, and gives those that it did not come to.
func (d *desk) takeIn(o *supervisor.Outcome, cases []*kase) (left []*kase) {
	for i := range o.Parts {
		d.judgePart(&o.Parts[i], cases[i])
	}
	left = cases[len(o.Parts):]
	if len(left) == 0 || o.Ended {
		return left
	}
	// The process ended while this mutant's tests were run, or was ended: from the test
	// that was running on they are played, and looked at more closely.
	c := left[0]
	c.note(o.Tests[countTests(o):], o.Opened)
	at := max(0, slices.Index(c.steps[0].Tests, o.Running))
	if c.alone {
		at = 0 // of those before it nothing was told
	}
	d.why(judging.Suspicious, 1)
	if at < len(c.steps[0].Tests) && !c.alone {
		d.suspect(c, at)
	} else {
		d.replan(c, at, true)
	}
	return left[1:]
}

// suspect has one test of a batch played, and those behind it replayed as they were
// planned to be if that is green: how soon a process was suspected depends on the time, and
// which test kills a mutant must not.
func (d *desk) suspect(c *kase, at int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	steps := d.suite.Play(&c.subject, []int{d.b.rec.Tests[c.steps[0].Tests[at]].Segment})
	if len(c.steps[0].Tests) > at+1 || len(c.steps) > 1 {
		steps = append(steps, d.stepsLeft(c, at+1, false)...)
	}
	c.steps = steps
	d.queue(c)
}

// countTests is how many of the tests of an outcome belong to its parts.
func countTests(o *supervisor.Outcome) int {
	n := 0
	for _, p := range o.Parts {
		n += len(p.Tests)
	}
	return min(n, len(o.Tests))
}

func (j *bench) why(r judging.Reason, n int) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.stats.Reasons[r] += n
}

// judgePart says what the tests of one mutant in a batch mean.
func (d *desk) judgePart(p *supervisor.Part, c *kase) {
	step := c.steps[0]
	c.note(p.Tests, p.Opened)
	if !step.Swap && d.readsSource(p.Opened) {
		d.replan(c, 0, true) // what it read was not changed
		return
	}
	ran := step.Tests[:min(len(p.Tests), len(step.Tests))]
	if len(p.Left) > 0 && d.counts(&supervisor.Part{Left: p.Left}, ran) {
		d.replan(c, 0, true) // none of the tests should have been run behind that
		return
	}
	if c.alone {
		d.eachOf(p, c)
		return
	}
	if f, red := d.red(p.Events); red {
		if !d.refusedByPHP(c, f) {
			d.decided(c, f)
		}
		return
	}
	for at, t := range ran {
		if d.holdsOther(d.b.rec.Tests[t].Segment, p.Held[t]) {
			d.replan(c, at, true)
			return
		}
	}
	if d.isKnown(c, d.ownOf(p, ran)) {
		return
	}
	if !d.counts(p, ran) {
		if len(p.Tests) < len(step.Tests) { // ended for what does not count
			d.replan(c, len(p.Tests), false)
			return
		}
		d.passed(c)
		return
	}
	// The last test that was run is green and has diverged: it is played from its own
	// boundary on, and what was not run yet with it.
	d.replan(c, max(0, len(p.Tests)-1), true)
}

// holdsOther reports whether a test holds something else than in the recording, which shows
// only when the process ends.
func (d *desk) holdsOther(segment int, held string) bool {
	was := d.b.rec.Segments[segment].Held
	return was != recording.AnyHeld && was != held
}

// counts reports whether what some tests left makes a difference: not what has a name of
// its own in every run.
func (d *desk) counts(p *supervisor.Part, tests []int) bool {
	if len(p.Changes)+len(p.Left)+len(p.Files) == 0 {
		return false
	}
	segments := d.segmentsOf(tests)
	return d.b.rec.Counts(withFiles(p.Changes, p.Files), d.at, segments) || d.b.rec.Counts(p.Left, d.at, segments)
}

// ownOf gives what some tests left under names of their own.
func (d *desk) ownOf(p *supervisor.Part, tests []int) []string {
	if len(p.Changes)+len(p.Left)+len(p.Files) == 0 {
		return nil
	}
	segments := d.segmentsOf(tests)
	return append(d.b.rec.Own(withFiles(p.Changes, p.Files), segments), d.b.rec.Own(p.Left, segments)...)
}

func (j *bench) segmentsOf(tests []int) []int {
	out := make([]int, len(tests))
	for i, t := range tests {
		out[i] = j.b.rec.Tests[t].Segment
	}
	return out
}

// readsSource reports whether a source was opened that the walker has loaded.
func (d *desk) readsSource(opened []string) bool {
	return slices.ContainsFunc(opened, func(path string) bool {
		n, loaded := d.b.rec.LoadedIn(path)
		return path == supervisor.Everything || d.b.points[path] != nil && loaded && n < d.at
	})
}

// refusedByPHP gives the verdict on a mutant that PHP refuses: its parser, seen as a
// ParseError of a test, or its compiler, seen as a fatal error.
func (d *desk) refusedByPHP(c *kase, f judging.Finding) bool {
	suspect := f.Status == mutate.Killed && (strings.Contains(f.Detail, "ParseError") ||
		f.How == mutate.PrematureEnd && f.Detail != "" && !strings.HasPrefix(f.Detail, "Uncaught") && !strings.Contains(f.Detail, "the process ended with status"))
	if !suspect {
		return false
	}
	m := c.task.Mutant
	refused, err := d.e.stillborn(m.Edit.Apply(m.Source.Text))
	if err != nil || !refused {
		return false
	}
	c.found = judging.Finding{Status: mutate.Stillborn, Test: -1, Detail: f.Detail}
	d.mu.Lock()
	d.open--
	d.mu.Unlock()
	d.each(mutate.Verdict{Mutant: m, Status: mutate.Stillborn, Detail: f.Detail})
	return true
}

// rehearse runs copies of the tests, unchanged, that have not been run at a boundary yet.
func (d *desk) rehearse(ctx context.Context, boundary int, cases []*kase) error {
	var tests []int
	for _, c := range cases {
		tests = append(tests, c.steps[0].Tests...)
	}
	return d.rehearseTests(ctx, boundary, tests)
}

func (d *desk) rehearseTests(ctx context.Context, boundary int, all []int) error {
	var tests []int
	d.rehearsing.Lock() // who finds a test rehearsed must know how that went
	defer d.rehearsing.Unlock()
	d.mu.Lock()
	for _, t := range all {
		if k := (rehearsal{boundary, t}); !d.rehearsed[k] {
			d.rehearsed[k] = true
			tests = append(tests, t)
		}
	}
	d.mu.Unlock()
	for len(tests) > 0 {
		r := supervisor.Replay{From: supervisor.FromWalker, Job: wire.Job{Kind: wire.Batch, Tells: true}}
		for i, t := range tests {
			r.Job.Parts = append(r.Job.Parts, [3]int{0, 0, i})
			r.Job.Lists = append(r.Job.Lists, []int{t})
		}
		d.mayLeave(&r.Job)
		o, err := d.replay(ctx, "rehearsal", r, 0)
		if err != nil {
			d.mu.Lock()
			for _, t := range tests {
				delete(d.rehearsed, rehearsal{boundary, t})
			}
			d.mu.Unlock()
			return err
		}
		for i, p := range o.Parts {
			if !d.asRecorded(&p, tests[i]) {
				d.refuse(tests[i])
			}
		}
		n := len(o.Parts)
		if tests = tests[n:]; len(tests) > 0 && !o.Ended {
			d.refuse(tests[0]) // the process ended in it
			tests = tests[1:]
		}
	}
	return nil
}

// asRecorded reports whether a copy of a test did what the test did in the recording.
func (d *desk) asRecorded(p *supervisor.Part, test int) bool {
	if _, red := d.red(p.Events); red || d.counts(p, []int{test}) || len(p.Tests) != 1 || !p.Tests[0].Ended {
		return false
	}
	was := d.b.rec.Tests[test]
	outcome := "passed"
	for _, e := range p.Events {
		outcome = e.Kind
	}
	return outcome == was.Outcome && p.Tests[0].Assertions == was.Assertions && d.entersSame(p.Entered, was.Segment)
}

// entersSame reports whether the functions that a copy of a test has entered, of sources with
// mutants in them, are those that the test entered. They are not where some of its work has
// been done by a test before it, and that it has been done is no value that could be seen.
func (d *desk) entersSame(entered []int, segment int) bool {
	in := map[int]bool{}
	for _, p := range entered {
		in[p] = true
	}
	passed := d.b.rec.Segments[segment].Points
	for path := range d.schemata.texts {
		if n, ok := d.b.rec.LoadedIn(path); !ok || n >= d.at {
			continue // it may have been loaded without notes
		}
		for _, p := range d.b.points[path].Entries() {
			if _, was := slices.BinarySearch(passed, p); was != in[p] {
				return false
			}
		}
	}
	return true
}

func (j *bench) refuse(test int) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if !j.suite.Refused[test] {
		j.suite.Refused[test] = true
		j.stats.Reasons[judging.Refused]++ // at least one pair
	}
}

// withoutRefusedTests replans the cases some of whose tests were refused.
func (d *desk) withoutRefusedTests(cases []*kase) []*kase {
	var out []*kase
	for _, c := range cases {
		d.mu.Lock()
		bad := slices.ContainsFunc(c.steps[0].Tests, func(t int) bool { return d.suite.Refused[t] })
		d.mu.Unlock()
		if bad {
			d.replan(c, 0, false)
		} else {
			out = append(out, c)
		}
	}
	return out
}
