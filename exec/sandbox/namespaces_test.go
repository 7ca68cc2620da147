//go:build linux

package sandbox

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"assay/exec/sandbox/sandboxtest"
)

func init() {
	cases["isolated"] = caseIsolated
	cases["kept"] = caseKept
	cases["strays"] = caseStrays
	cases["bomb"] = caseBomb
	cases["brood"] = caseBrood
	cases["full"] = caseFull
	cases["foreign"] = caseForeign
}

// caseIsolated gets the user's uid and gid as argument, and the path of a file
// in the host's /tmp.
func caseIsolated(k insideT, arg string) {
	var uid, gid int
	var foreign string
	if _, err := fmt.Sscan(arg, &uid, &gid, &foreign); err != nil {
		k.fatalf("argument %q: %v", arg, err)
	}
	status, err := osexec.Command("/bin/cat", "/proc/self/status").Output()
	k.must(err)
	for _, want := range []string{fmt.Sprintf(`Uid:\t%[1]d\t%[1]d\t%[1]d\t%[1]d\n`, uid), fmt.Sprintf(`Gid:\t%[1]d\t%[1]d\t%[1]d\t%[1]d\n`, gid)} {
		if !regexp.MustCompile(want).Match(status) {
			k.fatalf("not the user's own ids, want %q in\n%s", want, status)
		}
	}
	if uid != 0 {
		for _, set := range []string{"CapInh", "CapPrm", "CapEff", "CapAmb"} {
			if !regexp.MustCompile(set + `:\s+0+\n`).Match(status) {
				k.fatalf("a process of the tests has capabilities:\n%s", status)
			}
		}
		if out, err := osexec.Command("/bin/ls", "/proc/1/fd/").CombinedOutput(); err == nil {
			k.fatalf("a process of the tests can look into the supervisor: %s", out)
		}
	}
	if os.Getpid() != 1 || len(k.v.Notes()) > 0 {
		k.fatalf("pid %d, notes %q; want 1 and none", os.Getpid(), k.v.Notes())
	}
	pids, err := allPids()
	k.must(err)
	if len(pids) != 1 {
		k.fatalf("processes %v in the fresh /proc, want the supervisor alone", pids)
	}
	if _, err := os.Lstat(foreign); !os.IsNotExist(err) {
		k.fatalf("%s of the host is visible: %v", foreign, err)
	}
	if os.Getenv(orderEnv) != "" {
		k.fatalf("the order is still in the environment")
	}
	var want []string
	for _, t := range k.v.temps {
		k.must(os.WriteFile(filepath.Join(t.place, "left-over"), nil, 0o600))
		want = append(want, t.place+": left-over created")
	}
	if len(want) < 2 || k.v.Temp() != "/tmp" {
		k.fatalf("temp directories %v, TMPDIR %s", want, k.v.Temp())
	}
	k.wantDamage(want...)
	k.mended()
}

func TestIsolated(t *testing.T) {
	for _, home := range []string{os.TempDir(), "/var/tmp", sandboxtest.Elsewhere(t)} {
		dir, err := os.MkdirTemp(home, "assay test")
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { RemoveTree(dir) })
		root := filepath.Join(dir, "proj")
		sampleProject(t, root)
		before := sandboxtest.Snapshot(t, root)
		foreign, err := os.CreateTemp("/tmp", "assay-foreign")
		if err != nil {
			t.Fatal(err)
		}
		defer os.Remove(foreign.Name())
		private := t.TempDir()
		spec := Spec{Mode: Overlay, Root: root, Dir: private}
		runInside(t, spec, fmt.Sprintf("isolated %d %d %s", os.Getuid(), os.Getgid(), foreign.Name()), nil)
		runInside(t, spec, "damage", nil)
		runInside(t, spec, "swap", nil)
		if sandboxtest.Snapshot(t, root) != before {
			t.Errorf("%s was changed", root)
		}
		left, err := os.ReadDir(private)
		if err != nil || len(left) > 0 {
			t.Errorf("left in the private directory: %v, %v", left, err)
		}
	}
}

func caseKept(k insideT, arg string) {
	for _, p := range strings.Fields(arg) {
		data, err := os.ReadFile(p)
		k.must(err)
		if string(data) != "kept\n" {
			k.fatalf("%s reads %q", p, data)
		}
		if err := os.WriteFile(p, []byte("x"), 0o600); err == nil || !strings.Contains(err.Error(), "read-only") {
			k.fatalf("write to %s: %v, want a read-only file system", p, err)
		}
	}
	list, err := k.v.Damage()
	k.must(err)
	if len(list) > 0 {
		k.fatalf("damage %v", list)
	}
	k.sh("touch $TMPDIR/x; rm -rf $TMPDIR/* || true")
	k.mended()
	k.wantDamage()
}

