package judging

import (
	"time"

	"assay/exec/recording"
)

// What replays cost beside the tests that they run, in the order of what was measured on
// small suites: by how much it is wrong decides how quick a verdict is, and not which.
const (
	forkTime = 5 * time.Millisecond
	lookTime = time.Millisecond
	fileTime = time.Millisecond // where files have been left, besides
)

// worthwhile is how much time is to be saved before the rest of the suite is run.
const worthwhile = 50 * time.Millisecond

// Tests that begin in many different states take as many batches, each with a rehearsal.
// testsForBatch is how many tests these two are worth; up to fewBatches nobody asks.
const (
	fewBatches    = 16
	testsForBatch = 16
)

// Through gives the step that runs the suite from the first of some pairs to its end, as a
// cold run of the suite does.
func (s *Suite) Through(m *Subject, pairs []int) Step {
	step := s.played(m, pairs)
	step.Through = true
	return step
}

// PlayOrThrough gives the steps that play some pairs, or the one that runs the rest of the
// suite if that takes less time: it needs one process, and looks at no state. In both the
// first red segment of the suite is found, so that the times decide nothing else.
func (s *Suite) PlayOrThrough(m *Subject, pairs []int) []Step {
	steps := s.Play(m, pairs)
	if len(pairs) == 0 || s.Cold {
		return steps
	}
	through := s.Through(m, pairs)
	if s.timeOf(through)+worthwhile < s.timeOf(steps...) {
		return []Step{through}
	}
	return steps
}

// scattered reports whether the tests of a mutant begin in so many states that batches cost
// more than the rest of the suite. It goes by numbers, since which test of several kills a
// mutant depends on it.
func (s *Suite) scattered(m *Subject) bool {
	if len(m.Order) <= fewBatches {
		return false
	}
	in := map[int]bool{}
	for _, test := range m.Order {
		if n, ok := s.BatchedAt(m, test); ok {
			in[n] = true
		}
	}
	return len(in) > fewBatches && len(in)*testsForBatch > s.End()-m.Pairs[0]
}

// testsForLook is how many tests a look at the state is worth, roughly, in a quick suite.
const testsForLook = 8

// Confirm gives the steps that replay some pairs up to a segment, or the one that runs all of
// the suite from there where so much of it only leads from one pair to the next that looks
// cost more. It goes by numbers: how many tests are run depends on it.
func (s *Suite) Confirm(m *Subject, pairs []int, until int) []Step {
	steps := s.Play(m, pairs)
	looks, first := 0, until
	for _, step := range steps {
		first = min(first, step.Boundary)
		for n, ok := s.Next(step.Boundary, true, step.Segments); ok; n, ok = s.Next(n+1, true, step.Segments) {
			looks++
		}
	}
	if s.Cold || looks <= fewBatches || looks*testsForLook < until-first {
		return steps
	}
	return []Step{s.Through(m, pairs)}
}

// timeOf says how long some steps take, by what the recording says of their segments.
func (s *Suite) timeOf(steps ...Step) (t time.Duration) {
	for _, step := range steps {
		t += forkTime
		if step.Through {
			t += s.time[s.End()] - s.time[step.Boundary]
			continue
		}
		n, ok := s.Next(step.Boundary, true, step.Segments)
		for ok {
			t += s.Segments[n].Time
			var next int
			next, ok = s.Next(n+1, true, step.Segments)
			switch {
			case s.Segments[n].LeavesFiles || ok && s.Segments[next].LeavesFiles:
				t += lookTime + fileTime
			case !ok || next != n+1:
				t += lookTime
			}
			n = next
		}
	}
	return t
}

// timesBefore adds up the times of segments.
func timesBefore(r *recording.Recording) []time.Duration {
	out := make([]time.Duration, len(r.Segments)+1)
	for n, seg := range r.Segments {
		out[n+1] = out[n] + seg.Time
	}
	return out
}
