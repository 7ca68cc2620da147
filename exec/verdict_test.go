package exec

import (
	"testing"

	"assay/mutate"
)

// TestJudge: what an outcome means, taken by itself.
func TestJudge(t *testing.T) {
	failure := event{Test: 3, Kind: "failure", Fatal: true, Message: "no"}
	for name, c := range map[string]struct {
		o      outcome
		status mutate.Status
		how    mutate.How
		test   int
		byExit bool
	}{
		"green":                          {outcome{Running: -1, Done: true}, mutate.Survived, 0, -1, false},
		"an assertion":                   {outcome{Running: -1, Done: true, Exit: 1, Events: []event{failure}}, mutate.Killed, mutate.Assertion, 3, false},
		"an error":                       {outcome{Running: -1, Done: true, Exit: 2, Events: []event{{Test: 4, Kind: "error", Fatal: true}}}, mutate.Killed, mutate.Error, 4, false},
		"a skip that the suite allows":   {outcome{Running: -1, Done: true, Events: []event{{Test: 1, Kind: "skipped"}}}, mutate.Survived, 0, -1, false},
		"a skip that it does not":        {outcome{Running: -1, Done: true, Exit: 1, Events: []event{{Test: 1, Kind: "skipped", Fatal: true}}}, mutate.Killed, mutate.Error, 1, false},
		"a failure, then a loop":         {outcome{Running: 5, TimedOut: true, Signal: 9, Exit: -1, Events: []event{failure}}, mutate.Killed, mutate.Assertion, 3, false},
		"exit(0) within a test":          {outcome{Running: 2}, mutate.Killed, mutate.PrematureEnd, 2, true},
		"a segmentation fault":           {outcome{Running: 2, Exit: -1, Signal: 11}, mutate.Killed, mutate.Crash, 2, true},
		"out of memory":                  {outcome{Running: 2, Exit: 255, Last: "Allowed memory size of 9 bytes exhausted"}, mutate.Killed, mutate.Memory, 2, true},
		"ended for its size":             {outcome{Running: 2, Exit: -1, Signal: 9, OverFull: true}, mutate.Killed, mutate.Memory, 2, false},
		"ended for its time":             {outcome{Running: 2, Exit: -1, Signal: 9, TimedOut: true}, mutate.TimedOut, 0, 2, false},
		"a destructor throws at the end": {outcome{Running: -1, Done: true, Exit: 255, Last: "Uncaught"}, mutate.Killed, mutate.PrematureEnd, -1, true},
		"a fatal error":                  {outcome{Running: 1, Exit: 255, Last: "Cannot redeclare f()"}, mutate.Killed, mutate.PrematureEnd, 1, true},
		"its parent is gone":             {outcome{Running: -1, Exit: -1, Done: true, Orphaned: true}, mutate.Unset, 0, -1, false},
		"it takes long":                  {outcome{Running: 1, Exit: -1, Signal: 9, Suspect: true}, mutate.Unset, 0, 1, false},
	} {
		f := judge(c.o)
		if f.Status != c.status || f.How != c.how || f.Test != c.test || f.ByExit != c.byExit {
			t.Errorf("%s: %v by %v, test %d, by exit %v; want %v by %v, %d, %v", name,
				f.Status, f.How, f.Test, f.ByExit, c.status, c.how, c.test, c.byExit)
		}
	}
}
