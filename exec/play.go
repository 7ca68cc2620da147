//go:build linux

package exec

import (
	"cmp"
	"context"
	"errors"
	"maps"
	"slices"

	"assay/exec/judging"
	"assay/exec/recording"
	"assay/exec/supervisor"
	"assay/exec/wire"
	"assay/mutate"
)

// performance is a replay that is played.
type performance struct {
	d       *desk
	step    judging.Step
	pairs   []int
	r       supervisor.Replay
	state   *recording.Tracker
	files   map[string]string
	asked   int         // the segment at which it was told to go on
	by      map[int]int // where it was told to go on by itself; see judging.Suite.Then
	away    int         // at how many looks in a row its state was not the recording's
	loud    bool        // it stops behind every segment
	toEnd   bool        // something is left that shows only when the process ends
	other   bool        // the suite that was built is not the recording's
	own     bool        // files have their own text, so that it need not stop before segments that read sources
	whole   bool        // tests were run besides those of pairs
	covered []int       // segments that were run in another state than the recording's
	tests   []supervisor.TestRun
	opened  []string
}

// rest is a segment behind all that there are: what is left is only torn down.
const rest = 1 << 30

// play makes the next step of a case.
func (d *desk) play(ctx context.Context, c *kase) error {
	step := c.steps[0]
	for {
		if err := d.control(ctx, c); err != nil {
			return err
		}
		if err := d.reach(ctx, step.Boundary); err != nil {
			return err
		}
		if d.checked[d.wayOf(step)] { // else it has gone back to a walker on which no control was made
			break
		}
	}
	p := d.performanceOf(c, step)
	f, err := p.run(ctx)
	if err == nil && f.Status == mutate.Unset {
		f, err = d.count2(ctx, c, step, p)
	}
	if err != nil {
		return err
	}
	c.note(p.tests, p.opened)
	c.whole = c.whole || p.whole
	switch {
	case step.Alone:
		d.tried(c, f)
	case d.refusedByPHP(c, f):
	case f.Status == mutate.Survived && d.isKnown(c, p.state.Own()):
	case f.Status == mutate.Survived:
		d.cover(c, p)
		d.passed(c)
	default:
		d.decided(c, f)
	}
	return nil
}

// cover notes which segments a replay has run in another state than the recording's.
func (d *desk) cover(c *kase, p *performance) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if p.step.Through {
		for n := p.step.Boundary; n < len(d.b.rec.Segments); n++ {
			c.covered[n] = true
		}
		c.isThrough = c.isThrough || p.step.Boundary <= c.subject.Pairs[0]
	}
	for _, n := range p.covered {
		c.covered[n] = true
	}
	if p.other { // all of another suite was run
		for n := range d.b.rec.Segments {
			c.covered[n] = true
		}
	}
}

// count2 plays a step again whose tests took much longer than they do unchanged, and
// counts how often loops go round.
func (d *desk) count2(ctx context.Context, c *kase, step judging.Step, before *performance) (judging.Finding, error) {
	p := d.performanceOf(c, step)
	p.r.Soft = 0
	d.b.limit(&p.r.Job)
	if step.Entry == judging.Swapped {
		d.countingText(p, c)
	}
	f, err := p.run(ctx)
	before.tests, before.opened, before.whole = p.tests, append(before.opened, p.opened...), before.whole || p.whole
	before.covered, before.other = p.covered, p.other
	if err == nil && f.Status == mutate.Unset {
		f = judging.Finding{Status: mutate.Killed, How: mutate.Crash, Test: -1, Detail: "it ends its parent process"}
	}
	return f, err
}

// countingText puts probes of loops into the changed file that a replay has in place.
func (d *desk) countingText(p *performance, c *kase) {
	m := c.task.Mutant
	points := d.b.points[m.Source.Path]
	reads := slices.ContainsFunc(p.pairs, func(n int) bool { return len(d.b.rec.Segments[n].Reads) > 0 })
	if points == nil || d.b.dropped[m.Source.Path] || reads { // other processes do not know of probes
		return
	}
	text := points.CountingWith(m.Edit)
	if ok, err := d.e.lint.parses(text); err == nil && ok {
		p.r.Swap = map[string][]byte{m.Source.Path: text}
	}
}

// performanceOf prepares for a step of a case.
func (d *desk) performanceOf(c *kase, step judging.Step) *performance {
	m := c.task.Mutant
	p := d.prepare(step)
	if step.Entry == judging.Selected {
		n := d.schemata.number[m]
		p.r.Job.Place, p.r.Job.Mutant = d.schemata.place[n], n
	}
	p.r.Changed = map[string][]byte{m.Source.Path: m.Edit.Apply(m.Source.Text)}
	if !p.own && p.reads(p.r.Job.Next) {
		p.r.Own, p.own = true, true
		p.look()
	}
	if step.Swap && !p.own { // else it is in place with the others' own text
		p.r.Swap = p.r.Changed
	}
	return p
}

