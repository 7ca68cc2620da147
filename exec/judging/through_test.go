package judging

import (
	"slices"
	"testing"
	"time"
)

// writers are tests that leave a file each, of which every second one passes the mutant.
func writers(t *testing.T, n int, each time.Duration) (*Suite, []int) {
	t.Helper()
	var segments []segment
	var pairs []int
	for i := range n {
		segments = append(segments, segment{kind: "test", leaves: string(rune('a' + i)), writes: true, time: each})
		if i%2 == 0 {
			pairs = append(pairs, i+1)
		}
	}
	return NewSuite(record(t, segments...), unshared([]int{0}), false), pairs
}

// TestPlayOrThrough: quick tests between which there would be many looks are run through; slow
// ones are not, nor few, nor where nothing can be forked.
func TestPlayOrThrough(t *testing.T) {
	for _, c := range []struct {
		what    string
		tests   int
		each    time.Duration
		cold    bool
		through bool
	}{
		{"many quick tests", 1000, 100 * time.Microsecond, false, true},
		{"a few quick tests", 20, 100 * time.Microsecond, false, false},
		{"many slow tests", 1000, 10 * time.Millisecond, false, false},
		{"no forks", 1000, 100 * time.Microsecond, true, false},
	} {
		s, pairs := writers(t, c.tests, c.each)
		s.Cold = c.cold
		if c.each > mostBetween { // one pair at the beginning, and one in the middle, each from its own boundary
			pairs = []int{1, c.tests / 2}
		}
		m := &Subject{Entry: Selected, Pairs: pairs}
		steps := s.PlayOrThrough(m, pairs)
		if got := len(steps) == 1 && steps[0].Through; got != c.through {
			t.Errorf("%s: through %v, want %v", c.what, got, c.through)
		}
		for _, step := range steps {
			if step.Form != Played {
				t.Errorf("%s: a step is not played", c.what)
			}
		}
	}
	s, _ := writers(t, 10, time.Millisecond)
	if steps := s.PlayOrThrough(&Subject{Entry: Selected}, nil); steps != nil {
		t.Errorf("no pairs: %v", steps)
	}
}

// TestThroughBegins: what runs the rest of the suite begins where the pairs do, and a changed
// file is in place before it is loaded.
func TestThroughBegins(t *testing.T) {
	s := NewSuite(sevenTests(t), unshared(all), false)
	if got := s.Through(&Subject{Entry: Selected}, []int{3, 5}); got.Boundary != 3 || !got.Through || got.Swap {
		t.Errorf("selected: %+v", got)
	}
	if got := s.Through(&Subject{Entry: Swapped, Path: "src/Built.php"}, []int{3, 5}); got.Boundary != 0 || !got.Swap {
		t.Errorf("swapped in: %+v", got)
	}
}

// TestConfirm: what comes before a killer is run through where most of it has to be run
// anyway, however long tests take, since how many tests are run depends on it.
func TestConfirm(t *testing.T) {
	for _, each := range []time.Duration{time.Microsecond, time.Second} {
		s, pairs := writers(t, 100, each)
		m := &Subject{Entry: Swapped, Path: "src/Never.php", Pairs: pairs}
		before := pairs[:40]
		if steps := s.Confirm(m, before, 90); len(steps) != 1 || !steps[0].Through {
			t.Errorf("%v each, all of 90 lead to the next: %v", each, steps)
		}
		if steps := s.Confirm(m, before[:3], 90); slices.ContainsFunc(steps, func(s Step) bool { return s.Through }) {
			t.Errorf("%v each, three of 90: %v", each, steps)
		}
	}
}

// TestScattered: tests that begin in many states are not batched; that goes by numbers.
func TestScattered(t *testing.T) {
	plan := func(states, tests int) (batches int, why [Reasons]int) {
		var segments []segment
		var m Subject
		for i := range states * tests {
			s := segment{kind: "test", time: time.Second}
			if i%tests == 0 { // leaves a state that is new
				s.leaves = string(rune('a' + i/tests))
			} else {
				m.Pairs, m.Order = append(m.Pairs, i+1), append(m.Order, i)
			}
			segments = append(segments, s)
		}
		m.Entry = Selected
		var copied []int
		copied = append(copied, m.Order...)
		for _, step := range NewSuite(record(t, segments...), unshared(copied), false).Plan(&m, &why) {
			if step.Form == Batched {
				batches++
			}
		}
		return batches, why
	}
	if n, why := plan(30, 4); n != 0 || why[Scattered] != 90 {
		t.Errorf("30 states of 3 tests: %d batches, %d pairs counted", n, why[Scattered])
	}
	if n, why := plan(30, 40); n != 30 || why[Scattered] != 0 {
		t.Errorf("30 states of 39 tests: %d batches, %d pairs counted", n, why[Scattered])
	}
	if n, why := plan(10, 4); n != 10 || why[Scattered] != 0 {
		t.Errorf("10 states of 3 tests: %d batches, %d pairs counted", n, why[Scattered])
	}
}
