package exec

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestCalm: who finds a state and leaves it is calm in it; who leads there is run
// first.
func TestCalm(t *testing.T) {
	many := make([][2]int, 20)
	for i := range many {
		many[i] = [2]int{i, i + 1}
	}
	for name, c := range map[string]struct {
		states  [][2]int
		ranks   map[int]int // of tests numbered from 10
		openers [][]int
	}{
		"nothing changes":                  {[][2]int{{0, 0}, {0, 0}}, map[int]int{10: 0, 11: 0}, [][]int{nil}},
		"the first reads a table":          {[][2]int{{0, 1}, {1, 1}, {1, 1}}, map[int]int{11: 0, 12: 0}, [][]int{{10}}},
		"one leaves something for another": {[][2]int{{0, 0}, {0, 1}, {1, 0}, {0, 0}}, map[int]int{10: 0, 13: 0}, [][]int{nil}},
		"some come before that, some then": {[][2]int{{0, 0}, {0, 1}, {1, 1}, {1, 1}}, map[int]int{10: 0, 12: 1, 13: 1}, [][]int{nil, {11}}},
		"it settles late":                  {[][2]int{{0, 0}, {0, 1}, {1, 2}, {2, 2}, {2, 2}}, map[int]int{10: 0, 13: 1, 14: 1}, [][]int{nil, {11, 12}}},
		"it comes back":                    {[][2]int{{0, 0}, {0, 1}, {1, 1}, {1, 0}, {0, 0}, {0, 1}, {1, 1}}, map[int]int{10: 0, 12: 1, 14: 0, 16: 1}, [][]int{nil, {11}}},
		"nobody can tell at first":         {[][2]int{{-1, -1}, {-1, 0}, {0, 0}}, map[int]int{12: 0}, [][]int{{10, 11}}},
		"nobody can tell":                  {[][2]int{{-1, -1}, {-1, -1}}, map[int]int{}, nil},
		"each leaves another":              {[][2]int{{0, 1}, {1, 2}}, map[int]int{}, nil},
		"too much comes before":            {append(many, [2]int{20, 20}), map[int]int{}, nil},
		"not all were run":                 {nil, map[int]int{}, nil},
	} {
		tests := make([]int, max(len(c.states), 2))
		for i := range tests {
			tests[i] = 10 + i
		}
		got := calmIn(tests, c.states)
		if d := cmp.Diff(c.ranks, got.rank) + cmp.Diff(c.openers, got.openers); d != "" {
			t.Errorf("%s: want (-), got (+):\n%s", name, d)
		}
	}
}
