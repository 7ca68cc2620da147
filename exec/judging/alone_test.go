package judging

import (
	"testing"

	gocmp "github.com/google/go-cmp/cmp"
)

// What is wanted follows from the comment of Suite.Alone. In the recording of seven
// tests, d (number 3) depends on b (1).
func TestAlone(t *testing.T) {
	needs := func(test int) []int {
		if test == 3 {
			return []int{1}
		}
		return nil
	}
	for _, c := range []struct {
		name    string
		subject Subject
		tests   []int
		played  bool
		want    []Step
	}{
		{"neutral tests are batched, each state by itself",
			Subject{Entry: Selected, Pairs: []int{1, 2}, Order: []int{0, 1}}, []int{0, 1}, false,
			[]Step{{Form: Batched, Entry: Selected, Boundary: 7, Tests: []int{0, 1}}}},
		{"what cannot be batched is played, one test a step",
			Subject{Entry: Selected, Pairs: []int{3, 5}, Order: []int{2, 4}}, []int{2, 4}, false,
			[]Step{{Form: Played, Entry: Selected, Boundary: 3, Tests: []int{2}, Segments: []int{3}, Alone: true},
				{Form: Played, Entry: Selected, Boundary: 5, Tests: []int{4}, Segments: []int{5}, Alone: true}}},
		{"all are played where that is asked for",
			Subject{Entry: Selected, Pairs: []int{1, 2}, Order: []int{0, 1}}, []int{0, 1}, true,
			[]Step{{Form: Played, Entry: Selected, Boundary: 1, Tests: []int{0}, Segments: []int{1}, Alone: true},
				{Form: Played, Entry: Selected, Boundary: 2, Tests: []int{1}, Segments: []int{2}, Alone: true}}},
		{"with what it depends on, which passes the mutant",
			Subject{Entry: Selected, Pairs: []int{2, 4}, Order: []int{1, 3}}, []int{3}, false,
			[]Step{{Form: Played, Entry: Selected, Boundary: 2, Tests: []int{3}, Segments: []int{2, 4}, Alone: true}}},
		{"without what it depends on, which does not",
			Subject{Entry: Selected, Pairs: []int{1, 4}, Order: []int{0, 3}}, []int{3}, false,
			[]Step{{Form: Batched, Entry: Selected, Boundary: 5, Tests: []int{3}}}},
		{"with its data",
			Subject{Entry: Selected, Pairs: []int{0, 1, 2}, Order: []int{0, 1}, Rebuilt: map[int]bool{1: true}}, []int{0, 1}, false,
			[]Step{{Form: Batched, Entry: Selected, Boundary: 7, Tests: []int{0}},
				{Form: Played, Entry: Swapped, Boundary: 0, Swap: true, Tests: []int{1}, Segments: []int{0, 2}, Alone: true}}},
		{"one that cannot see the mutant is left out",
			Subject{Entry: Selected, Pairs: []int{1}, Order: []int{0}}, []int{0, 6}, true,
			[]Step{{Form: Played, Entry: Selected, Boundary: 1, Tests: []int{0}, Segments: []int{1}, Alone: true}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := NewSuite(sevenTests(t), unshared(all), false)
			if d := gocmp.Diff(c.want, s.Alone(&c.subject, c.tests, needs, c.played)); d != "" {
				t.Errorf("want (-) and got (+):\n%s", d)
			}
		})
	}
	fixtures := NewSuite(record(t, segment{kind: "enter"}, segment{kind: "test"}, segment{kind: "test"}, segment{kind: "leave"}), unshared([]int{0, 1}), false)
	got := fixtures.Alone(&Subject{Entry: Selected, Pairs: []int{1, 4}}, []int{1}, needs, false)
	want := []Step{{Form: Played, Entry: Selected, Boundary: 1, Tests: []int{1}, Segments: []int{1, 3, 4}, Alone: true}}
	if d := gocmp.Diff(want, got); d != "" {
		t.Errorf("fixtures of its class: want (-) and got (+):\n%s", d)
	}
}

// A test that reads files, and is the first to load the mutant's, would load the changed
// file for all mutants of a batch.
func TestBatchesDoNotLoadWhatIsInPlace(t *testing.T) {
	s := NewSuite(record(t, segment{kind: "test"}, segment{kind: "test", loads: "src/F.php", opens: "notes.txt"}), unshared([]int{0, 1}), false)
	var why [Reasons]int
	got := s.Plan(&Subject{Entry: Selected, Path: "src/F.php", Pairs: []int{2}, Order: []int{1}}, &why)
	want := []Step{{Form: Played, Entry: Selected, Boundary: 2, Swap: true, Segments: []int{2}}}
	if d := gocmp.Diff(want, got); d != "" || why[NoBoundary] != 1 {
		t.Errorf("%v; want (-) and got (+):\n%s", why, d)
	}
}
