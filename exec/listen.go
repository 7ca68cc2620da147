package exec

import (
	"fmt"
	"strings"
	"sync"
	"sync/atomic"

	"assay/mutate"
)

// Where workers share the machine's network, only one of them can have a
// server at a port. The tests of the others would meet the server of the first,
// which runs another mutant's code. So the survey's first run is by itself, and
// if a process of the tests listened at a port that is not the kernel's own
// choice, what runs tests takes turns from then on.

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

// waitShared waits, in a shared network, until the first run told whether the
// tests listen at ports.
func (x *explorer) waitShared(done <-chan struct{}) {
	if x.e.sharesNetwork() {
		select {
		case <-done:
		case <-x.described:
		}
	}
}

// noteListening makes the workers take turns if the tests listened at ports.
func (x *explorer) noteListening(ports []uint16) {
	if len(ports) == 0 {
		return
	}
	x.e.turns.on.Store(true)
	x.s.Notes = append(x.s.Notes, mutate.Note{Kind: "network", Text: fmt.Sprintf(
		"The tests listen at %s, and workers share the network, so that only one of them runs tests at a time: %s.", portList(ports), x.e.whyShared)})
}

// busyPorts refuses a bootstrap that keeps ports to itself in a shared network.
func (x *explorer) busyPorts() error {
	ports := x.plain.facts.Ports
	if len(ports) == 0 {
		return nil
	}
	return &ProjectError{fmt.Sprintf("what the bootstrap starts listens at %s as long as a worker lives, and workers share the network: %s", portList(ports), x.e.whyShared),
		"Each worker needs a server of its own: start it in a fixture of the test class, or have the kernel choose the port, or let the workers have networks of their own."}
}

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
