package exec

import (
	"bytes"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Views where the machine gives less, or where the user is not root. Each row
// runs tests of this package again in another world; they are made as root with
// util-linux's unshare and setpriv.

// nobody is a uid and gid that nobody has; not 65534, which stands for every
// unknown user.
const nobody = 43210

// world is a place where an ordinary user can run this test program.
type world struct {
	program string
	home    string // the user's, below no temp directory
	temp    string
}

func newWorld(t *testing.T) world {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	var w world
	for _, d := range []struct {
		in string
		to *string
	}{{"/opt", &w.home}, {os.TempDir(), &w.temp}} {
		dir, err := os.MkdirTemp(d.in, "assay-user")
		must(err)
		t.Cleanup(func() { removeTree(dir) })
		must(os.Chown(dir, nobody, nobody))
		*d.to = dir
	}
	self, err := os.ReadFile("/proc/self/exe")
	must(err)
	w.program = filepath.Join(w.home, "exec.test")
	must(os.WriteFile(w.program, self, 0o755))
	return w
}

// run runs tests in the world, through a shell script that ends by starting "$@".
func (w world) run(t *testing.T, script string, tests []string, env ...string) {
	t.Helper()
	pattern := "-test.run=^(" + strings.Join(tests, "|") + ")$"
	cmd := osexec.Command("/bin/sh", "-ec", script, "sh", w.program, "-test.v", "-test.timeout=60s", pattern)
	cmd.Dir = "/"
	gallery, err := filepath.Abs(fixtures + "/gallery")
	if err != nil {
		t.Fatal(err)
	}
	cmd.Env = append(os.Environ(), append(env, "TMPDIR="+w.temp, "HOME="+w.home, "ASSAY_TEST_HOME="+w.home, "ASSAY_TEST_GALLERY="+gallery)...)
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

const asNobody = `setpriv --reuid=43210 --regid=43210 --clear-groups `

// needRoot ends a test that must become somebody else. Where everything is to be
// tested that is a failure.
func needRoot(t *testing.T) {
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

func TestWorlds(t *testing.T) {
	if testing.Short() {
		t.Skip("the same tests run in this world, and in all of them without -short")
	}
	needRoot(t)
	views := []string{"TestViewSwap", "TestViewDamage", "TestViewAccept"}
	for _, row := range []struct {
		name, script string
		tests        []string
	}{
		{"ordinary user", asNobody + `"$@"`, append(views, "TestViewCopyOddFiles", "TestIsolated", "TestKept", "TestStrays", "TestForkBomb",
			"TestKeeperDies", "TestMainProcessDies", "TestProbeViews", "TestDiskFull", "TestLayersOnDisk",
			"TestConfined", "TestAllowed", "TestAllowedInTemp", "TestConfinedGallery", "TestConfinedOnDisk")},
		// A container without privileges whose root is an ordinary user outside.
		{"root in a user namespace", asNobody + `unshare --user --map-root-user "$@"`,
			append(views, "TestKept", "TestStrays", "TestKeeperDies", "TestLayersOnDisk", "TestProbeViews", "TestConfined", "TestAllowed", "TestConfinedOnDisk")},
		// Containers cover parts of /proc; then no fresh one may be mounted, unless
		// there is a whole one elsewhere.
		{"covered proc", `unshare --mount sh -ec 'grep " proc " /proc/mounts | while read -r _ p _; do
			[ "$p" = /proc ] || umount -l "$p"; done; mount -t tmpfs none /proc/tty; exec ` + asNobody + `"$@"' sh "$@"`,
			append(views, "TestStrays", "TestForkBomb", "TestKeeperDies", "TestProcCovered", "TestConfined")},
		{"no user namespaces", asNobody + `unshare --user --map-root-user sh -ec 'echo 0 >/proc/sys/user/max_user_namespaces;
			exec setpriv --bounding-set=-all --inh-caps=-all "$@"' sh "$@"`, []string{"TestNoNamespaces"}},
		{"no watching", asNobody + `unshare --user --map-root-user sh -ec 'echo 0 >/proc/sys/user/max_inotify_instances;
			exec "$@"' sh "$@"`, append(views, "TestNoWatching")},
		// The project on an overlay, as in most containers.
		{"overlay below", `unshare --mount sh -ec 'd=$TMPDIR/o; mkdir $d; mount -t tmpfs none $d; cd $d; mkdir l u w m;
			mount -t overlay none -o lowerdir=l,upperdir=u,workdir=w m; export TMPDIR=$d/m; cd /; exec "$@"' sh "$@"`,
			append(views, "TestKept", "TestProbeViews")},
		{"overlay below, ordinary user", `unshare --mount sh -ec 'd=$TMPDIR/o; mkdir $d; mount -t tmpfs none $d; cd $d; mkdir l u w m;
			chown 43210:43210 u; mount -t overlay none -o lowerdir=l,upperdir=u,workdir=w m; export TMPDIR=$d/m; cd /; exec ` + asNobody + `"$@"' sh "$@"`,
			append(views, "TestKept", "TestProbeViews", "TestConfined")},
	} {
		t.Run(row.name, func(t *testing.T) { newWorld(t).run(t, row.script, row.tests) })
	}
}

// The tests below have something to do only in one of the worlds above.

func TestProcCovered(t *testing.T) {
	if os.Getenv("ASSAY_TEST_HOME") == "" {
		return
	}
	root := t.TempDir()
	out := runKeeper(t, ViewSpec{Mode: ViewOverlay, Root: root, Dir: t.TempDir()}, "notes", nil)
	if !strings.Contains(out, "no /proc of their own") {
		t.Errorf("notes %q, want a word on /proc", out)
	}
}

func TestNoNamespaces(t *testing.T) {
	if os.Getenv("ASSAY_TEST_HOME") == "" {
		return
	}
	mode, why := probeViews(t.TempDir(), t.TempDir())
	if mode != ViewCopy || !strings.HasPrefix(why, "no private namespaces: the limit in /proc/sys/user") {
		t.Errorf("probe: %v, %q", mode, why)
	}
	root := filepath.Join(t.TempDir(), "p")
	sampleProject(t, root)
	runKeeper(t, ViewSpec{Mode: ViewCopy, Root: root, Dir: t.TempDir()}, "damage", nil)
}

func TestNoWatching(t *testing.T) {
	if os.Getenv("ASSAY_TEST_HOME") == "" {
		return
	}
	root := t.TempDir()
	out := runKeeper(t, ViewSpec{Mode: ViewOverlay, Root: root, Dir: t.TempDir()}, "notes", nil)
	if !strings.Contains(out, "directories cannot be watched") {
		t.Errorf("notes %q, want a word on watching", out)
	}
}

func init() {
	keeperCases["notes"] = func(k keeperT, _ string) { fmt.Println(k.v.Notes()) }
}

// Files of other users and groups in an ordinary user's project.
func TestForeignOwners(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and nothing in it runs in parallel that others do not have")
	}
	if root := os.Getenv("ASSAY_TEST_FOREIGN"); root != "" {
		mode, why := probeViews(root, t.TempDir())
		if want := os.Getenv("ASSAY_TEST_WANT"); mode.String() != want {
			t.Errorf("probe: %v (%s), want %s", mode, why, want)
		}
		if mode == ViewCopy && !strings.Contains(why, "belongs to") {
			t.Errorf("reason %q", why)
		}
		for _, mode := range []ViewMode{mode, ViewCopy} {
			runKeeper(t, ViewSpec{Mode: mode, Root: root, Dir: t.TempDir()}, "foreign", nil)
		}
		return
	}
	needRoot(t)
	for _, row := range []struct {
		uid, gid int
		mode     os.FileMode
		want     string
	}{
		{0, 0, 0o644, "overlay"},   // the user cannot write it, nor need the overlay
		{nobody, 4, 0o644, "copy"}, // the user can, and may have a test that does
		{0, nobody, 0o664, "copy"}, // likewise
		{nobody, nobody, 0o444, "overlay"},
	} {
		w := newWorld(t)
		root := filepath.Join(w.home, "p")
		sampleProject(t, root)
		err := filepath.WalkDir(root, func(p string, _ os.DirEntry, err error) error {
			if err == nil {
				err = os.Lchown(p, nobody, nobody)
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
		before := snapshot(t, root)
		w.run(t, asNobody+`"$@"`, []string{"TestForeignOwners"}, "ASSAY_TEST_FOREIGN="+root, "ASSAY_TEST_WANT="+row.want)
		if snapshot(t, root) != before {
			t.Error("the project was changed")
		}
	}
}
