//go:build linux

package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"
)

// The launcher of the package for Composer, with a script in place of the program.

// noPcntl are arguments for a PHP that has no pcntl, as in PHP's official images.
var noPcntl = []string{"-d", "disable_functions=pcntl_exec"}

// launcherWith copies the launcher and puts a program beside it. It gives the folder.
func launcherWith(t *testing.T, program string) string {
	t.Helper()
	if _, err := osexec.LookPath("php"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("../../.dist/composer")); err != nil {
		t.Fatal(err)
	}
	if program != "" {
		if err := os.WriteFile(filepath.Join(dir, "bin/assay-linux-"+runtime.GOARCH), []byte(program), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// launch runs the launcher and gives its exit status and output, or the signal that ended it as 128
// and its number.
func launch(t *testing.T, dir string, php []string, input string, args ...string) (int, string) {
	t.Helper()
	cmd := osexec.Command("php", append(append(append([]string(nil), php...), filepath.Join(dir, "bin/assay")), args...)...)
	cmd.Stdin = strings.NewReader(input)
	out, err := cmd.CombinedOutput()
	var exit *osexec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	status := cmd.ProcessState.Sys().(syscall.WaitStatus)
	if status.Signaled() {
		return 128 + int(status.Signal()), string(out)
	}
	return status.ExitStatus(), string(out)
}

func TestLauncher(t *testing.T) {
	echo := "#!/bin/sh\ncat\nfor a; do echo \"<$a>\"; done\necho to error >&2\nexit 3\n"
	killed := "#!/bin/sh\nkill -KILL $$\n"
	for _, row := range []struct {
		name, program string
		php           []string
		status        int
		want          string
	}{
		{"with pcntl", echo, nil, 3, "input\n<run>\n<--exclude=a b*>\n<>\nto error\n"},
		{"without", echo, noPcntl, 3, "input\n<run>\n<--exclude=a b*>\n<>\nto error\n"},
		{"ended by a signal, with pcntl", killed, nil, 137, ""},
		{"ended by a signal, without", killed, noPcntl, 137, ""},
		{"without anything", echo, []string{"-d", "disable_functions=pcntl_exec,proc_open"}, 2,
			"assay: this PHP can start no program: disable_functions names pcntl_exec and proc_open\n"},
		{"no program for a processor of 32 bits", "", nil, 2, "assay: there is no binary for Linux on "},
		{"a program that is none", "\x00\x00", nil, 4, "cannot be run: Exec format error\n"},
	} {
		status, out := launch(t, launcherWith(t, row.program), row.php, "input\n", "run", "--exclude=a b*", "")
		if status != row.status || !strings.Contains(out, row.want) {
			t.Errorf("%s: status %d, want %d; printed %q, want %q", row.name, status, row.status, out, row.want)
		}
	}
}

// Some ways to unpack a package take the right to execute away.
func TestLauncherGivesRights(t *testing.T) {
	dir := launcherWith(t, "#!/bin/sh\necho here\n")
	if err := os.Chmod(filepath.Join(dir, "bin/assay-linux-"+runtime.GOARCH), 0o644); err != nil {
		t.Fatal(err)
	}
	if status, out := launch(t, dir, nil, ""); status != 0 || out != "here\n" {
		t.Errorf("status %d, %q", status, out)
	}
}

// TestLauncherChooses asks for other systems and processors, by the names that uname(2) has there.
func TestLauncherChooses(t *testing.T) {
	dir := launcherWith(t, "")
	for _, name := range []string{"assay-linux-amd64", "assay-linux-arm64"} {
		if err := os.WriteFile(filepath.Join(dir, "bin", name), nil, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	const there = "; there is linux-amd64, linux-arm64\n"
	for _, row := range [][3]string{
		{"Linux", "x86_64", "assay-linux-amd64"},
		{"Linux", "aarch64", "assay-linux-arm64"},
		{"Linux", "riscv64", "there is no binary for Linux on riscv64" + there + "Build assay from its source on this machine, as its README says."},
		{"Darwin", "arm64", "there is no binary for Darwin on arm64" + there + "assay runs on Linux: run it in the container that your PHP has, or in WSL on Windows."},
		{"Windows NT", "AMD64", "there is no binary for Windows NT on AMD64" + there + "assay runs on Linux: run it in the container that your PHP has, or in WSL on Windows."},
	} {
		code := `require $argv[1] . '/src/Launcher.php';
			try { echo basename((new Assay\Launcher($argv[1] . '/bin'))->binary($argv[2], $argv[3])); } catch (RuntimeException $e) { echo $e->getMessage(); }`
		out, err := osexec.Command("php", "-r", code, "--", dir, row[0], row[1]).CombinedOutput()
		if err != nil || string(out) != row[2] {
			t.Errorf("%s on %s: %v, %q, want %q", row[0], row[1], err, out, row[2])
		}
	}
}

// TestLauncherSignals: the program hears that it is to end, however it was started, and nothing
// is left. Without pcntl that is so even where PHP is killed, and can tell nobody.
func TestLauncherSignals(t *testing.T) {
	for _, row := range []struct {
		name string
		php  []string
		sent syscall.Signal
	}{
		{"with pcntl", nil, syscall.SIGTERM}, {"without", noPcntl, syscall.SIGTERM}, {"without, killed", noPcntl, syscall.SIGKILL},
	} {
		dir := launcherWith(t, "#!/bin/sh\ntrap 'echo ended >>$0.said; exit 143' TERM\necho begun >>$0.said\nwhile :; do sleep 0.02; done\n")
		said := filepath.Join(dir, "bin/assay-linux-"+runtime.GOARCH+".said")
		cmd := osexec.Command("php", append(append([]string(nil), row.php...), filepath.Join(dir, "bin/assay"))...)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		awaitText(t, said, "begun\n")
		if row.php != nil {
			awaitWatcher(t, cmd.Process.Pid)
		}
		if err := cmd.Process.Signal(row.sent); err != nil {
			t.Fatal(err)
		}
		cmd.Wait()
		awaitText(t, said, "begun\nended\n")
		for limit := time.Now().Add(hangs); len(processesWith(dir)) > 0; time.Sleep(10 * time.Millisecond) {
			if time.Now().After(limit) {
				t.Fatalf("%s: left are %v", row.name, processesWith(dir))
			}
		}
	}
}

// awaitWatcher waits until a launcher has started its watcher, behind the program.
func awaitWatcher(t *testing.T, launcher int) {
	t.Helper()
	for limit := time.Now().Add(hangs); time.Now().Before(limit); time.Sleep(5 * time.Millisecond) {
		text, err := os.ReadFile(fmt.Sprintf("/proc/%d/task/%[1]d/children", launcher))
		if err != nil {
			t.Fatal(err)
		}
		if len(bytes.Fields(text)) == 2 {
			return
		}
	}
	t.Fatal("the launcher has no watcher")
}

// awaitText waits until a file holds a text.
func awaitText(t *testing.T, path, want string) {
	t.Helper()
	var got []byte
	for limit := time.Now().Add(hangs); time.Now().Before(limit); time.Sleep(5 * time.Millisecond) {
		if got, _ = os.ReadFile(path); bytes.Equal(got, []byte(want)) {
			return
		}
	}
	t.Fatalf("%s holds %q, want %q", path, got, want)
}

// A terminal sends Ctrl-C to all processes of a group: the program has it once, and not a second
// time by the watcher, for a second one has it end without a report.
func TestLauncherInterrupted(t *testing.T) {
	dir := launcherWith(t, "#!/bin/sh\ntrap 'echo int >>$0.said; sleep 0.3; exit 130' INT\ntrap 'echo term >>$0.said' TERM\necho begun >>$0.said\nwhile :; do sleep 0.02; done\n")
	said := filepath.Join(dir, "bin/assay-linux-"+runtime.GOARCH+".said")
	cmd := osexec.Command("php", append(append([]string(nil), noPcntl...), filepath.Join(dir, "bin/assay"))...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	awaitText(t, said, "begun\n")
	awaitWatcher(t, cmd.Process.Pid)
	if err := syscall.Kill(-cmd.Process.Pid, syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	cmd.Wait()
	for limit := time.Now().Add(hangs); len(processesWith(dir)) > 0 && time.Now().Before(limit); {
		time.Sleep(10 * time.Millisecond)
	}
	awaitText(t, said, "begun\nint\n")
}
