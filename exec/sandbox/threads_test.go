package sandbox

import (
	"os/exec"
	"runtime"
	"syscall"
	"testing"
)

// TestOnlyThreads: a thread of this process is none that a test has started; a process is.
func TestOnlyThreads(t *testing.T) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	if tid := syscall.Gettid(); !OnlyThreads(tid-1, tid) {
		t.Error("a thread of this process is taken for something else")
	}
	cmd := exec.Command("sleep", "60")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	pid := cmd.Process.Pid
	defer cmd.Wait()
	defer cmd.Process.Kill()
	if OnlyThreads(pid-1, pid) {
		t.Error("a process is taken for a thread")
	}
	if !OnlyThreads(pid, pid) {
		t.Error("nothing was started")
	}
	if OnlyThreads(0, pid) || OnlyThreads(pid, pid-1) || OnlyThreads(0, 0) {
		t.Error("what is not known is taken for threads")
	}
}
