package judging

import (
	"fmt"
	"strings"

	"assay/exec/wire"
	"assay/mutate"
)

// A Finding is what an outcome says of a mutant.
type Finding struct {
	Status mutate.Status // Unset: it says nothing
	How    mutate.How
	Test   int    // number of the test that failed; -1 for none
	Name   string // its name, where it was told
	Detail string
	// Sure is true where no clock had a part in it.
	Sure bool
}

// End is how a replay ended, besides its tests.
type End struct {
	Running  int
	RunName  string
	Done     bool
	Exit     int
	Signal   int
	TimedOut bool
	Spent    bool // by the processor time that it used, or by what it did
	Suspect  bool
	Exceeded bool
	Orphaned bool
	Last     string
}

// Red gives the finding of the first event that is not green; ok is false where there
// is none.
func Red(events []wire.Event) (f Finding, ok bool) {
	for _, e := range events {
		if e.Fatal {
			f = Finding{Status: mutate.Killed, How: mutate.Error, Test: e.Test, Name: e.Name, Detail: e.Message}
			if e.Kind == "failure" {
				f.How = mutate.Assertion
			}
			return f, true
		}
	}
	return f, false
}

// Ended says what it means that a replay ended by itself.
func Ended(e End) Finding {
	f := Finding{Status: mutate.Killed, Test: e.Running, Name: e.RunName}
	switch {
	case e.TimedOut:
		f.Status, f.Detail, f.Sure = mutate.TimedOut, "did not end in its time", e.Spent
	case e.Suspect:
		f.Status, f.Detail = mutate.Unset, "took much longer than it does unchanged"
	case e.Exceeded:
		f.How, f.Detail = mutate.Memory, "takes many times the memory that the suite does"
	case e.Orphaned && e.Done:
		f.Status, f.Test, f.Detail = mutate.Unset, -1, "its parent process was ended"
	case e.Signal != 0:
		f.How, f.Detail = mutate.Crash, fmt.Sprintf("ended by signal %d", e.Signal)
	case strings.Contains(e.Last, "Allowed memory size"):
		f.How, f.Detail = mutate.Memory, e.Last
	case !e.Done && e.Last != "":
		f.How, f.Detail = mutate.PrematureEnd, e.Last
	case !e.Done:
		f.How, f.Detail = mutate.PrematureEnd, fmt.Sprintf("the process ended with status %d before the tests did", e.Exit)
	case e.Exit != 0:
		f.How, f.Detail = mutate.PrematureEnd, fmt.Sprintf("every test passed, then the process ended with status %d", e.Exit)
	default:
		f = Finding{Status: mutate.Survived, Test: -1}
	}
	return f
}