func TestKept(t *testing.T) {
	top := t.TempDir()
	// The project lies inside one of the kept directories.
	root := filepath.Join(top, "lib/inside/proj")
	sampleProject(t, root)
	for _, f := range []string{"tool.phar", "lib/a/b.php", "real/c.php"} {
		p := filepath.Join(top, f)
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, []byte("kept\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Symlink("real", filepath.Join(top, "link")); err != nil {
		t.Fatal(err)
	}
	spec := Spec{Mode: Overlay, Root: root, Dir: t.TempDir(),
		Keep: []string{top + "/tool.phar", top + "/lib", top + "/link", root + "/src", "/usr"}}
	files := []string{top + "/tool.phar", top + "/lib/a/b.php", top + "/link/c.php", top + "/real/c.php"}
	runInside(t, spec, "kept "+strings.Join(files, " "), nil)
	runInside(t, spec, "damage", nil)

	spec.Keep = []string{"/tmp"}
	cmd, err := Command(spec, "case", "noop")
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.CombinedOutput()
	if err == nil || !strings.Contains(string(out), "/tmp cannot be kept visible") {
		t.Errorf("keep /tmp: %v, %s", err, out)
	}
}

// brood starts processes that do what they can to stay: sessions and groups of
// their own, signals ignored, stopped, orphaned, with an empty environment.
const brood = `
exec >/dev/null 2>&1
setsid sleep 1000 &
(setsid sh -c 'trap "" TERM HUP INT; while :; do sleep 1000; done' &)
(sleep 1000 & sleep 1000 & kill -STOP $!)
(env -i setsid sh -c 'sleep 1000 & wait' &)
nohup sh -c '(sleep 1000 &)' >/dev/null 2>&1 &
sleep 0.1
`

func caseStrays(k insideT, _ string) {
	none := func(int) bool { return false }
	if n, err := KillStrays(none); n != 0 || err != nil {
		k.fatalf("at rest: %d strays, %v", n, err)
	}
	for range 3 {
		k.sh(brood)
		// A process to be spared, with a child that is not.
		spared := osexec.Command("/bin/sh", "-c", "sleep 1000 & echo; read x; exit 7")
		in, err := spared.StdinPipe()
		k.must(err)
		out, err := spared.StdoutPipe()
		k.must(err)
		k.must(spared.Start())
		_, err = bufio.NewReader(out).ReadString('\n')
		k.must(err)
		n, err := KillStrays(func(pid int) bool { return pid == spared.Process.Pid })
		k.must(err)
		if n < 8 {
			k.fatalf("only %d strays found", n)
		}
		below, err := livingBelow()
		k.must(err)
		for _, s := range below {
			if p, ok := readProc(s.listed); ok && !p.dead() && s.pid != spared.Process.Pid {
				cmd, _ := os.ReadFile(fmt.Sprintf("/proc/%d/cmdline", p.pid))
				k.fatalf("still there: %+v %q", p, cmd)
			}
		}
		in.Close()
		if err := spared.Wait(); spared.ProcessState.ExitCode() != 7 {
			k.fatalf("the spared process: %v", err)
		}
		_, err = KillStrays(none) // its dead child has come to us
		k.must(err)
		if n, err := KillStrays(none); n != 0 || err != nil {
			k.fatalf("afterwards: %d strays, %v", n, err)
		}
	}
}

func TestStrays(t *testing.T) { everyView(t, "strays") }

// caseBomb ends processes that fork without end; only where all processes of
// the namespace can be signalled at once is that sure to work.
func caseBomb(k insideT, _ string) {
	bomb := osexec.Command("/usr/bin/php", "-r", `
		for ($i = 0; $i < 4; $i++) { pcntl_fork(); }
		posix_setsid();
		for (;;) { if (pcntl_fork() === 0) { usleep(2000); if (pcntl_fork() > 0) { exit; } } usleep(3000); while (pcntl_wait($s, WNOHANG) > 0); }`)
	k.must(bomb.Start())
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(time.Millisecond) {
		below, err := livingBelow()
		k.must(err)
		if len(below) > 20 {
			break
		}
		if time.Now().After(deadline) {
			k.fatalf("the bomb did not go off: %v", below)
		}
	}
	spared := osexec.Command("/bin/sleep", "1000")
	k.must(spared.Start())
	n, err := KillStrays(func(pid int) bool { return pid == spared.Process.Pid })
	k.must(err)
	if n < 10 {
		k.fatalf("only %d processes of a fork bomb found", n)
	}
	below, err := livingBelow()
	k.must(err)
	if len(below) != 1 || below[0].pid != spared.Process.Pid {
		k.fatalf("left: %v, want the spared process", below)
	}
	if p, ok := readProc(below[0].listed); !ok || p.state == 'T' || p.dead() {
		k.fatalf("the spared process is in state %c", p.state)
	}
	k.must(spared.Process.Kill())
	spared.Wait()
	bomb.Wait()
}

func TestForkBomb(t *testing.T) {
	root := t.TempDir()
	runInside(t, Spec{Mode: Overlay, Root: root, Dir: t.TempDir()}, "bomb", nil)
}

// caseBrood starts the brood, says so, and waits to be killed.
func caseBrood(k insideT, _ string) {
	k.sh(strings.ReplaceAll(brood, "env -i", "env -i MARK="+os.Getenv("MARK")+" TMPDIR=$TMPDIR"))
	fmt.Println("ready")
	io.Copy(io.Discard, os.Stdin)
	time.Sleep(time.Hour)
}

// marked counts the living processes that have MARK=mark in their environment.
func marked(t *testing.T, mark string) int {
	pids, err := allPids()
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, pid := range pids {
		env, err := os.ReadFile(fmt.Sprintf("/proc/%d/environ", pid))
		if p, ok := readProc(pid); err == nil && ok && !p.dead() && bytes.Contains(env, []byte("MARK="+mark)) {
			n++
		}
	}
	return n
}

// A supervisor that dies takes everything along: by itself with a PID namespace,
// by KillTree or KillRemains without.
func TestKeeperDies(t *testing.T) {
	for i, row := range []struct {
		mode Mode
		end  func(t *testing.T, pid int, dir string)
	}{
		{Overlay, func(t *testing.T, pid int, _ string) { unix.Kill(pid, unix.SIGKILL) }},
		{Overlay, func(t *testing.T, pid int, _ string) {
			if err := KillTree(pid); err != nil {
				t.Error(err)
			}
		}},
		{Copy, func(t *testing.T, pid int, _ string) {
			if err := KillTree(pid); err != nil {
				t.Error(err)
			}
		}},
		{Copy, func(t *testing.T, pid int, dir string) {
			unix.Kill(pid, unix.SIGKILL)
			time.Sleep(10 * time.Millisecond)
			if n, err := KillRemains(dir); err != nil || n < 5 {
				t.Errorf("KillRemains: %d, %v", n, err)
			}
		}},
	} {
		mark := fmt.Sprintf("brood-%d-%d", os.Getpid(), i)
		root, dir := filepath.Join(t.TempDir(), "p"), t.TempDir()
		sampleProject(t, root)
		cmd, err := Command(Spec{Mode: row.mode, Root: root, Dir: dir}, "case", "brood")
		if err != nil {
			t.Fatal(err)
		}
		cmd.Env = append(cmd.Env, "MARK="+mark)
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := cmd.StdinPipe(); err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		if line, err := bufio.NewReader(out).ReadString('\n'); err != nil || line != "ready\n" {
			t.Fatalf("%q %v", line, err)
		}
		if n := marked(t, mark); n < 7 {
			t.Errorf("row %d: %d processes before the end, the test is not worth much", i, n)
		}
		row.end(t, cmd.Process.Pid, dir)
		cmd.Wait()
		if n := marked(t, mark); n > 0 {
			t.Errorf("row %d, %v: %d processes outlived their supervisor", i, row.mode, n)
		}
		if err := RemoveTree(dir); err != nil {
			t.Error(err)
		}
	}
}

func TestProbeViews(t *testing.T) {
	root := filepath.Join(t.TempDir(), "p")
	sampleProject(t, root)
	before := sandboxtest.Snapshot(t, root)
	mode, why := Probe(root, t.TempDir())
	if mode != Overlay || why != "" {
		t.Errorf("probe: %v, %q", mode, why)
	}
	if sandboxtest.Snapshot(t, root) != before {
		t.Error("the probe changed the project")
	}
	if mode, why := Probe("/", t.TempDir()); mode != Copy || !strings.Contains(why, "root directory") {
		t.Errorf("probe of /: %v, %q", mode, why)
	}
}

// caseFull fills all the space there is, in the temp directory and in the
// project, while a file is swapped for a shorter one.
func caseFull(k insideT, _ string) {
	const file = "src/Tide.php"
	for _, where := range []string{"$TMPDIR", "src", "/dev/shm"} {
		k.must(k.v.Swap(map[string][]byte{"var/data.bin": []byte("short"), file: nil}))
		k.sh("cat /dev/zero > " + where + "/full 2>/dev/null || true; for i in 1 2 3 4 5; do echo x > " + where + "/f$i || true; done; rm " + file)
		k.must(k.v.Restore())
		if list := k.damage(); len(list) < 3 {
			k.fatalf("damage %v", list)
		}
		k.mended()
		if got, err := os.ReadFile(k.path("var/data.bin")); err != nil || len(got) != 10000 {
			k.fatalf("var/data.bin: %d bytes, %v", len(got), err)
		}
	}
}

func TestDiskFull(t *testing.T) {
	root := filepath.Join(t.TempDir(), "p")
	sampleProject(t, root)
	before := sandboxtest.Snapshot(t, root)
	runInside(t, Spec{Mode: Overlay, Root: root, Dir: t.TempDir(), MemoryLimit: 1 << 20}, "full", nil)
	if sandboxtest.Snapshot(t, root) != before {
		t.Error("the project was changed")
	}
}

// The layers on disk, as where there is no memory to be had for them.
func TestLayersOnDisk(t *testing.T) {
	root := filepath.Join(t.TempDir(), "p")
	sampleProject(t, root)
	before := sandboxtest.Snapshot(t, root)
	dir := t.TempDir()
	t.Cleanup(func() { RemoveTree(dir) }) // parts of it are closed to others than us
	for _, name := range []string{"swap", "add", "damage", "accept"} {
		if err := RemoveTree(dir); err != nil {
			t.Fatal(err)
		}
		if err := os.Mkdir(dir, 0o700); err != nil {
			t.Fatal(err)
		}
		runInside(t, Spec{Mode: Overlay, Root: root, Dir: dir, MemoryLimit: -1}, name, nil)
	}
	if sandboxtest.Snapshot(t, root) != before {
		t.Error("the project was changed")
	}
	if _, err := os.Lstat(filepath.Join(dir, "upper")); err != nil {
		t.Errorf("the layers were not on disk: %v", err)
	}
}

// When the main process is killed its supervisors end, and all below them.
func TestMainProcessDies(t *testing.T) {
	for _, mode := range []Mode{Overlay, Copy} {
		root, dir := filepath.Join(t.TempDir(), "p"), t.TempDir()
		sampleProject(t, root)
		mark := fmt.Sprintf("orphan-%d-%v", os.Getpid(), mode)
		cmd := osexec.Command("/proc/self/exe", "-test.run=^TestMainProcess$")
		cmd.Env = append(os.Environ(), "ASSAY_TEST_MAIN="+mode.String(), "ROOT="+root, "DIR="+dir, "MARK="+mark)
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		if line, err := bufio.NewReader(out).ReadString('\n'); err != nil || line != "ready\n" {
			t.Fatalf("%q %v", line, err)
		}
		for deadline := time.Now().Add(time.Minute); marked(t, mark) < 8 && time.Now().Before(deadline); {
			time.Sleep(5 * time.Millisecond) // the last of the brood may be starting
		}
		if n := marked(t, mark); n < 8 {
			t.Errorf("%v: %d processes before the end", mode, n)
		}
		cmd.Process.Kill()
		cmd.Wait()
		deadline := time.Now().Add(time.Minute) // they do not end by themselves
		for marked(t, mark) > 0 && time.Now().Before(deadline) {
			time.Sleep(5 * time.Millisecond)
		}
		if n := marked(t, mark); n > 0 {
			t.Errorf("%v: %d processes outlived the main process", mode, n)
		}
	}
}

// TestMainProcess is the main process of TestMainProcessDies.
func TestMainProcess(t *testing.T) {
	mode, err := ParseMode(os.Getenv("ASSAY_TEST_MAIN"))
	if err != nil {
		return // only its parent test gives it something to do
	}
	cmd, err := Command(Spec{Mode: mode, Root: os.Getenv("ROOT"), Dir: os.Getenv("DIR")}, "case", "brood")
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stdout, cmd.Stderr = os.Stdout, os.Stderr
	if _, err := cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	t.Fatal(cmd.Run())
}

// caseForeign swaps a file of another user in a directory of the user's own.
func caseForeign(k insideT, _ string) {
	const file = "src/Tide.php"
	before, err := os.ReadFile(k.path(file))
	k.must(err)
	for range 2 {
		k.must(k.v.Swap(map[string][]byte{file: []byte("swapped")}))
		got, err := os.ReadFile(k.path(file))
		k.must(err)
		if string(got) != "swapped" {
			k.fatalf("%s reads %q", file, got)
		}
		k.must(k.v.Restore())
		k.wantDamage()
		got, err = os.ReadFile(k.path(file))
		k.must(err)
		if !bytes.Equal(got, before) {
			k.fatalf("%s restored to %q", file, got)
		}
		k.mended()
	}
	k.sh("rm -f src/Tide.php")
	k.wantDamage("project: src/Tide.php deleted")
	k.mended()
}
