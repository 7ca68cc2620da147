//go:build linux

package sandbox

import (
	"bytes"
	"os"
	osexec "os/exec"
	"path/filepath"
	"sort"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"assay/exec/sandbox/sandboxtest"
)

// sampleProject writes a small project with everything that makes a copy hard.
func sampleProject(t testing.TB, root string) {
	t.Helper()
	old := time.Date(2020, 2, 3, 4, 5, 6, 789, time.UTC)
	files := map[string]string{
		"composer.json":           "{}",
		"src/Tide.php":            "<?php class Tide {}\n",
		"src/Deep/Harbour.php":    "<?php class Harbour {}\n",
		"src/Deep/Er/Pier.php":    "<?php class Pier {}\n",
		"vendor/acme/Keel.php":    "<?php class Keel {}\n",
		"with blank/grün/Öl.php":  "<?php // ü\n",
		"tests/TideTest.php":      "<?php\n",
		"var/data.bin":            strings.Repeat("\x00\xff", 5000),
		"comma,colon:back\\slash": "x",
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	for name, text := range files {
		p := filepath.Join(root, name)
		must(os.MkdirAll(filepath.Dir(p), 0o755))
		must(os.WriteFile(p, []byte(text), 0o644))
	}
	must(os.Chmod(filepath.Join(root, "vendor/acme/Keel.php"), 0o444))
	must(os.Chmod(filepath.Join(root, "composer.json"), 0o600))
	must(os.Chmod(filepath.Join(root, "var"), 0o775))
	must(os.Mkdir(filepath.Join(root, "empty"), 0o700))
	must(os.Symlink("Tide.php", filepath.Join(root, "src/Link.php")))
	must(os.Symlink("..", filepath.Join(root, "src/loop")))
	must(os.Symlink("nowhere", filepath.Join(root, "dangling")))
	must(os.Symlink(filepath.Join(root, "src"), filepath.Join(root, "absolute")))
	err := filepath.WalkDir(root, func(p string, _ os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		return setTime(unix.AT_FDCWD, p, old.UnixNano())
	})
	must(err)
}

// everyView runs one case in each kind of view over the sample project and
// demands that the project is not touched.
func everyView(t *testing.T, name string) {
	t.Helper()
	for _, mode := range []Mode{Overlay, Copy} {
		t.Run(mode.String(), func(t *testing.T) {
			root := filepath.Join(t.TempDir(), "my project, ü \xe9")
			sampleProject(t, root)
			before := sandboxtest.Snapshot(t, root)
			runInside(t, Spec{Mode: mode, Root: root, Dir: t.TempDir()}, name, nil)
			if after := sandboxtest.Snapshot(t, root); after != before {
				t.Errorf("the project was changed:\n%s\nwas\n%s", after, before)
			}
		})
	}
}

func init() {
	cases["swap"] = caseSwap
	cases["only"] = caseOnly
	cases["damage"] = caseDamage
	cases["accept"] = caseAccept
	cases["noop"] = func(insideT, string) {}
}

func caseSwap(k insideT, _ string) {
	const file = "src/Tide.php"
	before, err := os.ReadFile(k.path(file))
	k.must(err)
	was, err := statAt(unix.AT_FDCWD, k.path(file))
	k.must(err)
	seen := map[int64]bool{was.mtime / 1e9: true}
	for _, text := range []string{"<?php // one\n", "", strings.Repeat("long ", 10000)} {
		k.must(k.v.Swap(map[string][]byte{file: []byte(text), "vendor/acme/Keel.php": []byte("k")}))
		got, err := os.ReadFile(k.path(file))
		k.must(err)
		if string(got) != text {
			k.fatalf("swapped file reads %q", got)
		}
		m, err := statAt(unix.AT_FDCWD, k.path(file))
		k.must(err)
		if m.mode != was.mode || m.uid != was.uid {
			k.fatalf("mode %o, want %o", m.mode, was.mode)
		}
		if seen[m.mtime/1e9] {
			k.fatalf("a cache keyed by whole seconds would not notice the swap")
		}
		seen[m.mtime/1e9] = true
		k.wantDamage()
		k.must(k.v.Restore())
		k.wantDamage()
		got, err = os.ReadFile(k.path(file))
		k.must(err)
		now, err := statAt(unix.AT_FDCWD, k.path(file))
		k.must(err)
		if !bytes.Equal(got, before) || now.mode != was.mode || now.mtime != was.mtime {
			k.fatalf("restored to %q %+v, want %q %+v", got, now, before, was)
		}
		list, err := k.v.Damage()
		k.must(err)
		if len(list) > 0 {
			k.fatalf("after restore: %v", list)
		}
	}
	for _, bad := range []string{"src/Nothing.php", "src", "../x", "/etc/passwd", "", "dangling"} {
		if err := k.v.Swap(map[string][]byte{bad: nil}); err == nil {
			k.fatalf("swap of %q: no error", bad)
		}
	}
	// Through links, as the pristine tree has them.
	for _, name := range []string{"src/Link.php", "src/loop/src/Tide.php", "absolute/Tide.php"} {
		k.must(k.v.Swap(map[string][]byte{name: []byte("linked")}))
		got, err := os.ReadFile(k.path(file))
		k.must(err)
		if string(got) != "linked" {
			k.fatalf("swap through %s: %q", name, got)
		}
		k.must(k.v.Restore())
	}
}

// caseOnly: files that are swapped already stay as they are, if nobody has touched them.
func caseOnly(k insideT, _ string) {
	const kept, gone, fresh = "src/Tide.php", "src/Deep/Harbour.php", "src/Deep/Er/Pier.php"
	texts := map[string][]byte{kept: []byte("kept"), gone: []byte("gone"), fresh: []byte("fresh")}
	wants := func(want map[string]string) {
		for name, text := range want {
			got, err := os.ReadFile(k.path(name))
			k.must(err)
			if string(got) != text {
				k.fatalf("%s reads %q, want %q", name, got, text)
			}
		}
		k.wantDamage()
	}
	of := func() meta {
		m, err := statAt(unix.AT_FDCWD, k.path(kept))
		k.must(err)
		return m
	}
	own := func(name string) string {
		text, err := os.ReadFile(k.path(name))
		k.must(err)
		return string(text)
	}
	harbour, pier := own(gone), own(fresh)
	k.must(k.v.Only(map[string][]byte{kept: texts[kept], gone: texts[gone]}))
	wants(map[string]string{kept: "kept", gone: "gone", fresh: pier})
	was := of()
	k.must(k.v.Only(map[string][]byte{kept: texts[kept], fresh: texts[fresh]}))
	wants(map[string]string{kept: "kept", gone: harbour, fresh: "fresh"})
	if of() != was {
		k.fatalf("it was written once more")
	}
	k.must(k.v.Only(map[string][]byte{kept: []byte("else")}))
	wants(map[string]string{kept: "else", gone: harbour, fresh: pier})
	k.must(k.v.Only(map[string][]byte{kept: texts[kept]}))
	k.must(os.WriteFile(k.path(kept), []byte("test"), 0o644)) // as long as what is there
	k.must(k.v.Only(map[string][]byte{kept: texts[kept]}))
	wants(map[string]string{kept: "kept"})
	k.must(k.v.Only(nil))
	wants(map[string]string{gone: harbour, fresh: pier})
	if err := k.v.Only(map[string][]byte{"src/Nowhere.php": nil}); err == nil {
		k.fatalf("a file that is not there was swapped")
	}
}

func TestViewOnly(t *testing.T) { everyView(t, "only") }

func TestViewSwap(t *testing.T) { everyView(t, "swap") }

// Each row damages the project, and says what must be noticed.
var damages = []struct {
	script string
	want   []string
}{
	{"true", nil},
	{"cat src/Tide.php >/dev/null; ls -R . >/dev/null", nil},
	{"echo x > new.txt", []string{"project: new.txt created"}},
	{"mkdir -p a/b; echo x > a/b/c; ln -s / a/root; mkfifo a/fifo", []string{"project: a created"}},
	{"rm src/Tide.php", []string{"project: src/Tide.php deleted"}},
	{"rm -r src", []string{"project: src deleted"}},
	{"rm -r src; mkdir src; echo x > src/other", []string{"project: src/Deep deleted", "project: src/Link.php deleted",
		"project: src/Tide.php deleted", "project: src/loop deleted", "project: src/other created"}},
	{"rm -r src; echo x > src", []string{"project: src changed"}},
	{"rm -r src; ln -s /etc src", []string{"project: src changed"}},
	{"rm src/Tide.php; mkdir src/Tide.php; echo x > src/Tide.php/y", []string{"project: src/Tide.php changed"}},
	{"echo more >> src/Deep/Harbour.php", []string{"project: src/Deep/Harbour.php changed"}},
	{"cp -p src/Tide.php $TMPDIR/keep-time; printf '<?php class TIDE {}\\n' > src/Tide.php; touch -r $TMPDIR/keep-time src/Tide.php; rm $TMPDIR/keep-time",
		[]string{"project: src/Tide.php changed"}},
	{"chmod 600 src/Tide.php", []string{"project: src/Tide.php mode"}},
	{"chmod 700 src/Deep", []string{"project: src/Deep mode"}},
	{"chmod 000 src/Deep", []string{"project: src/Deep mode"}},
	{"echo x > src/Deep/n; chmod 000 src/Deep; chmod 000 src", []string{"project: src mode", "project: src/Deep mode", "project: src/Deep/n created"}},
	{"mv src/Tide.php src/Ebb.php", []string{"project: src/Ebb.php created", "project: src/Tide.php deleted"}},
	{"mv src/Tide.php src/Deep/Harbour.php", []string{"project: src/Deep/Harbour.php changed", "project: src/Tide.php deleted"}},
	{"cp src/Tide.php t; mv t src/Tide.php", nil},
	{"ln -sfn elsewhere src/Link.php", []string{"project: src/Link.php changed"}},
	{"rm dangling 'with blank/grün/Öl.php'; rmdir empty", []string{"project: dangling deleted", "project: empty deleted",
		"project: with blank/grün/Öl.php deleted"}},
	{"rm -rf ./* ", []string{"project: absolute deleted", "project: comma,colon:back\\slash deleted", "project: composer.json deleted",
		"project: dangling deleted", "project: empty deleted", "project: src deleted", "project: tests deleted",
		"project: var deleted", "project: vendor deleted", "project: with blank deleted"}},
	{"truncate -s 3 var/data.bin; ln var/data.bin hard; chmod 4755 composer.json", []string{"project: composer.json mode",
		"project: hard created", "project: var/data.bin changed"}},
	{"chmod 711 .", []string{"project: . mode"}},
	{"mkdir deep; cd deep; for i in 1 2 3 4 5 6 7 8; do mkdir d; cd d; done; chmod 0 .", []string{"project: deep created"}},
}

func caseDamage(k insideT, _ string) {
	for _, d := range damages {
		k.sh(d.script)
		got := strings.Join(k.damage(), "\n")
		if want := strings.Join(d.want, "\n"); got != want {
			k.fatalf("after %s: damage\n%s\nwant\n%s", d.script, got, want)
		}
		k.mended()
	}
	// Twice, now over what the repairs left behind.
	for _, d := range damages {
		k.sh(d.script)
		k.mended()
	}
	k.must(k.v.Swap(map[string][]byte{"src/Tide.php": []byte("m")}))
	k.sh("rm -r src; ln -s $TMPDIR src; echo precious > $TMPDIR/Tide.php")
	k.must(k.v.Restore())
	k.wantDamage("project: src changed", k.v.temps[0].place+": Tide.php created")
	k.mended()
	got, err := os.ReadFile(k.path("src/Tide.php"))
	k.must(err)
	if string(got) != "<?php class Tide {}\n" {
		k.fatalf("src/Tide.php is %q", got)
	}
}

func TestViewDamage(t *testing.T) { everyView(t, "damage") }

// What a bootstrap leaves before the first fork is part of the state to go
// back to.
func caseAccept(k insideT, _ string) {
	temp := k.v.temps[0].place
	k.must(k.v.Swap(map[string][]byte{"src/Deep/Harbour.php": []byte("probed")}))
	k.sh(`mkdir -p var/cache/x; echo warm > var/cache/x/c; ln -s c var/cache/x/l; rm tests/TideTest.php
		echo new >> composer.json; rm -r src/Deep/Er; mkdir src/Deep/Er; echo only > src/Deep/Er/Only.php
		rm vendor/acme/Keel.php; mkdir vendor/acme/Keel.php; mkdir $TMPDIR/t; echo db > $TMPDIR/t/db`)
	k.must(k.v.Accept())
	list, err := k.v.Damage()
	k.must(err)
	if len(list) > 0 {
		k.fatalf("after accept: %v", list)
	}
	k.must(k.v.Restore()) // nothing is in hand any more
	before := snapshotDir(k.v.Root())
	k.sh(`rm -r var src/Deep/Er; echo back > tests/TideTest.php; echo more >> composer.json
		rmdir vendor/acme/Keel.php; echo other > $TMPDIR/t/db; touch $TMPDIR/u; echo x > src/Deep/Harbour.php`)
	k.wantDamage("project: composer.json changed", "project: src/Deep/Er deleted", "project: src/Deep/Harbour.php changed",
		"project: tests/TideTest.php created", "project: var deleted", "project: vendor/acme/Keel.php deleted",
		temp+": t/db changed", temp+": u created")
	k.mended()
	if after := snapshotDir(k.v.Root()); after != before {
		k.fatalf("repaired to\n%s\nwant\n%s", after, before)
	}
	db, err := os.ReadFile(filepath.Join(k.v.Temp(), "t/db"))
	k.must(err)
	if string(db) != "db\n" {
		k.fatalf("the temp file is %q", db)
	}
	k.must(k.v.Swap(map[string][]byte{"src/Deep/Harbour.php": []byte("mutant")}))
	k.must(k.v.Restore())
	if got, err := os.ReadFile(k.path("src/Deep/Harbour.php")); err != nil || string(got) != "probed" {
		k.fatalf("restored to %q, %v, want the accepted text", got, err)
	}
	k.sh("mkdir src/Deep/Er/late; rm -r src/Deep/Er; mkdir src/Deep/Er")
	k.wantDamage("project: src/Deep/Er/Only.php deleted")
	k.mended()
}

func TestViewAccept(t *testing.T) { everyView(t, "accept") }

// snapshotDir lists what a test could see of a directory: no inode numbers.
func snapshotDir(dir string) string {
	cmd := osexec.Command("find", ".", "-printf", "%p %y %m %T@ %l\\n")
	cmd.Dir = dir
	out, err := cmd.Output()
	if err != nil {
		return err.Error()
	}
	lines := strings.Split(string(out), "\n")
	sort.Strings(lines)
	return strings.Join(lines, "\n")
}

// A copy must not lead back to the original, whatever links say.
func TestViewCopyLinks(t *testing.T) {
	c := copier{from: "/home/u/proj", to: "/w/copy/proj"}
	for _, row := range []struct{ rel, target, want string }{
		{"a", "b", "b"},
		{"a", "../other/x", "/home/u/other/x"},
		{"d/a", "../b", "../b"},
		{"d/a", "..", ".."},
		{"d/a", "../..", "/home/u"},
		{"d/a", "../../proj/src", "/w/copy/proj/src"},
		{"vendor/x", "/home/u/proj/packages/x", "/w/copy/proj/packages/x"},
		{"vendor/x", "/home/u/project", "/home/u/project"},
		{"vendor/x", "/usr/share/php", "/usr/share/php"},
		{"self", "/home/u/proj", "/w/copy/proj"},
	} {
		if got := c.link(row.rel, row.target); got != row.want {
			t.Errorf("link %s -> %s: becomes %s, want %s", row.rel, row.target, got, row.want)
		}
	}
}

func TestViewCopyOddFiles(t *testing.T) {
	root := filepath.Join(t.TempDir(), "p")
	sampleProject(t, root)
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(unix.Mkfifo(filepath.Join(root, "pipe"), 0o600))
	sparse, err := os.Create(filepath.Join(root, "sparse"))
	must(err)
	must(sparse.Truncate(20 << 30))
	_, err = sparse.WriteAt([]byte("end"), 10<<30)
	must(err)
	must(sparse.Close())
	must(os.MkdirAll(filepath.Join(root, "left/out"), 0o755))
	dir := t.TempDir()
	spec := Spec{Mode: Copy, Root: root, Dir: dir, Skip: []string{"left/out"}}
	runInside(t, spec, "noop", nil)
	for _, name := range []string{"pipe", "left/out"} {
		if _, err := os.Lstat(filepath.Join(dir, "copy/p", name)); !os.IsNotExist(err) {
			t.Errorf("%s in the copy: %v, want it left out", name, err)
		}
	}
	var st unix.Stat_t
	must(unix.Stat(filepath.Join(dir, "copy/p/sparse"), &st))
	if st.Size != 20<<30 || st.Blocks > 1000 {
		t.Errorf("sparse file: %d bytes in %d blocks", st.Size, st.Blocks)
	}
	must(os.Chmod(filepath.Join(dir, "copy/p/src"), 0))
	must(RemoveTree(dir))
	if _, err := os.Lstat(dir); !os.IsNotExist(err) {
		t.Errorf("private directory still there: %v", err)
	}
}

// Directories nested deeper than descriptors and paths go.
func TestViewRemoveDeep(t *testing.T) {
	var was unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &was); err != nil {
		t.Fatal(err)
	}
	few := was
	few.Cur = 256
	if err := unix.Setrlimit(unix.RLIMIT_NOFILE, &few); err != nil {
		t.Fatal(err)
	}
	defer unix.Setrlimit(unix.RLIMIT_NOFILE, &was)
	dir := t.TempDir()
	fd, err := openPath(dir)
	if err != nil {
		t.Fatal(err)
	}
	const name = "a-rather-long-name-so-that-the-path-is-long-too"
	for range 1000 {
		if err := unix.Mkdirat(fd, name, 0o700); err != nil {
			t.Fatal(err)
		}
		next, err := openDir(fd, name)
		if err != nil {
			t.Fatal(err)
		}
		if err := unix.Fchmod(fd, 0o500); err != nil {
			t.Fatal(err)
		}
		unix.Close(fd)
		fd = next
	}
	unix.Close(fd)
	if err := RemoveTree(dir); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Lstat(dir); !os.IsNotExist(err) {
		t.Errorf("still there: %v", err)
	}
}

// TestSwapTime: later than the file's own time, another at each swap, and in the past as far
// as there is room.
func TestSwapTime(t *testing.T) {
	seen := map[int64]bool{}
	for swap := range int64(50) {
		at := swapTime(1000, swap, 2000)
		if at <= 1000 || at >= 2000 || seen[at] {
			t.Errorf("swap %d: %d", swap, at)
		}
		seen[at] = true
	}
	for _, own := range []int64{1998, 1999, 2000, 2100} { // there is no room
		if at := swapTime(own, 7, 2000); at != own+1 {
			t.Errorf("own time %d: %d", own, at)
		}
	}
}
