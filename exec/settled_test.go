package exec

import (
	"slices"
	"testing"
)

// TestCalm: the state that most tests find and leave is what the others are held
// against; who leads there is run first.
func TestCalm(t *testing.T) {
	many := make([][2]int, 20)
	for i := range many {
		many[i] = [2]int{i, i + 1}
	}
	for name, c := range map[string]struct {
		states  [][2]int
		calm    []int // of tests numbered from 10
		openers []int
	}{
		"nothing changes":                  {[][2]int{{0, 0}, {0, 0}}, []int{10, 11}, nil},
		"the first reads a table":          {[][2]int{{0, 1}, {1, 1}, {1, 1}}, []int{11, 12}, []int{10}},
		"one leaves something for another": {[][2]int{{0, 0}, {0, 1}, {1, 0}, {0, 0}}, []int{10, 13}, nil},
		"it settles late":                  {[][2]int{{0, 0}, {0, 1}, {1, 2}, {2, 2}, {2, 2}}, []int{13, 14}, []int{11, 12}},
		"nobody can tell at first":         {[][2]int{{-1, -1}, {-1, 0}, {0, 0}}, []int{12}, []int{10, 11}},
		"nobody can tell":                  {[][2]int{{-1, -1}, {-1, -1}}, nil, nil},
		"each leaves another":              {[][2]int{{0, 1}, {1, 2}}, nil, nil},
		"too much comes before":            {append(many, [2]int{20, 20}), nil, nil},
		"not all were run":                 {nil, nil, nil},
	} {
		tests := make([]int, max(len(c.states), 2))
		for i := range tests {
			tests[i] = 10 + i
		}
		got := calmIn(tests, c.states)
		var calm []int
		for i, is := range got.tests {
			if is {
				calm = append(calm, i)
			}
		}
		if slices.Sort(calm); !slices.Equal(calm, c.calm) || !slices.Equal(got.openers, c.openers) {
			t.Errorf("%s: %v are calm and %v come first, want %v and %v", name, calm, got.openers, c.calm, c.openers)
		}
	}
}
