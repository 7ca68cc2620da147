package exec

import (
	"cmp"
	"math/bits"
	"slices"
	"strconv"

	"assay/mutate"
)

// A Task is one mutant with the tests to run on it.
type Task struct {
	Mutant *mutate.Mutant
	Tests  []int // numbers of the tests in Survey.Tests, in the order to run; none: no test reaches it
}

// Plan decides which tests each mutant needs. Pure.
//
// Which: those that passed the mutant's point, those that depend on one of
// them, and what they depend on. In what order: tests that reach little first,
// for they are about what is changed; then quick ones, by powers of four of
// the time, so that small differences between runs do not change the order.
func Plan(ms []*mutate.Mutant, s *Survey) []Task {
	tasks := make([]Task, len(ms))
	cache := map[string][]int{}
	for i, m := range ms {
		tasks[i] = Task{Mutant: m, Tests: s.testsFor(m, cache)}
	}
	return tasks
}

func (s *Survey) testsFor(m *mutate.Mutant, cache map[string][]int) []int {
	var reaching []int
	key := "p" + strconv.Itoa(m.Point)
	if m.Point == mutate.FileLevel || s.dropped[m.Source.Path] {
		key = "f" + m.Source.Path
		reaching = s.byFile[m.Source.Path]
	} else {
		reaching = s.byPoint[m.Point]
	}
	if tests, ok := cache[key]; ok {
		return tests
	}
	tests := s.complete(reaching)
	s.order(tests)
	cache[key] = tests
	return tests
}

// complete adds the tests that build on others' results, and what those need.
func (s *Survey) complete(reaching []int) []int {
	in := map[int]bool{}
	var add func(i int, links [][]int)
	add = func(i int, links [][]int) {
		if !in[i] {
			in[i] = true
			for _, j := range links[i] {
				add(j, links)
			}
		}
	}
	for _, i := range reaching {
		if !s.Tests[i].Shaky {
			add(i, s.feeds)
		}
	}
	first := make([]int, 0, len(in))
	for i := range in {
		first = append(first, i)
	}
	in = map[int]bool{}
	for _, i := range first {
		add(i, s.needs)
	}
	out := make([]int, 0, len(in))
	for i := range in {
		if !s.Tests[i].Shaky {
			out = append(out, i)
		}
	}
	return out
}

func (s *Survey) order(tests []int) {
	slices.SortFunc(tests, func(a, b int) int {
		x, y := s.Tests[a], s.Tests[b]
		return cmp.Or(x.Reached-y.Reached, coarse(x.Time.Milliseconds())-coarse(y.Time.Milliseconds()), a-b)
	})
}

// coarse is the number of base-4 digits of a time in milliseconds.
func coarse(ms int64) int { return (bits.Len64(uint64(ms)) + 1) / 2 }
