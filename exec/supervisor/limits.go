//go:build linux

package supervisor

import (
	"time"

	"assay/exec/sandbox"
)

// phase begins a new stretch of time that has a limit of its own.
func (c *replay) phase(test int) {
	c.phaseTest, c.phaseWall, c.phaseCPU = test, time.Now(), -1
}

// ownLimits is how long, in microseconds, a test may take where PHPUnit enforces
// time limits of its own: more than those of small and medium tests.
const ownLimits = 15_000_000

// overLimit reports whether the present phase has used more than its share, and notes
// which limit it was. Processor time decides, so that a busy machine does not matter;
// real time is for what waits without end, and is generous.
func (c *replay) overLimit() bool {
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
	if wall < l.Soft+l.Factor*known {
		return false
	}
	cpu := sandbox.CPUTime(c.pid) - c.phaseCPU
	if c.s.limits["time_limit"] {
		// PHPUnit ends a test that takes too long, and its word counts: some suites
		// stay green at that. Our limits are for what it cannot end.
		l.Hard, l.Wall = max(l.Hard, ownLimits), max(l.Wall, 2*ownLimits)
		c.soft = false
	}
	c.o.Suspect = c.soft && cpu > l.Soft+l.Factor*known
	c.o.TimedOut = cpu > l.Hard+l.Factor*known || wall > l.Wall+2*l.Factor*known
	return c.o.Suspect || c.o.TimedOut
}
