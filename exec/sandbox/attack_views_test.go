//go:build linux

package sandbox

import (
	"bufio"
	"bytes"
	"encoding/json"
	"maps"
	"net"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/elastic/go-seccomp-bpf/arch"
	"golang.org/x/sys/unix"

	"assay/exec/sandbox/sandboxtest"
)

// attackView makes the attacks in a view and gives those that worked and the rightful
// calls that did not.
func attackView(t *testing.T, mode Mode, confined bool) (worked, hindered []string, how map[string]string) {
	t.Helper()
	out, allowed := sandboxtest.Outside(t), sandboxtest.Outside(t)
	root := filepath.Join(t.TempDir(), "p")
	sampleProject(t, root)
	if err := os.Symlink(out, filepath.Join(root, "outward")); err != nil {
		t.Fatal(err)
	}
	var c Confinement
	if confined {
		c = confinementOf(t, Terms{Root: root, Mode: mode, Write: []string{allowed}})
	}
	// The services begin to listen when the confinement has been planned.
	for _, at := range []string{filepath.Join(out, "late"), filepath.Join(allowed, "late"), filepath.Join(out, "first")} {
		l, err := net.Listen("unix", at)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { l.Close() })
	}
	if err := os.Rename(filepath.Join(out, "first"), filepath.Join(out, "renamed")); err != nil {
		t.Fatal(err)
	}
	datagrams, err := net.ListenPacket("unixgram", filepath.Join(out, "datagrams"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { datagrams.Close() })
	listenElsewhere(t, out)
	before := sandboxtest.Snapshot(t, out)
	dir := t.TempDir()
	t.Cleanup(func() { RemoveTree(dir) })
	text := runInside(t, Spec{Mode: mode, Root: root, Dir: dir, Confinement: c}, "attack "+out+"|"+allowed, nil)
	if err := json.Unmarshal([]byte(text), &how); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	for name, result := range how {
		switch own := strings.HasPrefix(name, "own: "); {
		case result == "worked" && !own:
			worked = append(worked, name)
		case result != "worked" && own:
			hindered = append(hindered, name+": "+result)
		}
	}
	if sandboxtest.Snapshot(t, out) != before && confined {
		t.Error("the outside was changed")
	}
	if len(how) != len(attacks)+len(rightful) {
		t.Fatalf("%d attacks", len(how))
	}
	slices.Sort(worked)
	return worked, hindered, how
}

// listenElsewhere has a process of another network namespace, as a container's, listen at a
// socket file "foreign" below a folder, and gives it a second name, "bound", by a mount where
// that can be made. In a container there are neither, and another process does with a link.
func listenElsewhere(t *testing.T, out string) {
	t.Helper()
	at, bound := filepath.Join(out, "foreign"), filepath.Join(out, "bound")
	args := []string{"php", "-r", `$s = stream_socket_server("unix://$argv[1]"); echo "ready\n"; while ($c = stream_socket_accept($s, -1)) { fclose($c); }`, "--", at}
	root := os.Geteuid() == 0 && capable(unix.CAP_SYS_ADMIN)
	switch {
	case sandboxtest.InContainer():
	case root:
		args = append([]string{"unshare", "--net", "--"}, args...)
	default:
		args = append([]string{"unshare", "--user", "--net", "--"}, args...)
	}
	cmd := osexec.Command(args[0], args[1:]...)
	cmd.Stderr = os.Stderr
	said, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	if line, err := bufio.NewReader(said).ReadString('\n'); err != nil || line != "ready\n" {
		t.Fatalf("%q, %v", line, err)
	}
	if !root || sandboxtest.InContainer() {
		if err := os.Link(at, bound); err != nil {
			t.Fatal(err)
		}
		return
	}
	if err := os.WriteFile(bound, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount(at, bound, "", unix.MS_BIND, ""); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { unix.Unmount(bound, unix.MNT_DETACH) })
}