func (d *desk) prepare(step judging.Step) *performance {
	p := &performance{d: d, step: step, pairs: step.Segments, files: map[string]string{}, whole: step.Through}
	p.r = supervisor.Replay{From: supervisor.FromWalker, Soft: d.e.suspects.limit(), Job: wire.Job{Kind: wire.Play}}
	if step.Boundary == 0 {
		p.r.From, p.r.Own, p.own = supervisor.FromFirst, true, true
		if !d.e.forks() || d.isCold() {
			p.r.From = supervisor.FromNew
		}
		p.state = d.b.rec.Track(0)
		if d.at > 0 {
			p.state.HasFilesOf(d.at) // what the walker has left is there
		}
	} else {
		p.state = d.b.rec.Track(step.Boundary)
		p.r.Job.Next, _ = d.suite.Next(step.Boundary, true, p.pairs)
	}
	p.asked = p.r.Job.Next
	p.look()
	return p
}

// look says where the replay looks at its state before it stops for the first time.
func (p *performance) look() {
	if p.step.Boundary > 0 {
		p.r.Job.Then, p.r.Job.Quiet = p.then(p.step.Boundary), p.quiet(p.step.Boundary)
	}
	p.by = p.r.Job.Then
}

// run plays, and says what came of it. Unset: nothing that can be told yet.
func (p *performance) run(ctx context.Context) (judging.Finding, error) {
	defer p.d.e.turns.take()()
	f, err := p.once(ctx)
	if errors.Is(err, errFilesBetween) {
		again := p.d.prepare(p.step)
		again.r = p.r
		again.r.Job.Then, again.r.Job.Quiet, again.by, again.loud = nil, nil, nil, true
		*p = *again
		f, err = p.once(ctx)
	}
	return f, err
}

// errFilesBetween is the error of a replay in which several segments have been run since it
// stopped, and one of them has changed files: nobody knows which.
var errFilesBetween = errors.New("files were changed between two stops")

func (p *performance) once(ctx context.Context) (judging.Finding, error) {
	o, err := p.d.w.Replay(ctx, p.r)
	for err == nil {
		p.take(o)
		if o.Stop != nil && p.jumped(o.Stop.Boundary) && !maps.Equal(o.Stop.Files, p.files) {
			return judging.Finding{}, cmp.Or(p.finish(ctx), errFilesBetween)
		}
		if o.Suite != nil && o.Stop != nil && o.Stop.Boundary == 1 {
			p.compare(o.Suite)
		}
		if f, red := p.red(o); red {
			return f, p.tearDown(ctx, o)
		}
		if o.Stop == nil {
			p.account(o)
			return p.ofTest(o, p.ended(o)), nil
		}
		next, more := p.next(o.Stop)
		if !more {
			return judging.Finding{Status: mutate.Survived, Test: -1}, p.finish(ctx)
		}
		p.own = p.own || p.reads(next)
		p.asked, p.by = next, p.then(next)
		o, err = p.d.w.Continue(ctx, supervisor.Continue{Next: next, Own: p.own, Then: p.by, Quiet: p.quiet(next)})
	}
	return judging.Finding{}, err
}

// jumped reports whether the replay, on its way to a boundary, has left out segments behind
// one that it was told to go on from if that leaves nothing.
func (p *performance) jumped(boundary int) bool {
	for n, next := range p.by {
		if next > n+1 && n >= p.asked && n < boundary-1 {
			return true
		}
	}
	return false
}

// quiet gives the segments behind which nobody looks, from a boundary on.
func (p *performance) quiet(boundary int) [][2]int {
	suite := p.d.suite
	switch {
	case p.loud:
		return nil
	case p.other:
		return [][2]int{{max(boundary, 1), rest}}
	case p.step.Through:
		return suite.QuietAll(boundary, p.stops)
	case p.away > 0:
		return suite.QuietWhile(boundary, p.away, p.stops)
	}
	return suite.Quiet(boundary, p.pairs, p.stops)
}

// then gives where the replay goes on by itself, if it has the recording's state.
func (p *performance) then(boundary int) map[int]int {
	switch {
	case p.loud || p.other:
		return nil
	case p.step.Through:
		return p.d.suite.ThenAll(boundary, p.stops)
	case len(p.state.Diverged) > 0:
		return nil
	}
	return p.d.suite.Then(boundary, p.pairs, p.stops)
}

