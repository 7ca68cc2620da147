package judging

import (
	"maps"
	"slices"

	"assay/exec/recording"
)

// Alone gives the steps that find out of some tests, one by one, whether they fail on a
// mutant by themselves: each with what it depends on and with what else is run for it,
// fixtures of its class and its data provider, as far as these pass the mutant. needs
// gives the tests that a test depends on directly.
func (s *Suite) Alone(m *Subject, tests []int, needs func(test int) []int, played bool) []Step {
	var batched []int
	var steps []Step
	for _, test := range tests {
		segments := s.aloneWith(m, test, needs)
		switch {
		case len(segments) > 1:
			steps = append(steps, s.alone(m, test, segments))
		case !slices.Contains(m.Pairs, segments[0]): // it cannot see the mutant
		case played:
			steps = append(steps, s.alone(m, test, segments))
		default:
			batched = append(batched, test)
		}
	}
	first, in := s.batches(m, batched, nil)
	for _, test := range batched {
		if n := s.Tests[test].Segment; !in[n] {
			steps = append(steps, s.alone(m, test, []int{n}))
		}
	}
	return append(first, steps...)
}

func (s *Suite) alone(m *Subject, test int, segments []int) Step {
	step := s.played(m, segments)
	step.Alone, step.Tests = true, []int{test}
	return step
}

// aloneWith gives the segments that are run for one test, itself among them.
func (s *Suite) aloneWith(m *Subject, test int, needs func(int) []int) []int {
	needed := map[int]bool{}
	classes := map[string]bool{}
	var add func(int)
	add = func(t int) {
		if !needed[t] {
			needed[t], classes[s.Tests[t].Class] = true, true
			for _, n := range needs(t) {
				add(n)
			}
		}
	}
	add(test)
	in := map[int]bool{s.Tests[test].Segment: true}
	for _, n := range m.Pairs {
		switch g := s.Segments[n]; g.Kind {
		case recording.Build:
			in[n] = m.All || m.Rebuilt[test]
		case recording.Enter, recording.Leave:
			in[n] = classes[g.Class]
		case recording.Test:
			in[n] = needed[g.Test]
		}
	}
	maps.DeleteFunc(in, func(_ int, is bool) bool { return !is })
	return slices.Sorted(maps.Keys(in))
}
