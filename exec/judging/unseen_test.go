package judging

import (
	"slices"
	"testing"
)

// TestUnseen: the rest of the suite is run from the first pair on that hides something, and from no
// sooner one.
func TestUnseen(t *testing.T) {
	r := sevenTests(t)
	s := NewSuite(r, nil, false)
	m := &Subject{Pairs: []int{1, 3, 4, 5}}
	if got := s.Unseen(m); got != nil {
		t.Errorf("nothing hides anything, and %v are said to", got)
	}
	r.Segments[2].Makes = true // does not pass the mutant
	if got := s.Unseen(m); got != nil {
		t.Errorf("what does not pass the mutant hides nothing of it, and %v are said to", got)
	}
	r.Segments[4].Makes = true
	if got := s.Unseen(m); !slices.Equal(got, []int{4, 5}) {
		t.Errorf("got %v, want 4 and 5", got)
	}
}
