//go:build linux

package sandboxtest

import (
	"bytes"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Nobody is a uid and gid that nobody has; not 65534, which stands for every
// unknown user.
const Nobody = 43210

// A World is a place where an ordinary user can run this test program again.
type World struct {
	Home    string // the user's, below no temp directory
	program string
	temp    string
}

// NewWorld makes one, with folders that are the user's own.
func NewWorld(t *testing.T) World {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	var w World
	for _, d := range []struct {
		in string
		to *string
	}{{"/opt", &w.Home}, {os.TempDir(), &w.temp}} {
		dir, err := os.MkdirTemp(d.in, "assay-user")
		must(err)
		t.Cleanup(func() { os.RemoveAll(dir) })
		must(os.Chown(dir, Nobody, Nobody))
		*d.to = dir
	}
	self, err := os.ReadFile("/proc/self/exe")
	must(err)
	w.program = filepath.Join(w.Home, "again.test")
	must(os.WriteFile(w.program, self, 0o755))
	return w
}

// Run runs tests in the world, through a shell script that ends by starting "$@". All
// of them must pass.
func (w World) Run(t *testing.T, script string, tests []string, env ...string) {
	t.Helper()
	pattern := "-test.run=^(" + strings.Join(tests, "|") + ")$"
	cmd := osexec.Command("/bin/sh", "-ec", script, "sh", w.program, "-test.v", "-test.timeout=20m", pattern)
	cmd.Dir = "/"
	cmd.Env = append(os.Environ(), append(env, "TMPDIR="+w.temp, "HOME="+w.Home, "ASSAY_TEST_HOME="+w.Home)...)
	cmd.WaitDelay = 10 * time.Second // a process that was left holds the pipe open: an error
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Errorf("%s: %v\n%s", script, err, out)
		return
	}
	for _, name := range tests {
		if !bytes.Contains(out, []byte("\n--- PASS: "+name+" ")) {
			t.Errorf("%s: %s did not pass\n%s", script, name, out)
		}
	}
}

// AsNobody begins a command of a script for Run: it becomes an ordinary user.
const AsNobody = `setpriv --reuid=43210 --regid=43210 --clear-groups `

// NeedRoot ends a test that must become somebody else. Where everything is to be
// tested that is a failure.
func NeedRoot(t *testing.T) {
	t.Helper()
	if os.Getuid() == 0 {
		return
	}
	const why = "needs root, to become an ordinary user and to cover mounts"
	if os.Getenv("CI") != "" {
		t.Fatal(why)
	}
	t.Skip(why)
}
