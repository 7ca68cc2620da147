//go:build linux

package exec

import (
	"maps"
	"slices"

	"assay/exec/judging"
)

// level says which ways to replay are closed, because their controls did not pass. What is
// left at each is slower than at the one before, and says the same.
type level uint8

const (
	allWays    level = iota
	noBatches        // every mutant is played by itself
	noSelected       // and swapped in
	coldOnly         // each by a process that was not forked
	noWay            // nothing can be trusted
)

var levelTexts = [...]string{"", "each mutant has a process of its own", "each mutant is put in place as a file", "each mutant has a PHP process that is started for it"}

// closedError says that a way is closed: the level has to be at least that.
type closedError struct {
	least level
	why   string
}

func (e *closedError) Error() string { return e.why }

// controlError says that no verdict can be trusted.
type controlError struct{ text string }

func (e *controlError) Error() string {
	return "control failed: " + e.text + "; no verdict of this run can be trusted"
}

// walkerLevel is what is left when a walker is not what it should be.
func (d *desk) walkerLevel() level {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.schemata.texts) > 0 {
		return noSelected
	}
	return coldOnly
}

// escalate closes a way and has all that is left replayed in others.
func (d *desk) escalate(bad *closedError, cases []*kase) error {
	if bad.least >= noWay {
		return &controlError{bad.why}
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if bad.least > d.bench.level {
		d.bench.level = bad.least
		clear(d.redOnce) // what failed on the way that is closed now did not fail by chance
		if bad.least >= noSelected {
			d.schemata.texts = map[string][]byte{}
		}
		d.suite.Cold = d.suite.Cold || bad.least >= coldOnly
		d.suite.NoBatches = true
		go d.e.remark("A quicker way to run tests on mutants is closed here (%s): %s, which takes longer.", bad.why, levelTexts[bad.least])
		d.requeue()
	}
	for _, c := range cases {
		d.queue(c)
	}
	return nil
}

// requeue plans all that waits once more. j.mu is held.
func (j *bench) requeue() {
	var all []*kase
	for _, at := range j.waiting {
		for _, n := range slices.Sorted(maps.Keys(at)) {
			all = append(all, at[n]...)
		}
	}
	j.waiting = map[judging.Form]map[int][]*kase{}
	for _, c := range all {
		j.queue(c)
	}
}

// lower plans a case for the present level. j.mu is held.
func (j *bench) lower(c *kase) {
	if j.level >= noSelected {
		c.subject.Entry = judging.Swapped
	}
	c.level = j.level
	c.steps = j.stepsLeft(c, 0, true)
}

// texts gives the files with mutants in them.
func (j *bench) texts() map[string][]byte {
	j.mu.Lock()
	defer j.mu.Unlock()
	return maps.Clone(j.schemata.texts)
}

// withoutRefused takes out the files that PHP's compiler does not take with their
// mutants, and reports whether there were any.
func (j *bench) withoutRefused() bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	some, err := j.e.refused(j.schemata)
	if err != nil || !some {
		return false
	}
	for _, c := range j.cases {
		if c.subject.Entry == judging.Selected && j.schemata.number[c.task.Mutant] == 0 {
			c.subject.Entry = judging.Swapped
			if len(c.steps) > 0 {
				c.steps = j.stepsLeft(c, 0, true)
			}
		}
	}
	if j.stats.planned {
		j.requeue()
	}
	return true
}
