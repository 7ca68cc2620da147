//go:build linux

package sandbox

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"assay/exec/sandbox/sandboxtest"
)

// Views where the machine gives less, or where the user is not root. Each row
// runs tests of this package again in another world; they are made as root with
// util-linux's unshare and setpriv.

func TestWorlds(t *testing.T) {
	if testing.Short() {
		t.Skip("the same tests run in this world, and in all of them without -short")
	}
	sandboxtest.NeedRoot(t)
	views := []string{"TestViewSwap", "TestViewDamage", "TestViewAccept"}
	for _, row := range []struct {
		name, script string
		tests        []string
	}{
		{"ordinary user", sandboxtest.AsNobody + `"$@"`, append(views, "TestViewCopyOddFiles", "TestIsolated", "TestKept", "TestStrays", "TestForkBomb",
			"TestKeeperDies", "TestMainProcessDies", "TestProbeViews", "TestDiskFull", "TestLayersOnDisk",
			"TestConfined", "TestAllowed", "TestAllowedInTemp", "TestConfinedOnDisk", "TestAttacks", "TestAttacksUnconfined", "TestSetIDInView", "TestConfinedView")},
		// A container without privileges whose root is an ordinary user outside.
		{"root in a user namespace", sandboxtest.AsNobody + `unshare --user --map-root-user "$@"`,
			append(views, "TestKept", "TestStrays", "TestKeeperDies", "TestLayersOnDisk", "TestProbeViews", "TestConfined", "TestAllowed", "TestConfinedOnDisk", "TestAttacks", "TestSetIDInView")},
		// Containers cover parts of /proc; then no fresh one may be mounted, unless
		// there is a whole one elsewhere.
		{"covered proc", `unshare --mount sh -ec 'grep " proc " /proc/mounts | while read -r _ p _; do
			[ "$p" = /proc ] || umount -l "$p"; done; mount -t tmpfs none /proc/tty; exec ` + sandboxtest.AsNobody + `"$@"' sh "$@"`,
			append(views, "TestStrays", "TestForkBomb", "TestKeeperDies", "TestProcCovered", "TestConfined", "TestAttacks")},
		{"no user namespaces", sandboxtest.AsNobody + `unshare --user --map-root-user sh -ec 'echo 0 >/proc/sys/user/max_user_namespaces;
			exec setpriv --bounding-set=-all --inh-caps=-all "$@"' sh "$@"`, []string{"TestNoNamespaces"}},
		{"no watching", sandboxtest.AsNobody + `unshare --user --map-root-user sh -ec 'echo 0 >/proc/sys/user/max_inotify_instances;
			exec "$@"' sh "$@"`, append(views, "TestNoWatching")},
		// The project on an overlay, as in most containers.
		{"overlay below", `unshare --mount sh -ec 'd=$TMPDIR/o; mkdir $d; mount -t tmpfs none $d; cd $d; mkdir l u w m;
			mount -t overlay none -o lowerdir=l,upperdir=u,workdir=w m; export TMPDIR=$d/m; cd /; exec "$@"' sh "$@"`,
			append(views, "TestKept", "TestProbeViews")},
		{"overlay below, ordinary user", `unshare --mount sh -ec 'd=$TMPDIR/o; mkdir $d; mount -t tmpfs none $d; cd $d; mkdir l u w m;
			chown 43210:43210 u; mount -t overlay none -o lowerdir=l,upperdir=u,workdir=w m; export TMPDIR=$d/m; cd /; exec ` + sandboxtest.AsNobody + `"$@"' sh "$@"`,
			append(views, "TestKept", "TestProbeViews", "TestConfined")},
	} {
		t.Run(row.name, func(t *testing.T) { sandboxtest.NewWorld(t).Run(t, row.script, row.tests) })
	}
}

// The tests below have something to do only in one of the worlds above.

func TestProcCovered(t *testing.T) {
	if os.Getenv("ASSAY_TEST_HOME") == "" {
		return
	}
	root := t.TempDir()
	out := runInside(t, Spec{Mode: Overlay, Root: root, Dir: t.TempDir()}, "notes", nil)
	if !strings.Contains(out, "no /proc of their own") {
		t.Errorf("notes %q, want a word on /proc", out)
	}
}

func TestNoNamespaces(t *testing.T) {
	if os.Getenv("ASSAY_TEST_HOME") == "" {
		return
	}
	mode, why := Probe(t.TempDir(), t.TempDir())
	if mode != Copy || !strings.HasPrefix(why, "no private namespaces: the limit in /proc/sys/user") {
		t.Errorf("probe: %v, %q", mode, why)
	}
	root := filepath.Join(t.TempDir(), "p")
	sampleProject(t, root)
	runInside(t, Spec{Mode: Copy, Root: root, Dir: t.TempDir()}, "damage", nil)
}

