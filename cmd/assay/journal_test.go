//go:build linux

package main

import (
	"bytes"
	"encoding/json"
	"io"
	"math/rand"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"assay/exec"
	"assay/mutate"
)

// TestResume kills the tool at random moments, as `kill -9` does, and goes on
// with --resume until it comes to its end: the result must be, byte for byte,
// that of a run that nobody disturbed. ASSAY_MOMENTS says how often it is killed.
func TestResume(t *testing.T) {
	t.Parallel()
	kills := howOften(t, 5)
	dir := resumeProject(t)
	tool := func(out string, args ...string) *osexec.Cmd {
		cmd := osexec.Command("assay", append([]string{"run", "--fresh", "--write", "json=" + out}, args...)...)
		cmd.Dir = dir
		cmd.Env = append(os.Environ(), "XDG_CACHE_HOME="+filepath.Join(dir, "..", "cache"))
		return cmd
	}
	began := time.Now()
	whole := filepath.Join(dir, "..", "whole.json")
	if out, err := tool(whole).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	length := time.Since(began)
	random := rand.New(rand.NewSource(7))
	killed, ended := 0, 0
	pieced := filepath.Join(dir, "..", "pieced.json")
	for killed < kills {
		cmd := tool(pieced, "--resume")
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		timer := time.AfterFunc(time.Duration(random.Int63n(int64(length))), func() { cmd.Process.Signal(syscall.SIGKILL) })
		err := cmd.Wait()
		timer.Stop()
		if err != nil {
			killed++
			continue
		}
		compareFiles(t, whole, pieced)
		ended++
	}
	if out, err := tool(pieced, "--resume").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	compareFiles(t, whole, pieced)
	t.Logf("killed %d times, came to the end %d times", killed, ended+1)
}

// resumeProject is a copy of the demo, ready to run.
func resumeProject(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "demo")
	if err := os.CopyFS(dir, os.DirFS("../../testdata/demo")); err != nil {
		t.Fatal(err)
	}
	cmd := osexec.Command("composer", "dump-autoload", "--quiet")
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return dir
}

func journalIn(t *testing.T, root string) string {
	t.Helper()
	path, err := new(runCommand).kept("", root).journal()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

func compareFiles(t *testing.T, a, b string) {
	t.Helper()
	x, err := os.ReadFile(a)
	if err != nil {
		t.Fatal(err)
	}
	y, err := os.ReadFile(b)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(x, y) {
		i := 0
		for i < min(len(x), len(y)) && x[i] == y[i] {
			i++
		}
		t.Fatalf("%s and %s differ at byte %d:\n%.600s\n---\n%.600s", a, b, i, x[max(0, i-400):], y[max(0, i-400):])
	}
}

// TestJournalTornRecord: whatever the last record lacks, what is before it is
// kept and it is dropped, with a note.
func TestJournalTornRecord(t *testing.T) {
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	root := t.TempDir()
	j, err := openJournal(journalIn(t, root), "key", false)
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"a", "b", "c"} {
		if err := j.append([]byte(`{"id":"` + id + `","status":"survived"}`)); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.close(); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(j.path)
	if err != nil {
		t.Fatal(err)
	}
	third := bytes.LastIndexByte(whole[:len(whole)-1], '\n') + 1
	for cut := third; cut <= len(whole); cut++ {
		for _, tail := range []string{"", "\x00\x00", "garbage\n"} {
			if err := os.WriteFile(j.path, append(bytes.Clone(whole[:cut]), tail...), 0o600); err != nil {
				t.Fatal(err)
			}
			k, err := openJournal(journalIn(t, root), "key", true)
			if err != nil {
				t.Fatal(err)
			}
			want := 2
			if cut == len(whole) {
				want = 3
			}
			torn := (cut > third && cut < len(whole)) || tail != ""
			if len(k.known) != want || (k.note != "") != torn {
				t.Errorf("cut at %d of %d, then %q: %d records, note %q", cut-third, len(whole)-third, tail, len(k.known), k.note)
			}
			if err := k.append([]byte(`{"id":"d","status":"killed"}`)); err != nil {
				t.Fatal(err)
			}
			k.close()
			if k, err = openJournal(journalIn(t, root), "key", true); err != nil || len(k.known) != want+1 || k.note != "" {
				t.Errorf("after it was gone on with: %d records, %q, %v", len(k.known), k.note, err)
			}
			k.close()
		}
	}
	k, err := openJournal(journalIn(t, root), "another key", true)
	if err != nil || len(k.known) != 0 || !strings.Contains(k.note, "began anew") {
		t.Errorf("other code: %d records, %q, %v", len(k.known), k.note, err)
	}
	if _, err := openJournal(journalIn(t, root), "another key", true); err == nil || !strings.Contains(err.Error(), "another run") {
		t.Errorf("two at a time: %v", err)
	}
	k.close()
}

// TestJournalOfWhatChanged: a verdict of an interrupted run is used where what it rests on
// is the same, and no other is.
func TestJournalOfWhatChanged(t *testing.T) {
	needTools(t, "php", "phpunit")
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	dir := unpack(t, ferry)
	c := commandOf(t, "run", "--project", dir).(*runCommand)
	s := recordingOf(t, c)
	code, err := load(t.Context(), c.sourceOptions, &c.suiteOptions, nil)
	if err != nil {
		t.Fatal(err)
	}
	tasks := exec.Plan(code.mutants, s.baseline)
	m := c.remember(&environment{ctx: t.Context(), stdout: io.Discard, stderr: io.Discard}, code, s.facts, s.baseline, tasks, nil)
	j, err := openJournal(journalIn(t, code.Root), "key", false)
	if err != nil {
		t.Fatal(err)
	}
	for i, task := range tasks[:3] {
		k := m.keep(mutate.Verdict{Mutant: task.Mutant, Status: mutate.Survived})
		switch i {
		case 1:
			k.Sum = "of something else"
		case 2:
			k.Rests = "on something else"
		}
		body, err := json.Marshal(k)
		if err != nil {
			t.Fatal(err)
		}
		if err := j.append(body); err != nil {
			t.Fatal(err)
		}
	}
	j.close()
	if j, err = openJournal(journalIn(t, code.Root), "key", true); err != nil || len(j.known) != 3 {
		t.Fatalf("%d verdicts, %v", len(j.known), err)
	}
	defer j.close()
	var given []string
	left, err := j.settle(tasks, m, s.baseline, func(v mutate.Verdict) { given = append(given, v.Mutant.ID) })
	if err != nil || len(left) != len(tasks)-1 || j.stale != 2 || !slices.Equal(given, []string{tasks[0].Mutant.ID}) {
		t.Errorf("%d of %d are left, %d do not hold, %v are given, %v", len(left), len(tasks), j.stale, given, err)
	}
}
