//go:build linux

package exec

import "testing"

// The time until a replay is suspected is some times what unchanged code used, within bounds, and
// never less than it was.
func TestSuspects(t *testing.T) {
	t.Parallel()
	var s suspects
	for _, c := range []struct{ used, want int64 }{
		{-5_000, firstSuspicion}, {1_000, firstSuspicion}, {20_000, 80_000}, {10_000, 80_000}, {10_000_000, lastSuspicion},
	} {
		s.learn(c.used)
		if got := s.limit(); got != c.want {
			t.Errorf("after %d: %d, want %d", c.used, got, c.want)
		}
	}
}