// TestAttacks makes system calls that take a view apart or reach out of it.
func TestAttacks(t *testing.T) {
	if runApart(t) {
		return
	}
	for _, mode := range placeModes(t) {
		t.Run(mode.String(), func(t *testing.T) {
			worked, hindered, how := attackView(t, mode, true)
			t.Logf("%q", how)
			if mode == Overlay && how["own: set-uid"] == unix.EPERM.Error() {
				hindered = slices.DeleteFunc(hindered, func(s string) bool { return strings.HasPrefix(s, "own: set-uid") }) // there is a place outside that may be written
			}
			if len(worked) > 0 {
				t.Errorf("these worked: %q", worked)
			}
			if len(hindered) > 0 {
				t.Errorf("this should have worked: %q", hindered)
			}
		})
	}
}

// TestAttacksUnconfined is that the attacks are real: without confinement most work.
func TestAttacksUnconfined(t *testing.T) {
	if runApart(t) {
		return
	}
	_, hindered, how := attackView(t, Copy, false)
	if len(hindered) > 0 {
		t.Errorf("this should have worked: %q", hindered)
	}
	// What the rights of the user, or of the container that this runs in, do not allow.
	might := []string{}
	if os.Geteuid() != 0 {
		might = []string{"remount", "mount", "clear read-only", "clone a mount", "mount namespace", "device", "device in the project",
			"host name", "bpf", "capabilities", "module", "module of a file"}
	}
	if sandboxtest.InContainer() {
		might = []string{"remount", "mount", "clear read-only", "clone a mount", "user namespace", "mount namespace", "device", "device in the project",
			"host name", "bpf", "capabilities", "module", "module of a file", "keys", "ptrace", "memory of the parent"}
	}
	for _, name := range slices.Sorted(maps.Keys(attacks)) {
		if how[name] != "worked" && !slices.Contains(might, name) {
			t.Errorf("%s did not work: %s", name, how[name])
		}
	}
}

// TestSetIDInView: where all that may be written is the view's own, files may run as their
// owner, for nobody else gets at them.
func TestSetIDInView(t *testing.T) {
	root, dir := filepath.Join(t.TempDir(), "p"), t.TempDir()
	t.Cleanup(func() { RemoveTree(dir) })
	sampleProject(t, root)
	runInside(t, Spec{Mode: Overlay, Root: root, Dir: dir, Confinement: confinementOf(t, Terms{Root: root, Mode: Overlay})}, "setid", nil)
}

func init() {
	cases["setid"] = func(k insideT, _ string) {
		g, err := NewGuard(k.v)
		k.must(err)
		cmd := osexec.Command("/bin/sh", "-ec", "echo x >mine; chmod 4755 mine; test -u mine; mkdir d; chmod 2775 d; test -g d")
		var errs bytes.Buffer
		cmd.Dir, cmd.Stderr = k.v.Root(), &errs
		k.must(g.Start(cmd))
		if err := cmd.Wait(); err != nil {
			k.fatalf("%v: %s", err, &errs)
		}
	}
}

// TestFilterNames: a name that no machine has would refuse nothing. The names are held
// against the tables of the library, which are made of the kernel's.
func TestFilterNames(t *testing.T) {
	names := append(slices.Clone(neverCalls), unknownCalls...)
	for _, list := range []calls{refusedArguments(), refusedSetID(true), askedCalls()} {
		for _, c := range list {
			names = append(names, c.Name)
		}
	}
	for _, c := range metaCalls {
		names = append(names, c.name)
	}
	for _, name := range names {
		found := false
		for _, info := range []*arch.Info{arch.X86_64, arch.AARCH64, arch.I386} {
			_, ok := info.SyscallNames[name]
			found = found || ok
		}
		if !found {
			t.Errorf("no machine has a call %s", name)
		}
	}
	for _, f := range []callFilter{{}, {setID: true}, {asks: true}, {asks: true, meta: true}} {
		if _, err := f.assemble(); err != nil {
			t.Error(err)
		}
	}
}
