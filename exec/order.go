//go:build linux

package exec

import (
	"cmp"
	"slices"

	"assay/exec/judging"
	"assay/mutate"
)

// Segments are replayed in the order that kills soonest, each from the state that the
// recording has before it. That a test fails there is a kill of the whole suite as long as
// nothing that passes the mutant before it leaves another state. Segments that change the
// state as it is are likely to change it otherwise with a mutant; so before a kill counts,
// those of them that come before the killer and pass the mutant are replayed, too.

// confirm has the segments replayed on which a kill depends; false where there are none
// left. j.mu is held.
func (j *bench) confirm(c *kase, f judging.Finding) bool {
	if c.alone || c.killer.Status != mutate.Unset || f.Test < 0 || f.Test >= len(j.b.rec.Tests) || len(c.steps) < 2 ||
		f.Status != mutate.Killed && f.Status != mutate.TimedOut {
		return false
	}
	at := j.b.rec.Tests[f.Test].Segment
	c.before = nil
	for _, s := range c.steps[1:] {
		for _, n := range s.Segments {
			if n > 0 && n < at && !j.b.rec.Segments[n].Neutral {
				c.before = append(c.before, n)
			}
		}
	}
	if len(c.before) == 0 {
		return false
	}
	slices.Sort(c.before)
	c.killer = f
	c.steps = j.suite.Confirm(&c.subject, slices.Compact(c.before), at)
	j.queue(c)
	return true
}

// doubt has the step of a kill made again, once, where the killer starts processes: how soon
// these answer depends on what else the machine does, and a test that waits for that may
// fail by chance. If it passes then, it has not killed the mutant. What has used up its
// processor time did not fail by that. j.mu is held.
func (j *bench) doubt(c *kase, f judging.Finding) bool {
	if c.alone || f.Sure || f.Test < 0 || f.Test >= len(j.b.rec.Tests) || c.doubted[f.Test] || f.Status != mutate.Killed && f.Status != mutate.TimedOut {
		return false
	}
	n := j.b.rec.Tests[f.Test].Segment
	if !j.b.rec.Segments[n].Starts {
		return false
	}
	c.doubted[f.Test] = true
	if s := c.steps[0]; s.Form == judging.Batched {
		left := j.suite.Play(&c.subject, []int{n})
		if at := slices.Index(s.Tests, f.Test); at >= 0 && (at+1 < len(s.Tests) || len(c.steps) > 1) {
			left = append(left, j.stepsLeft(c, at+1, false)...)
		}
		c.steps = left
	}
	j.queue(c)
	return true
}

// through has a mutant that no replay kills run through the rest of the suite, from the first of
// its pairs on that find or leave state that cannot be seen whole: that it is the same nobody knows.
// Those before it have left the recording's state. Where one of them has not, for so long that a
// replay has run that pair as well, all of it begins with the first. j.mu is held.
func (j *bench) through(c *kase) bool {
	if c.alone || c.isThrough {
		return false
	}
	pairs := j.suite.Unseen(&c.subject)
	if len(pairs) == 0 {
		return false
	}
	if c.covered[pairs[0]] {
		pairs = c.subject.Pairs
	}
	c.isThrough = true
	why := j.b.rec.HiddenBy(pairs[0])
	j.stats.ToEnd[cmp.Or(why, "what cannot be seen whole")]++
	c.steps = []judging.Step{j.suite.Through(&c.subject, pairs)}
	j.queue(c)
	return true
}

// isKnown reports whether a mutant has left something under a name that is another one in every
// run of the original, and had left it in an earlier process, too: so its tests meet what those
// before them have left, as they would not in the original. It has the rest of the suite run then.
func (j *bench) isKnown(c *kase, left []string) bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	if c.alone || c.isThrough {
		return false
	}
	again := false
	for _, root := range left {
		again = again || c.left[root]
		c.left[root] = true
	}
	if again {
		c.isThrough = true
		j.stats.ToEnd["names that are others in every run"]++
		c.steps = []judging.Step{j.suite.Through(&c.subject, c.subject.Pairs)}
		j.queue(c)
	}
	return again
}

// uncovered gives what is left of some steps of a case. What was run behind a segment that
// left another state has been run as in the whole suite, and from the recording's state it
// would not be. j.mu is held.
func (j *bench) uncovered(c *kase, steps []judging.Step) []judging.Step {
	if len(c.covered) == 0 || c.alone {
		return steps
	}
	var out []judging.Step
	for _, s := range steps {
		s.Segments = slices.DeleteFunc(slices.Clone(s.Segments), func(n int) bool { return c.covered[n] })
		tests := slices.DeleteFunc(slices.Clone(s.Tests), func(t int) bool { return c.covered[j.b.rec.Tests[t].Segment] })
		if len(tests) < len(s.Tests) {
			s.Tests = tests // else lists that are the same stay the same
		}
		if len(s.Segments)+len(s.Tests) > 0 {
			out = append(out, s)
		}
	}
	return out
}

// stepsAfter gives the steps of a case whose killer was green behind a segment that left
// another state: all that has not been replayed, or was from a state that it does not have.
// j.mu is held.
func (j *bench) stepsAfter(c *kase) []judging.Step {
	c.killer = judging.Finding{}
	pairs := slices.DeleteFunc(slices.Clone(c.task.Pairs), func(n int) bool { return c.covered[n] || slices.Contains(c.before, n) })
	return j.planned(c, pairs)
}

// planned plans some pairs of a case. j.mu is held.
func (j *bench) planned(c *kase, pairs []int) []judging.Step {
	if len(pairs) == 0 {
		return nil
	}
	m := c.subject
	m.Pairs = pairs
	m.Order = slices.DeleteFunc(slices.Clone(m.Order), func(i int) bool {
		_, found := slices.BinarySearch(pairs, j.b.rec.Tests[i].Segment)
		return !found
	})
	return j.suite.Plan(&m, nil)
}
