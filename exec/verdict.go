package exec

import (
	"fmt"
	"strings"

	"assay/mutate"
)

// finding is what an outcome says by itself, before anything is held against a
// control.
type finding struct {
	Status mutate.Status
	How    mutate.How
	Test   int    // number of the test that noticed; -1 for none
	Name   string // its name, where the number may not be the survey's
	Detail string
	// ByExit: only the way the process ended says so. Code that is not changed
	// may end so as well when only these tests are run.
	ByExit bool
}

// judge says what an outcome means for a mutant. Pure.
//
// The order matters: a test that failed has noticed the change, whatever the
// process did afterwards; a process that was stopped at its limit tells
// nothing else.
func judge(o outcome) finding {
	for _, e := range o.Events {
		if e.Fatal {
			f := finding{Status: mutate.Killed, How: mutate.Error, Test: e.Test, Name: e.Name, Detail: e.Message}
			if e.Kind == "failure" {
				f.How = mutate.Assertion
			}
			return f
		}
	}
	f := finding{Status: mutate.Killed, Test: o.Running, Name: o.RunName}
	switch {
	case o.TimedOut:
		f.Status, f.Detail = mutate.TimedOut, "did not end in its time"
	case o.Suspect:
		f.Status, f.Detail = mutate.Unset, "took much longer than it does unchanged"
	case o.OverFull:
		f.How, f.Detail = mutate.Memory, "takes many times the memory that the suite does"
	case o.Orphaned && o.Done:
		f.Status, f.Test, f.Detail = mutate.Unset, -1, "its parent process was ended"
	case o.Signal != 0:
		f.How, f.Detail, f.ByExit = mutate.Crash, fmt.Sprintf("ended by signal %d", o.Signal), true
	case strings.Contains(o.Last, "Allowed memory size"):
		f.How, f.Detail, f.ByExit = mutate.Memory, o.Last, true
	case !o.Done && o.Last != "":
		f.How, f.Detail, f.ByExit = mutate.PrematureEnd, o.Last, true
	case !o.Done:
		f.How, f.Detail, f.ByExit = mutate.PrematureEnd, fmt.Sprintf("the process ended with status %d before the tests did", o.Exit), true
	case o.Exit != 0:
		f.How, f.Detail, f.ByExit = mutate.PrematureEnd, fmt.Sprintf("every test passed, then the process ended with status %d", o.Exit), true
	default:
		f = finding{Status: mutate.Survived, Test: -1}
	}
	return f
}

// sameEnd reports whether two outcomes ended in the same way, tests aside.
func sameEnd(a, b outcome) bool {
	return a.Done == b.Done && a.Exit == b.Exit && a.Signal == b.Signal && a.TimedOut == b.TimedOut
}
