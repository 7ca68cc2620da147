//go:build linux

package supervisor

import (
	"time"

	"assay/exec/sandbox"
)

// phase begins a new stretch of time that has a limit of its own.
func (c *replay) phase(test int) {
	c.phaseTest, c.phaseWall, c.phaseCPU = test, time.Now(), -1
	c.most, c.grown = 0, time.Time{}
	c.waited, c.waitsSince = 0, time.Time{}
}

// mostWaited bounds what one look adds to the time that a process was seen to wait: we may
// have been kept from looking ourselves.
const mostWaited = 10 * tick

// onlyWaits reports whether a test, with all that it has started, has done nothing but wait
// for longer than it may. Looks come one by one, so that it counts as waiting only where
// it was found so twice in a row.
func (c *replay) onlyWaits(known int64) bool {
	l := c.limits
	if l.Wait == 0 || c.phaseTest < 0 {
		return false // what lies between tests, as fixtures do, may take any time
	}
	now := time.Now()
	if !sandbox.AllSleep(c.pid) {
		c.waitsSince = time.Time{}
		return false
	}
	if !c.waitsSince.IsZero() {
		c.waited += min(now.Sub(c.waitsSince), mostWaited).Microseconds()
	}
	c.waitsSince = now
	return c.waited > max(l.Wait, l.Factor*known)
}

// ownLimits is how long, in microseconds, a test may take where PHPUnit enforces
// time limits of its own: more than those of small and medium tests.
const ownLimits = 15_000_000

// firstLook is the time, in microseconds beside what a test is known to take, until a
// process is looked at for the first time.
const firstLook = 30_000

const (
	// growth is by how many bytes a process has to grow to count as growing,
	growth = 4 << 20
	// growsIn is in how much processor time, in microseconds,
	growsIn = 200_000
	// grownFor is in how much time on a busy machine.
	grownFor = 4 * time.Second
)

// growsAt reports whether a process needs more and more memory, which has so much of it now, in
// bytes, and has used so much processor time. It comes to the limit on memory then, sooner or
// later: how soon depends on the machine, for a fresh page takes ten times as long on one as on
// another. To end it sooner would be another verdict than that of PHP.
func (c *replay) growsAt(now, cpu int64) bool {
	switch {
	case c.s.known.Memory == 0: // nothing would end it
		return false
	case c.most == 0:
		c.most = now
	case now > c.most+growth:
		c.most, c.grown, c.grownCPU = now, time.Now(), cpu
	}
	return !c.grown.IsZero() && cpu-c.grownCPU < growsIn && time.Since(c.grown) < grownFor
}

// overLimit reports whether the present phase has used more than its share, and notes
// which limit it was. Processor time decides, so that a busy machine does not matter;
// real time is for what waits: short for a test that was seen to do nothing else, and
// else generous. memory is what it has, in bytes, where there is a limit on that.
func (c *replay) overLimit(memory int64) bool {
	l := c.limits
	if c.o.TimedOut || c.o.Suspect || c.o.Exceeded {
		return false
	}
	if c.phaseCPU < 0 {
		c.phaseCPU = sandbox.CPUTime(c.pid) // at the first look, a tick late at most
	}
	wall := time.Since(c.phaseWall).Microseconds()
	known := int64(0)
	if c.phaseTest >= 0 && c.phaseTest < len(c.s.known.Times) {
		known = c.s.known.Times[c.phaseTest]
	} else if !c.ran && c.r.From != FromWalker {
		known = c.s.built
	}
	if wall < firstLook+l.Factor*known {
		return false
	}
	cpu := sandbox.CPUTime(c.pid) - c.phaseCPU
	if c.s.limits["time_limit"] {
		// PHPUnit ends a test that takes too long, and its word counts: some suites
		// stay green at that. Our limits are for what it cannot end.
		l.Hard, l.Wall, c.limits.Wait = max(l.Hard, ownLimits), max(l.Wall, 2*ownLimits), 0
		c.soft = 0
	}
	c.o.Suspect = c.soft > 0 && cpu > c.soft+l.Factor*known
	grows := c.growsAt(memory, cpu)
	c.o.Spent = !grows && cpu > l.Hard+l.Factor*known
	c.o.TimedOut = c.o.Spent || !grows && wall > l.Wall+2*l.Factor*known || c.onlyWaits(known)
	return c.o.Suspect || c.o.TimedOut
}