// TestContainer: there are no overlays there, and what there is does not keep from is said.
func TestContainer(t *testing.T) {
	if !sandboxtest.InContainer() {
		return
	}
	mode, why := Probe(t.TempDir(), t.TempDir())
	if mode != Copy || !strings.HasPrefix(why, "no private namespaces: the kernel or the container forbids them") {
		t.Errorf("probe: %v, %q", mode, why)
	}
	p, err := PlanConfinement(Terms{Root: t.TempDir(), Mode: Copy}, FindAbilities(Copy, true))
	if err != nil {
		t.Fatal(err)
	}
	if want := "Mutated code is kept from TCP connections, but to allowed ports"; !strings.Contains(strings.Join(p.Loose, "\n"), want) {
		t.Errorf("%q is not said: %q", want, p.Loose)
	}
}

// TestAttacksEverywhere runs the attacks as root, as an ordinary user and in containers; the test of the
// same name in package exec does it with mutants.
func TestAttacksEverywhere(t *testing.T) {
	sandboxtest.InPlaces(t, []string{"TestAttacks", "TestAttacksUnconfined", "TestConfined", "TestAllowed", "TestContainer"})
}

// placeModes are the views that there can be where this runs. In a container nothing can be
// mounted; that is looked at, too.
func placeModes(t *testing.T) []Mode {
	t.Helper()
	if !sandboxtest.InContainer() {
		return []Mode{Overlay, Copy}
	}
	if mode, why := Probe(t.TempDir(), t.TempDir()); mode != Copy {
		t.Errorf("there are overlays here: %v, %s", mode, why)
	}
	return []Mode{Copy}
}

func TestNoWatching(t *testing.T) {
	if os.Getenv("ASSAY_TEST_HOME") == "" {
		return
	}
	root := t.TempDir()
	out := runInside(t, Spec{Mode: Overlay, Root: root, Dir: t.TempDir()}, "notes", nil)
	if !strings.Contains(out, "directories cannot be watched") {
		t.Errorf("notes %q, want a word on watching", out)
	}
}

func init() {
	cases["notes"] = func(k insideT, _ string) { fmt.Println(k.v.Notes()) }
}

// Files of other users and groups in an ordinary user's project.
func TestForeignOwners(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and nothing in it runs in parallel that others do not have")
	}
	if root := os.Getenv("ASSAY_TEST_FOREIGN"); root != "" {
		mode, why := Probe(root, t.TempDir())
		if want := os.Getenv("ASSAY_TEST_WANT"); mode.String() != want {
			t.Errorf("probe: %v (%s), want %s", mode, why, want)
		}
		if mode == Copy && !strings.Contains(why, "belongs to") {
			t.Errorf("reason %q", why)
		}
		for _, mode := range []Mode{mode, Copy} {
			runInside(t, Spec{Mode: mode, Root: root, Dir: t.TempDir()}, "foreign", nil)
		}
		return
	}
	sandboxtest.NeedRoot(t)
	for _, row := range []struct {
		uid, gid int
		mode     os.FileMode
		want     string
	}{
		{0, 0, 0o644, "overlay"},               // the user cannot write it, nor need the overlay
		{sandboxtest.Nobody, 4, 0o644, "copy"}, // the user can, and may have a test that does
		{0, sandboxtest.Nobody, 0o664, "copy"}, // likewise
		{sandboxtest.Nobody, sandboxtest.Nobody, 0o444, "overlay"},
	} {
		w := sandboxtest.NewWorld(t)
		root := filepath.Join(w.Home, "p")
		sampleProject(t, root)
		err := filepath.WalkDir(root, func(p string, _ os.DirEntry, err error) error {
			if err == nil {
				err = os.Lchown(p, sandboxtest.Nobody, sandboxtest.Nobody)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(root, "src/Tide.php")
		if err := os.Chown(file, row.uid, row.gid); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(file, row.mode); err != nil {
			t.Fatal(err)
		}
		before := sandboxtest.Snapshot(t, root)
		w.Run(t, sandboxtest.AsNobody+`"$@"`, []string{"TestForeignOwners"}, "ASSAY_TEST_FOREIGN="+root, "ASSAY_TEST_WANT="+row.want)
		if sandboxtest.Snapshot(t, root) != before {
			t.Error("the project was changed")
		}
	}
}
