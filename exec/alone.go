//go:build linux

package exec

import (
	"slices"

	"assay/exec/judging"
	"assay/exec/recording"
	"assay/exec/supervisor"
	"assay/mutate"
)

// A test kills a mutant by itself when it fails where it stands: it is replayed from the
// recording's state before it, or before the first segment that is run for it and passes
// the mutant; see judging.Suite.Alone. This is looked for once a mutant has been killed,
// so that the verdict is the one of any other run.

// lookForAll begins to look for all tests that kill a mutant, which has just been killed,
// by themselves; false where there are none to try. j.mu is held.
func (j *bench) lookForAll(c *kase, f judging.Finding) bool {
	if c.alone || f.Status != mutate.Killed && f.Status != mutate.TimedOut {
		return false
	}
	steps := j.stepsAlone(c, c.task.Reach, false)
	if len(steps) == 0 {
		return false
	}
	c.alone, c.found, c.steps = true, f, steps
	j.queue(c)
	return true
}

func (j *bench) stepsAlone(c *kase, tests []int, played bool) []judging.Step {
	return j.suite.Alone(&c.subject, tests, func(test int) []int { return j.b.needs[test] }, played)
}

// untried gives the tests that are still to be tried alone; of the present step those
// from one on.
func (c *kase) untried(from int) []int {
	var tests []int
	for k, s := range c.steps {
		if k == 0 {
			tests = append(tests, s.Tests[min(from, len(s.Tests)):]...)
		} else {
			tests = append(tests, s.Tests...)
		}
	}
	return tests
}

// eachOf takes in a mutant's part of a batch in which a test that fails does not end it.
func (d *desk) eachOf(p *supervisor.Part, c *kase) {
	for _, e := range p.Events {
		if e.Fatal && e.Test >= 0 {
			c.kills[e.Test] = true
		}
	}
	if n := len(p.Tests); n < len(c.steps[0].Tests) {
		d.replan(c, n, false)
		return
	}
	d.passed(c)
}

// tried takes in what came of a test alone.
func (d *desk) tried(c *kase, f judging.Finding) {
	if f.Status == mutate.Killed || f.Status == mutate.TimedOut {
		c.kills[c.steps[0].Tests[0]] = true
	}
	d.passed(c)
}

// red gives what ends a replay: the first test that fails, or, where one test is tried
// alone, only that one. What else is run then only leads to it.
func (p *performance) red(o *supervisor.Outcome) (judging.Finding, bool) {
	if !p.step.Alone {
		return p.d.red(o.Events)
	}
	for _, e := range o.Events {
		if e.Fatal && !p.d.isUnreliable(e.Test) && p.isOfTest(e.Test, e.Name, o.Stop) {
			return judging.Finding{Status: mutate.Killed, How: mutate.Error, Test: e.Test, Name: e.Name, Detail: e.Message}, true
		}
	}
	return judging.Finding{}, false
}

// isOfTest reports whether a failure is one of the test that is tried: its own, or one of
// the fixtures or the data that are made for it.
func (p *performance) isOfTest(test int, name string, stop *supervisor.Stop) bool {
	one := p.step.Tests[0]
	if p.other { // and tests have other numbers
		return name == p.d.b.rec.Tests[one].ID
	}
	if test == one {
		return true
	}
	ran := -1 // the segment
	if stop != nil {
		ran = stop.Boundary - 1
	}
	return slices.ContainsFunc(p.step.Segments, func(n int) bool {
		return p.d.b.rec.Segments[n].Kind != recording.Test && (test < 0 || n == ran)
	})
}

// ofTest gives what the end of a replay says of the test that is tried alone, if one is.
func (p *performance) ofTest(o *supervisor.Outcome, f judging.Finding) judging.Finding {
	if !p.step.Alone || f.Status == mutate.Unset || f.Status == mutate.Survived {
		return f
	}
	if o.Done && p.other || o.Running >= 0 && !p.isOfTest(o.Running, o.RunName, nil) {
		return judging.Finding{Status: mutate.Survived, Test: -1}
	}
	return f
}
