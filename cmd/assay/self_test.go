//go:build linux

package main

import (
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// TestBuildID: a program is known by what Go's own tool says that it was made of, and one of which
// nothing is said by all of its bytes.
func TestBuildID(t *testing.T) {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	out, err := osexec.Command("go", "tool", "buildid", self).Output()
	if err != nil {
		t.Fatalf("go tool buildid: %v", err)
	}
	if got, want := buildID(self), strings.TrimSpace(string(out)); got != want || got == "" {
		t.Errorf("got %q, and Go says %q", got, want)
	}
	dir := t.TempDir()
	for name, text := range map[string]string{"one.go": "package main\nfunc main() { println(1) }\n", "other.go": "package main\nfunc main() { println(2) }\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	programOf := func(name string, flags ...string) string {
		program := filepath.Join(dir, name+strings.Join(flags, ""))
		cmd := osexec.Command("go", append(append([]string{"build", "-o", program}, flags...), name+".go")...)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		return program
	}
	if a, b := buildID(programOf("one")), buildID(programOf("other")); a == "" || a == b {
		t.Errorf("two programs that differ in a number have %q and %q", a, b)
	}
	if id := buildID(programOf("one", "-ldflags=-buildid=")); id != "" {
		t.Errorf("a program without a note has %q", id)
	}
	if id := buildID("/bin/sh"); id != "" {
		t.Errorf("a program that is not Go's has %q", id)
	}
}
