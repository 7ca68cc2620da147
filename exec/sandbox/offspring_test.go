//go:build linux

package sandbox

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// TestOffspring: whatever way a process starts another one in, it shows; what somebody else
// starts does not.
func TestOffspring(t *testing.T) {
	say, tell, shell := shellAt(t)
	step := func(command string) string {
		fmt.Fprintln(say, command+"\necho done")
		if line, err := tell.ReadString('\n'); line != "done\n" {
			t.Fatalf("%s: the shell says %q (%v)", command, line, err)
		}
		return Offspring([]int{shell})
	}
	before := step(":")
	for _, c := range []struct {
		what, command string
		changes       bool
	}{
		{"nothing", ":", false},
		{"work of its own", "x=1; x=$((x+1))", false},
		{"a process that it waits for", "/bin/true", true},
		{"a process that lives", "sleep 60 >/dev/null 2>&1 &", true},
		{"nothing beside one that lives", ":", false},
		{"a process that has no parent any more", "(setsid sleep 5 >/dev/null 2>&1 &)", true},
		{"a copy of itself", "(:)", true},
	} {
		after := step(c.command)
		if before == "" || after == "" || (before != after) != c.changes {
			t.Errorf("%s: %q, then %q", c.what, before, after)
		}
		before = after
	}
	if err := exec.Command("true").Run(); err != nil {
		t.Fatal(err)
	}
	if after := Offspring([]int{shell}); after != before {
		t.Errorf("a process of somebody else: %q, then %q", before, after)
	}
	ignoring := exec.Command("env", "--ignore-signal=CHLD", "cat")
	out, err := ignoring.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := ignoring.Start(); err != nil {
		t.Fatal(err)
	}
	defer ignoring.Wait()
	defer out.Close()
	for deadline := time.Now().Add(10 * time.Second); Offspring([]int{ignoring.Process.Pid}) != ""; time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("children vanish without a trace, and nobody says so")
		}
	}
	if now := Offspring([]int{os.Getpid(), 1 << 30}); now != "" {
		t.Errorf("of a process that is not there: %q", now)
	}
}

// TestLastStarted: in a namespace of its own it changes with each process that anybody
// starts there, and with nothing else; elsewhere it is not known.
func TestLastStarted(t *testing.T) {
	if os.Getpid() != 1 {
		if n := LastStarted([]int{os.Getpid()}); n != 0 {
			t.Errorf("in a namespace that others use: %d", n)
		}
		cmd := exec.Command("unshare", "--user", "--map-root-user", "--pid", "--fork", "--mount-proc", os.Args[0], "-test.run=^TestLastStarted$", "-test.v")
		if out, err := cmd.CombinedOutput(); err != nil || !strings.Contains(string(out), "--- PASS: TestLastStarted") {
			t.Fatalf("in a namespace of its own: %v\n%s", err, out)
		}
		return
	}
	say, tell, shell := shellAt(t)
	step := func(command string) int {
		fmt.Fprintln(say, command+"\necho done")
		if line, err := tell.ReadString('\n'); line != "done\n" {
			t.Fatalf("%s: the shell says %q (%v)", command, line, err)
		}
		return LastStarted([]int{shell})
	}
	same := 0
	for range 20 { // threads of Go's count as well
		if before := step(":"); before > 0 && before == step("x=1; x=$((x+1))") {
			same++
		}
		for _, command := range []string{"/bin/true", "(:)", "(setsid true >/dev/null 2>&1 &)", "trap '' CHLD; /bin/true; trap - CHLD"} {
			if before := step(":"); before == 0 || before == step(command) {
				t.Errorf("%s: %d before and after", command, before)
			}
		}
	}
	if same < 10 {
		t.Errorf("it stayed as it was %d times of 20 in which nothing was started", same)
	}
	if n := LastStarted([]int{1 << 30}); n != 0 {
		t.Errorf("a number below that of a process that runs: %d", n)
	}
}

// shellAt starts a shell that obeys what is written; it ends with all below it.
func shellAt(t *testing.T) (io.Writer, *bufio.Reader, int) {
	t.Helper()
	cmd := exec.Command("sh")
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		fmt.Fprintln(in, "kill $(jobs -p)")
		in.Close()
		cmd.Wait()
	})
	return in, bufio.NewReader(out), cmd.Process.Pid
}
