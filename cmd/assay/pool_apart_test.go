//go:build linux

package main

import (
	"fmt"
	"io"
	"os"
	osexec "os/exec"
	"strconv"
	"strings"
	"testing"
	"time"
)

// An apart is a network of namespaces that the test has made: one, the hub, for the host of a run
// and the server, and one for each worker, which a pair of virtual cables connects with the hub.
// The addresses exist nowhere but there.
type apart struct {
	hub     namespace
	workers map[string]namespace
}

// hubAddress is that of the hub for all workers.
const hubAddress = "10.77.0.1"

// A namespace is one of networks.
type namespace struct {
	pid  int // of a process that keeps it
	name string
}

func newApart(t *testing.T) *apart {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Fatal("only root can make networks")
	}
	a := &apart{hub: keepNamespace(t), workers: map[string]namespace{}}
	a.hub.ip(t, "addr", "add", hubAddress+"/32", "dev", "lo")
	return a
}

// keepNamespace makes a network namespace that lasts as long as the test.
func keepNamespace(t *testing.T) namespace {
	t.Helper()
	cmd := osexec.Command("unshare", "--net", "sh", "-c", "ip link set lo up && echo made && exec cat")
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		in.Close() // which ends it
		cmd.Wait()
	})
	if _, err := io.ReadFull(out, make([]byte, len("made\n"))); err != nil {
		t.Fatalf("no network namespace can be made: %v", err)
	}
	return namespace{pid: cmd.Process.Pid}
}

// enter is what a command line begins with whose process is to be in the namespace.
func (n namespace) enter() []string {
	return []string{"nsenter", "--net", "--target", strconv.Itoa(n.pid)}
}

func (n namespace) ip(t *testing.T, args ...string) {
	t.Helper()
	args = append(append(n.enter(), "ip"), args...)
	if out, err := osexec.Command(args[0], args[1:]...).CombinedOutput(); err != nil {
		t.Fatalf("%v: %v %s", args, err, out)
	}
}

// enter is what a worker's command line begins with: its network is that of its name, and it sees
// no processes but its own.
func (a *apart) enter(t *testing.T, name string) []string {
	t.Helper()
	n, known := a.workers[name]
	if !known {
		n = keepNamespace(t)
		n.name = fmt.Sprint("worker", len(a.workers))
		net := fmt.Sprintf("10.77.%d.", len(a.workers)+1)
		a.hub.ip(t, "link", "add", n.name, "type", "veth", "peer", "name", "hub", "netns", strconv.Itoa(n.pid))
		a.hub.ip(t, "addr", "add", net+"1/30", "dev", n.name)
		a.hub.ip(t, "link", "set", n.name, "up")
		n.ip(t, "addr", "add", net+"2/30", "dev", "hub")
		n.ip(t, "link", "set", "hub", "up")
		n.ip(t, "route", "add", "default", "via", net+"1")
		a.workers[name] = n
	}
	return append(n.enter(), "unshare", "--pid", "--fork", "--kill-child", "--mount-proc")
}

// cut takes a worker's cable out, or puts it back.
func (a *apart) cut(t *testing.T, name string, out bool) {
	t.Helper()
	state := "up"
	if out {
		state = "down"
	}
	a.hub.ip(t, "link", "set", a.workers[name].name, state)
}

// child is the process that unshare has started.
func (a *apart) child(t *testing.T, pid int) int {
	t.Helper()
	for range 500 {
		text, _ := os.ReadFile(fmt.Sprintf("/proc/%d/task/%d/children", pid, pid))
		if child, err := strconv.Atoi(strings.TrimSpace(string(text))); err == nil {
			return child
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Fatal("a worker has no process")
	return 0
}
