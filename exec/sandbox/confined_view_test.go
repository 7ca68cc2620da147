//go:build linux

package sandbox

import (
	"bytes"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"assay/exec/sandbox/sandboxtest"
)

// TestConfinedView looks at what the kernel says of a confined process of an overlay view: how
// what it sees is mounted, its host name's namespace, its rights.
func TestConfinedView(t *testing.T) {
	root, dir, allowed := filepath.Join(t.TempDir(), "p"), t.TempDir(), sandboxtest.Outside(t)
	t.Cleanup(func() { RemoveTree(dir) })
	sampleProject(t, root)
	uts, err := os.Readlink("/proc/self/ns/uts")
	if err != nil {
		t.Fatal(err)
	}
	c := confinementOf(t, Terms{Root: root, Mode: Overlay, Write: []string{allowed}})
	text := runInside(t, Spec{Mode: Overlay, Root: root, Dir: dir, Confinement: c}, "confined", nil)
	parts := strings.SplitN(text, "\n\n", 3)
	if len(parts) != 3 {
		t.Fatal(text)
	}
	if parts[0] == uts {
		t.Error("the host name is the machine's")
	}
	status := parts[1]
	if !strings.Contains(status, "NoNewPrivs:\t1") || !strings.Contains(status, "Seccomp:\t2") {
		t.Errorf("new rights can be had, or calls are not filtered:\n%s", status)
	}
	sets := []string{"CapInh", "CapPrm", "CapEff", "CapAmb"}
	if os.Geteuid() == 0 {
		sets = append(sets, "CapBnd") // others cannot give that up, and it gives them nothing
	}
	kept := uint64(0)
	for _, n := range keptCaps {
		kept |= 1 << n
	}
	for _, set := range sets {
		m := regexp.MustCompile(set + `:\s+([0-9a-f]+)`).FindStringSubmatch(status)
		if m == nil {
			t.Fatalf("no %s in\n%s", set, status)
		}
		if n, err := strconv.ParseUint(m[1], 16, 64); err != nil || n&^kept != 0 {
			t.Errorf("%s: %s", set, m[1])
		}
	}
	holdMounts(t, parts[2], root, allowed)
}

// holdMounts looks at the lines of proc(5)'s mountinfo: the fifth field is the place, the
// sixth has the options of the mount.
func holdMounts(t *testing.T, info, root, allowed string) {
	t.Helper()
	writable := []string{root}
	for _, p := range tempPlaces {
		if real, err := filepath.EvalSymlinks(p); err == nil {
			writable = append(writable, real)
		}
	}
	places := 0
	top := map[string][]string{} // what is mounted last at a place covers the rest
	for line := range strings.Lines(info) {
		f := strings.Fields(line)
		if len(f) < 6 {
			t.Fatalf("mountinfo: %q", line)
		}
		top[unescapeOctal(f[4])] = strings.Split(f[5], ",")
	}
	for place, options := range top {
		has := func(o string) bool { return slices.Contains(options, o) }
		switch {
		case place == allowed:
			places++
			if !has("rw") || !has("nosuid") || !has("nodev") {
				t.Errorf("the allowed place %s: %q", place, options)
			}
		case slices.Contains(writable, place):
		case !has("ro") || !has("nosuid"):
			t.Errorf("%s: %q", place, options)
		}
	}
	if places != 1 || len(top) < 5 {
		t.Errorf("%d mounts of the allowed place, %d in all", places, len(top))
	}
}

func init() {
	cases["confined"] = func(k insideT, _ string) {
		g, err := NewGuard(k.v)
		k.must(err)
		cmd := osexec.Command("/bin/sh", "-ec", "readlink /proc/self/ns/uts; echo; cat /proc/self/status; echo; cat /proc/self/mountinfo")
		var out, errs bytes.Buffer
		cmd.Dir, cmd.Stdout, cmd.Stderr = k.v.Root(), &out, &errs
		k.must(g.Start(cmd))
		if err := cmd.Wait(); err != nil {
			k.fatalf("%v: %s", err, &errs)
		}
		fmt.Print(out.String())
	}
}
