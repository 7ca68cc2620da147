//go:build linux

package supervisor

import (
	"strings"
	"testing"
	"time"

	"assay/exec/wire"
)

// TestAwaitOfWhatHasEnded: the process and its connection end while messages wait to be read.
// That the last of them has been read is the end of it, whatever is seen first.
func TestAwaitOfWhatHasEnded(t *testing.T) {
	for range 20 { // select chooses by chance
		p := &process{peer: &peer{messages: make(chan wire.Message, 3), closed: make(chan struct{})}, exited: make(chan struct{})}
		for range 3 {
			p.peer.messages <- wire.Message{Kind: "last"}
		}
		close(p.peer.closed)
		close(p.exited)
		came := make(chan error, 1)
		go func() {
			came <- (&supervisor{}).await(p, func(wire.Message) (bool, error) { return false, nil })
		}()
		select {
		case err := <-came:
			if err == nil || !strings.Contains(err.Error(), "php ended") {
				t.Fatal(err)
			}
		case <-time.After(time.Minute):
			t.Fatal("it waits on for a process that has ended")
		}
	}
}
