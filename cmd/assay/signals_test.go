//go:build linux

package main

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// An assayApart is an assay with a temp directory and a cache of its own.
type assayApart struct {
	t    *testing.T
	dir  string // of the project
	base string // has tmp and cache
}

func newAssayApart(t *testing.T) assayApart {
	t.Helper()
	needTools(t, "php", "phpunit", "composer")
	s := assayApart{t: t, dir: resumeProject(t)}
	s.base = filepath.Dir(s.dir)
	for _, d := range []string{"tmp", "cache"} {
		if err := os.MkdirAll(filepath.Join(s.base, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

// start starts a command; what it prints comes to out.
func (s assayApart) start(args ...string) (cmd *osexec.Cmd, out *bytes.Buffer) {
	s.t.Helper()
	cmd, out = osexec.Command("assay", args...), &bytes.Buffer{}
	cmd.Dir, cmd.Stdout, cmd.Stderr = s.dir, out, out
	cmd.Env = append(os.Environ(), "XDG_CACHE_HOME="+filepath.Join(s.base, "cache"), "TMPDIR="+filepath.Join(s.base, "tmp"), "NO_COLOR=1")
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	return cmd, out
}

// nothingLeft demands that neither processes nor temporary files are there.
func (s assayApart) nothingLeft(what string) {
	s.t.Helper()
	// What is killed in a dying namespace takes a moment to go.
	var left []string
	for range 200 {
		if left = processesWith(filepath.Join(s.base, "tmp")); len(left) == 0 {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	if len(left) > 0 {
		s.t.Errorf("%s: processes were left: %v", what, left)
	}
	for _, dir := range []string{"tmp", "."} {
		entries, err := os.ReadDir(filepath.Join(s.base, dir))
		if err != nil {
			s.t.Fatal(err)
		}
		for _, e := range entries {
			if dir == "tmp" || strings.HasPrefix(e.Name(), ".") {
				s.t.Errorf("%s: %s was left", what, filepath.Join(dir, e.Name()))
			}
		}
	}
}

// ends waits for the end of a command, and demands that it comes.
func (s assayApart) ends(cmd *osexec.Cmd, what string) int {
	s.t.Helper()
	done := make(chan struct{})
	go func() {
		cmd.Wait()
		close(done)
	}()
	select {
	case <-done:
	case <-time.After(hangs):
		syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
		<-done
		s.t.Errorf("%s: it did not end within %v", what, hangs)
	}
	return cmd.ProcessState.ExitCode()
}

// howOften is how many moments are tried; ASSAY_MOMENTS sets it.
func howOften(t *testing.T, usual int) int {
	if text := os.Getenv("ASSAY_MOMENTS"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	return usual
}

// TestSignals asks runs to stop, at moments from the first on, and some of them twice.
func TestSignals(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("long, and nothing in it runs in parallel that others do not have")
	}
	signals := []syscall.Signal{syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP, syscall.SIGQUIT}
	s := newAssayApart(t)
	n := howOften(t, 8) // each signal in each view
	for i := range n {
		sig, twice, view := signals[i%4], i%3 == 2, []string{"overlay", "copy"}[i/4%2]
		wait := time.Duration(2000*i*i/(n*n)) * time.Millisecond // most of them early
		what := fmt.Sprintf("%v after %v, twice: %v, %s", sig, wait, twice, view)
		cmd, out := s.start("run", "--fresh", "--view", view, "--write", "json="+filepath.Join(s.base, "result.json"))
		time.Sleep(wait)
		// To the group, as a terminal does it.
		syscall.Kill(-cmd.Process.Pid, sig)
		if twice {
			time.Sleep(time.Duration(rand.IntN(40)) * time.Millisecond)
			syscall.Kill(-cmd.Process.Pid, sig)
		}
		asked := time.Now()
		got := s.ends(cmd, what)
		if took := time.Since(asked); twice && took > 10*time.Second { // it gives itself half of that
			t.Errorf("%s: it took %v to end", what, took)
		}
		ws, ok := cmd.ProcessState.Sys().(syscall.WaitStatus)
		if early := ok && ws.Signaled() && ws.Signal() == sig; early && out.Len() == 0 || got == 2 && strings.HasPrefix(out.String(), "SIGQUIT: quit") {
			got = 128 + int(sig) // before its main began, it ends as any program of Go does
		}
		if got != 128+int(sig) && got != statusFine {
			t.Errorf("%s: status %d\n%s", what, got, out)
		}
		if strings.Contains(out.String(), "assay: judging ") && got != statusFine && !twice && !strings.Contains(out.String(), "The run was interrupted when ") {
			t.Errorf("%s: what was decided is not reported\n%s", what, out)
		}
		s.nothingLeft(what)
	}
}

// TestIgnoredSignal: what nohup has ignored stays ignored.
func TestIgnoredSignal(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("long, and nothing in it runs in parallel that others do not have")
	}
	s := newAssayApart(t)
	cmd := osexec.Command("sh", "-c", "trap '' HUP; exec assay run --sample 4")
	cmd.Dir = s.dir
	cmd.Env = append(os.Environ(), "XDG_CACHE_HOME="+filepath.Join(s.base, "cache"), "TMPDIR="+filepath.Join(s.base, "tmp"))
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	time.Sleep(200 * time.Millisecond)
	cmd.Process.Signal(syscall.SIGHUP)
	if err := cmd.Wait(); err != nil {
		t.Error(err)
	}
}

// TestKilledAtAnyMoment kills runs (SIGKILL); the next removes what they left, and gives the
// bytes of a run that nobody disturbed.
func TestKilledAtAnyMoment(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("long, and nothing in it runs in parallel that others do not have")
	}
	s := newAssayApart(t)
	whole, after := filepath.Join(s.base, "whole.json"), filepath.Join(s.base, "after.json")
	run := func(file string, args ...string) {
		cmd, out := s.start(append([]string{"run", "--write", "json=" + file}, args...)...)
		if got := s.ends(cmd, file); got != statusFine {
			t.Fatalf("status %d\n%s", got, out)
		}
	}
	began := time.Now()
	run(whole, "--fresh")
	took := time.Since(began)
	n := howOften(t, 4) // each view, gone on with and begun anew
	for i := range n {
		view := []string{"overlay", "copy"}[i%2]
		cmd, _ := s.start("run", "--fresh", "--view", view, "--write", "json="+after)
		time.Sleep(time.Duration(rand.Int64N(int64(took))))
		cmd.Process.Kill()
		cmd.Wait()
		how := "--fresh"
		if i%3 == 0 {
			how = "--resume"
		}
		run(after, how)
		compareFiles(t, whole, after)
		s.nothingLeft(fmt.Sprintf("kill %d, then %s", i, how))
	}
}

// TestKeptWorkDir: what is kept for people stays there, and what a living run has, too.
func TestKeptWorkDir(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("long, and nothing in it runs in parallel that others do not have")
	}
	s := newAssayApart(t)
	for range 2 {
		cmd, out := s.start("run", "--keep", "--fresh", "--sample", "4")
		if got := s.ends(cmd, "kept"); got != statusFine {
			t.Fatalf("status %d\n%s", got, out)
		}
	}
	dirs, err := filepath.Glob(filepath.Join(s.base, "tmp", "assay-*", "harness"))
	if err != nil || len(dirs) != 2 {
		t.Errorf("%q, %v", dirs, err)
	}
	living, out := s.start("run", "--fresh")
	other := newAssayApart(t)
	other.base = s.base
	for range howOften(t, 3) {
		cmd, said := other.start("run", "--fresh", "--sample", "1")
		if got := s.ends(cmd, "beside it"); got != statusFine {
			t.Fatalf("status %d\n%s", got, said)
		}
	}
	if got := s.ends(living, "the living one"); got != statusFine {
		t.Errorf("status %d\n%s", got, out)
	}
}
