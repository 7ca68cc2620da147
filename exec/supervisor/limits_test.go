//go:build linux

package supervisor

import (
	"testing"
	"time"
)

// A process grows as long as it has needed more memory a short processor time ago; one that is large,
// that takes the same memory again and again, or that waits does not.
func TestGrows(t *testing.T) {
	t.Parallel()
	const mb = 1 << 20
	type look struct {
		memory, cpu int64 // bytes, microseconds
		grows       bool
	}
	for name, looks := range map[string][]look{
		"at once large":        {{200 * mb, 30_000, false}, {200 * mb, 60_000, false}},
		"more and more":        {{20 * mb, 30_000, false}, {25 * mb, 60_000, true}, {29 * mb, 100_000, true}, {40 * mb, 2_500_000, true}},
		"no more":              {{20 * mb, 30_000, false}, {60 * mb, 60_000, true}, {60 * mb, 200_000, true}, {60 * mb, 270_000, false}},
		"up and down":          {{20 * mb, 30_000, false}, {60 * mb, 60_000, true}, {20 * mb, 200_000, true}, {60 * mb, 300_000, false}},
		"by little":            {{20 * mb, 30_000, false}, {21 * mb, 60_000, false}, {22 * mb, 90_000, false}},
		"by little, and again": {{20 * mb, 30_000, false}, {23 * mb, 60_000, false}, {25 * mb, 90_000, true}},
	} {
		c := &replay{s: &supervisor{}}
		c.s.known.Memory = 256 * mb
		c.phase(0)
		for n, l := range looks {
			if got := c.growsAt(l.memory, l.cpu); got != l.grows {
				t.Errorf("%s, look %d: %v", name, n, got)
			}
		}
		c.grown = c.grown.Add(-grownFor)
		if last := looks[len(looks)-1]; c.growsAt(last.memory, last.cpu) {
			t.Errorf("%s: it has waited since, and grows", name)
		}
	}
	c := &replay{s: &supervisor{}} // no limit would end it
	c.phase(0)
	c.growsAt(20*mb, 30_000)
	if c.growsAt(60*mb, 60_000) {
		t.Error("without a limit on memory it grows")
	}
	if c.phase(1); !c.grown.Equal(time.Time{}) || c.most != 0 {
		t.Error("another test begins with what this one had")
	}
}
