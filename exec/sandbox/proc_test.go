//go:build linux

package sandbox

import (
	"os"
	osexec "os/exec"
	"syscall"
	"testing"
	"time"
)

// TestProc looks at a process whose work is done by a child, while it lives, when it
// waits for its parent to be told of its end, and afterwards.
func TestProc(t *testing.T) {
	cmd := osexec.Command("/bin/sh", "-c", "i=0; (while [ $i -lt 300000 ]; do i=$((i+1)); done; exec sleep 1000) & wait")
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	pid := cmd.Process.Pid
	if !Alive(pid) {
		t.Error("it is not held to be alive")
	}
	deadline := time.Now().Add(30 * time.Second)
	for CPUTime(pid) < 100_000 && time.Now().Before(deadline) {
		time.Sleep(5 * time.Millisecond)
	}
	used, memory := CPUTime(pid), Resident(pid)
	KillGroup(pid)
	for deadline := time.Now().Add(10 * time.Second); Alive(pid) && time.Now().Before(deadline); {
		time.Sleep(time.Millisecond)
	}
	if Alive(pid) {
		t.Error("a process that was killed, and nobody waited for, is held to be alive")
	}
	cmd.Wait()
	if Alive(pid) || CPUTime(pid) != 0 || Resident(pid) != 0 {
		t.Error("a process that is gone is held to be there")
	}
	if used < 100_000 || used > 30_000_000 {
		t.Errorf("processor time %d µs", used)
	}
	if own := Resident(os.Getpid()); memory < 1<<18 || memory > 1<<27 || own < 1<<20 {
		t.Errorf("memory %d and %d bytes", memory, own)
	}
}
