package judging

import (
	"testing"

	"assay/exec/wire"
	"assay/mutate"
)

// TestRed: the first event that is not green decides.
func TestRed(t *testing.T) {
	failure := wire.Event{Test: 3, Kind: "failure", Fatal: true, Message: "m", Name: "T::c"}
	for _, c := range []struct {
		name   string
		events []wire.Event
		want   Finding
		ok     bool
	}{
		{"none", nil, Finding{}, false},
		{"only such as do not count", []wire.Event{{Test: 1, Kind: "risky"}, {Test: 1, Kind: "skipped"}}, Finding{}, false},
		{"an assertion", []wire.Event{failure}, Finding{Status: mutate.Killed, How: mutate.Assertion, Test: 3, Name: "T::c", Detail: "m"}, true},
		{"an error", []wire.Event{{Test: 2, Kind: "error", Fatal: true}, failure}, Finding{Status: mutate.Killed, How: mutate.Error, Test: 2}, true},
		{"a warning that counts here", []wire.Event{{Test: 1, Kind: "risky"}, {Test: 2, Kind: "warning", Fatal: true}},
			Finding{Status: mutate.Killed, How: mutate.Error, Test: 2}, true},
		{"of no test of the suite", []wire.Event{{Test: -1, Kind: "error", Fatal: true, Name: "T"}},
			Finding{Status: mutate.Killed, How: mutate.Error, Test: -1, Name: "T"}, true},
	} {
		if got, ok := Red(c.events); ok != c.ok || got != c.want {
			t.Errorf("%s: %+v %v, want %+v %v", c.name, got, ok, c.want, c.ok)
		}
	}
}

// TestEnded: what the end of a process says, where its tests say nothing. Status is
// Unset where that is nothing, and then the mutant is looked at again.
func TestEnded(t *testing.T) {
	for _, c := range []struct {
		name string
		end  End
		want Finding
	}{
		{"all passed", End{Running: -1, Done: true}, Finding{Status: mutate.Survived, Test: -1}},
		{"out of time", End{Running: 2, RunName: "T::c", TimedOut: true, Signal: 9},
			Finding{Status: mutate.TimedOut, Test: 2, Name: "T::c", Detail: "did not end in its time"}},
		{"out of processor time", End{Running: 2, TimedOut: true, Spent: true, Signal: 9},
			Finding{Status: mutate.TimedOut, Test: 2, Detail: "did not end in its time", Sure: true}},
		{"out of time, after all that is suspected", End{Running: 2, TimedOut: true, Suspect: true, Signal: 9},
			Finding{Status: mutate.TimedOut, Test: 2, Detail: "did not end in its time"}},
		{"a suspect", End{Running: 2, Suspect: true, Signal: 9}, Finding{Test: 2, Detail: "took much longer than it does unchanged"}},
		{"too much memory, seen from outside", End{Running: 2, Exceeded: true, Signal: 9},
			Finding{Status: mutate.Killed, How: mutate.Memory, Test: 2, Detail: "takes many times the memory that the suite does"}},
		{"its parent was ended, when all had been run", End{Running: -1, Done: true, Orphaned: true, Exit: -1}, Finding{Test: -1, Detail: "its parent process was ended"}},
		{"a signal", End{Running: 2, Signal: 11}, Finding{Status: mutate.Killed, How: mutate.Crash, Test: 2, Detail: "ended by signal 11"}},
		{"a signal behind the last test", End{Running: -1, Done: true, Signal: 11}, Finding{Status: mutate.Killed, How: mutate.Crash, Test: -1, Detail: "ended by signal 11"}},
		{"PHP's own limit of memory", End{Running: 2, Exit: 255, Last: "Allowed memory size of 1 bytes exhausted at line 2"},
			Finding{Status: mutate.Killed, How: mutate.Memory, Test: 2, Detail: "Allowed memory size of 1 bytes exhausted at line 2"}},
		{"a fatal error", End{Running: 2, Exit: 255, Last: "Cannot redeclare f() at line 2"},
			Finding{Status: mutate.Killed, How: mutate.PrematureEnd, Test: 2, Detail: "Cannot redeclare f() at line 2"}},
		{"exit", End{Running: 2, Exit: 0},
			Finding{Status: mutate.Killed, How: mutate.PrematureEnd, Test: 2, Detail: "the process ended with status 0 before the tests did"}},
		{"exit behind the tests", End{Running: -1, Done: true, Exit: 3},
			Finding{Status: mutate.Killed, How: mutate.PrematureEnd, Test: -1, Detail: "every test passed, then the process ended with status 3"}},
	} {
		if got := Ended(c.end); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}
