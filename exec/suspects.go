//go:build linux

package exec

import "sync/atomic"

// suspects decides how soon a replay is suspected of not ending: when it has used so much more
// processor time than its test is known to take. What unchanged code uses in a process that was
// just made, beside its tests, depends on the machine and on the suite: pages are copied, and
// where a class of the project has a destructor garbage is collected. So it is measured.
type suspects struct{ after atomic.Int64 }

// These are microseconds of processor time, but for the second.
const (
	firstSuspicion = 30_000
	timesUnchanged = 4
	lastSuspicion  = 500_000
)

// limit gives the time, in microseconds.
func (s *suspects) limit() int64 { return max(firstSuspicion, s.after.Load()) }

// learn takes in how much unchanged code has used in a process of its own, beside its tests.
func (s *suspects) learn(used int64) {
	for limit := min(timesUnchanged*used, lastSuspicion); ; {
		if before := s.after.Load(); limit <= before || s.after.CompareAndSwap(before, limit) {
			return
		}
	}
}
