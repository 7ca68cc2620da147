//go:build linux

package exec

import (
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
)

// Where workers share the machine's network, only one of them can have a server at a
// port. The tests of the others would meet the server of the first, which runs another
// mutant's code. So one recording is made by itself, and if a process of the tests
// listened at a port that is not the kernel's own choice, what runs tests takes turns
// from then on. Files in places that --allow-write names are shared as well, always, and
// what one worker's tests take away there those of another one miss.

// turns lets one at a time through, once it is on.
type turns struct {
	on atomic.Bool
	mu sync.Mutex
}

// take waits for a turn and gives what ends it.
func (t *turns) take() (end func()) {
	if !t.on.Load() {
		return func() {}
	}
	t.mu.Lock()
	return t.mu.Unlock
}

// sharesNetwork reports whether the tests of all workers are in one network.
func (e *Engine) sharesNetwork() bool { return !e.confinement.Network }

// sharesPlaces reports whether there are places that the tests of all workers may write to.
func (e *Engine) sharesPlaces() bool { return len(e.set.AllowWrite) > 0 }

func portList(ports []uint16) string {
	text := make([]string, len(ports))
	for i, p := range ports {
		text[i] = fmt.Sprint(p)
	}
	if len(text) == 1 {
		return "port " + text[0]
	}
	return "ports " + strings.Join(text, ", ")
}