// reads reports whether a segment reads sources, or may: files have their own text then,
// and the changed one its change.
func (p *performance) reads(segment int) bool {
	if p.other || segment >= len(p.d.b.rec.Segments) {
		return len(p.d.b.readers) > 0
	}
	return slices.ContainsFunc(p.d.b.rec.Segments[segment].Reads, func(path string) bool { return p.d.b.points[path] != nil })
}

// stops reports whether a replay has to stop before a segment to have files put in place for it.
func (p *performance) stops(segment int) bool { return !p.own && p.reads(segment) }

// take keeps what an outcome says of tests.
func (p *performance) take(o *supervisor.Outcome) {
	p.tests, p.opened = append(p.tests, o.Tests...), append(p.opened, o.Opened...)
}

// next gives the segment at which the replay goes on; false: it has no more to do.
func (p *performance) next(stop *supervisor.Stop) (int, bool) {
	d := p.d
	if p.other {
		p.whole = true
		return stop.Boundary, true
	}
	if p.step.Alone {
		return d.suite.Next(stop.Boundary, true, p.pairs)
	}
	p.toEnd = p.toEnd || d.holdsOther(stop.Boundary-1, stop.Held) && d.b.rec.Segments[stop.Boundary-1].Kind == recording.Test
	p.state.Note(stop.Boundary-1, withFiles(stop.Changes, stop.Files))
	for name := range p.files {
		if _, still := stop.Files[name]; !still {
			p.state.PutBack(recording.FileRoot(name), max(p.step.Boundary, d.at))
		}
	}
	p.files = stop.Files
	for n := p.asked; p.away > 0 && n < stop.Boundary; n++ {
		p.covered = append(p.covered, n)
	}
	converged := p.state.Converged(stop.Boundary) && !p.step.Through
	if p.away++; converged {
		p.away = 0
	} else {
		p.whole = true
	}
	next, more := d.suite.Next(stop.Boundary, converged, p.pairs)
	if !more && p.toEnd && stop.Boundary <= d.suite.End() {
		return d.suite.End(), true
	}
	return next, more
}

// compare holds the suite that the replay has built against the recording's. Tests whose
// data are others must be run.
func (p *performance) compare(s *wire.Suite) {
	d := p.d
	d.e.ownSuite(d.w.Facts.Root, s)
	if recording.SameSuite(d.b.run.Suite, *s) != nil {
		p.other = true
		return
	}
	p.pairs = slices.DeleteFunc(slices.Clone(p.pairs), func(n int) bool { return n == 0 })
	if p.step.Alone {
		return
	}
	others := 0
	for i, t := range s.Tests {
		if t.Data != d.b.rec.Tests[i].Data {
			p.pairs, p.covered = append(p.pairs, d.b.rec.Tests[i].Segment), append(p.covered, d.b.rec.Tests[i].Segment)
			others++
		}
	}
	if others > 0 { // data live until the process ends
		p.pairs = append(p.pairs, d.suite.End())
	}
	slices.Sort(p.pairs)
	p.pairs = slices.Compact(p.pairs)
}

// tearDown lets a replay that is red tear down what it has set up, and ends it.
func (p *performance) tearDown(ctx context.Context, o *supervisor.Outcome) error {
	var err error
	for err == nil && o.Stop != nil && o.Stop.Boundary < p.d.suite.End() && !p.other {
		if o, err = p.d.w.Continue(ctx, supervisor.Continue{Next: rest}); err == nil {
			p.take(o)
		}
	}
	if err == nil && o.Stop != nil {
		return p.finish(ctx)
	}
	if err == nil {
		p.account(o)
	}
	return err
}

func (p *performance) finish(ctx context.Context) error {
	o, err := p.d.w.Finish(ctx)
	if err == nil {
		p.take(o)
		p.account(o)
	}
	return err
}

func (p *performance) account(o *supervisor.Outcome) {
	name := "played, selected"
	switch {
	case p.r.From == supervisor.FromNew:
		name = "played, not forked"
	case p.step.Through:
		name = "played to the end of the suite"
	case p.step.Boundary == 0:
		name = "played with the building of the suite"
	case p.step.Entry == judging.Swapped:
		name = "played, swapped in"
	}
	p.d.count(name, 1, o.Wall, o.Faults)
}

// ended says what it means that the replay ended by itself.
func (p *performance) ended(o *supervisor.Outcome) judging.Finding {
	return judging.Ended(judging.End{Running: o.Running, RunName: o.RunName, Done: o.Done, Exit: o.Exit, Signal: o.Signal,
		TimedOut: o.TimedOut, Spent: o.Spent, Suspect: o.Suspect, Exceeded: o.Exceeded, Orphaned: o.Orphaned, Last: o.Last})
}
