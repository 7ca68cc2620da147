package exec

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

func init() {
	keeperCases["isolated"] = caseIsolated
	keeperCases["kept"] = caseKept
	keeperCases["strays"] = caseStrays
	keeperCases["bomb"] = caseBomb
	keeperCases["brood"] = caseBrood
}

// caseIsolated gets the user's uid and gid as argument, and the path of a file
// in the host's /tmp.
func caseIsolated(k keeperT, arg string) {
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
			k.fatalf("a process of the tests can look into the keeper: %s", out)
		}
	}
	if os.Getpid() != 1 || len(k.v.Notes()) > 0 {
		k.fatalf("pid %d, notes %q; want 1 and none", os.Getpid(), k.v.Notes())
	}
	pids, err := allPids()
	k.must(err)
	if len(pids) != 1 {
		k.fatalf("processes %v in the fresh /proc, want the keeper alone", pids)
	}
	if _, err := os.Lstat(foreign); !os.IsNotExist(err) {
		k.fatalf("%s of the host is visible: %v", foreign, err)
	}
	if os.Getenv(keeperEnv) != "" {
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
	for _, home := range []string{os.TempDir(), "/var/tmp", elsewhere(t)} {
		dir, err := os.MkdirTemp(home, "assay test")
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { removeTree(dir) })
		root := filepath.Join(dir, "proj")
		sampleProject(t, root)
		before := snapshot(t, root)
		foreign, err := os.CreateTemp("/tmp", "assay-foreign")
		if err != nil {
			t.Fatal(err)
		}
		defer os.Remove(foreign.Name())
		private := t.TempDir()
		spec := ViewSpec{Mode: ViewOverlay, Root: root, Dir: private}
		runKeeper(t, spec, fmt.Sprintf("isolated %d %d %s", os.Getuid(), os.Getgid(), foreign.Name()), nil)
		runKeeper(t, spec, "damage", nil)
		runKeeper(t, spec, "swap", nil)
		if snapshot(t, root) != before {
			t.Errorf("%s was changed", root)
		}
		left, err := os.ReadDir(private)
		if err != nil || len(left) > 0 {
			t.Errorf("left in the private directory: %v, %v", left, err)
		}
	}
}

// elsewhere is a writable directory below none of the temp directories.
func elsewhere(t *testing.T) string {
	if dir := os.Getenv("ASSAY_TEST_HOME"); dir != "" {
		return dir
	}
	dir, err := os.UserHomeDir()
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

func caseKept(k keeperT, arg string) {
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
	spec := ViewSpec{Mode: ViewOverlay, Root: root, Dir: t.TempDir(),
		Keep: []string{top + "/tool.phar", top + "/lib", top + "/link", root + "/src", "/usr"}}
	files := []string{top + "/tool.phar", top + "/lib/a/b.php", top + "/link/c.php", top + "/real/c.php"}
	runKeeper(t, spec, "kept "+strings.Join(files, " "), nil)
	runKeeper(t, spec, "damage", nil)

	spec.Keep = []string{"/tmp"}
	cmd, err := keeperCommand(spec, "case", "noop")
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

func caseStrays(k keeperT, _ string) {
	none := func(int) bool { return false }
	if n, err := killStrays(none); n != 0 || err != nil {
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
		n, err := killStrays(func(pid int) bool { return pid == spared.Process.Pid })
		k.must(err)
		if n < 8 {
			k.fatalf("only %d strays found", n)
		}
		below, err := livingBelow()
		k.must(err)
		for _, s := range below {
			if p, ok := readProc(s.listed); ok && !p.dead() && p.pid != spared.Process.Pid {
				cmd, _ := os.ReadFile(fmt.Sprintf("/proc/%d/cmdline", p.pid))
				k.fatalf("still there: %+v %q", p, cmd)
			}
		}
		in.Close()
		if err := spared.Wait(); spared.ProcessState.ExitCode() != 7 {
			k.fatalf("the spared process: %v", err)
		}
		if n, err := killStrays(none); n != 0 || err != nil {
			k.fatalf("afterwards: %d strays, %v", n, err)
		}
	}
}

func TestStrays(t *testing.T) { everyView(t, "strays") }

// caseBomb ends processes that fork without end; only where all processes of
// the namespace can be signalled at once is that sure to work.
func caseBomb(k keeperT, _ string) {
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
	n, err := killStrays(func(pid int) bool { return pid == spared.Process.Pid })
	k.must(err)
	if n < 10 {
		k.fatalf("only %d processes of a fork bomb found", n)
	}
	p, ok := readProc(spared.Process.Pid)
	if !ok || p.state == 'T' || p.dead() {
		k.fatalf("the spared process is in state %c", p.state)
	}
	k.must(spared.Process.Kill())
	spared.Wait()
	bomb.Wait()
}

func TestForkBomb(t *testing.T) {
	root := t.TempDir()
	runKeeper(t, ViewSpec{Mode: ViewOverlay, Root: root, Dir: t.TempDir()}, "bomb", nil)
}

// caseBrood starts the brood, says so, and waits to be killed.
func caseBrood(k keeperT, _ string) {
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

// A keeper that dies takes everything along: by itself with a PID namespace,
// by killTree or killRemains without.
func TestKeeperDies(t *testing.T) {
	for i, row := range []struct {
		mode ViewMode
		end  func(t *testing.T, pid int, dir string)
	}{
		{ViewOverlay, func(t *testing.T, pid int, _ string) { unix.Kill(pid, unix.SIGKILL) }},
		{ViewOverlay, func(t *testing.T, pid int, _ string) {
			if err := killTree(pid); err != nil {
				t.Error(err)
			}
		}},
		{ViewCopy, func(t *testing.T, pid int, _ string) {
			if err := killTree(pid); err != nil {
				t.Error(err)
			}
		}},
		{ViewCopy, func(t *testing.T, pid int, dir string) {
			unix.Kill(pid, unix.SIGKILL)
			time.Sleep(10 * time.Millisecond)
			if n, err := killRemains(dir); err != nil || n < 5 {
				t.Errorf("killRemains: %d, %v", n, err)
			}
		}},
	} {
		mark := fmt.Sprintf("brood-%d-%d", os.Getpid(), i)
		root, dir := filepath.Join(t.TempDir(), "p"), t.TempDir()
		sampleProject(t, root)
		cmd, err := keeperCommand(ViewSpec{Mode: row.mode, Root: root, Dir: dir}, "case", "brood")
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
			t.Errorf("row %d, %v: %d processes outlived their keeper", i, row.mode, n)
		}
		if err := removeTree(dir); err != nil {
			t.Error(err)
		}
	}
}

func TestProbeViews(t *testing.T) {
	root := filepath.Join(t.TempDir(), "p")
	sampleProject(t, root)
	before := snapshot(t, root)
	mode, why := probeViews(root, t.TempDir())
	if mode != ViewOverlay || why != "" {
		t.Errorf("probe: %v, %q", mode, why)
	}
	if snapshot(t, root) != before {
		t.Error("the probe changed the project")
	}
	if mode, why := probeViews("/", t.TempDir()); mode != ViewCopy || !strings.Contains(why, "root directory") {
		t.Errorf("probe of /: %v, %q", mode, why)
	}
	if os.Getuid() == 0 {
		return
	}
	// With no namespace to be had, the reason says so.
	cmd := osexec.Command("/proc/self/exe", "-test.run=^TestProbeRefused$", "-test.v")
	cmd.Env = append(os.Environ(), "ASSAY_TEST_REFUSED="+root)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

// An ordinary user's way, taken for real: the same tests with another uid.
func TestAsOrdinaryUser(t *testing.T) {
	if os.Getuid() != 0 {
		return // this is that run, or the tests are run by an ordinary user anyway
	}
	const nobody = 65534 // the uid and gid of nobody and nogroup on Debian
	dir, err := os.MkdirTemp("", "assay-user")
	if err != nil {
		t.Fatal(err)
	}
	defer removeTree(dir)
	home, err := os.MkdirTemp("/opt", "assay-user")
	if err != nil {
		t.Fatal(err)
	}
	defer removeTree(home)
	for _, d := range []string{dir, home} {
		if err := os.Chown(d, nobody, nobody); err != nil {
			t.Fatal(err)
		}
	}
	self, err := os.ReadFile("/proc/self/exe")
	if err != nil {
		t.Fatal(err)
	}
	program := filepath.Join(home, "exec.test")
	if err := os.WriteFile(program, self, 0o755); err != nil {
		t.Fatal(err)
	}
	const tests = "TestView|TestIsolated|TestKept|TestStrays|TestForkBomb|TestKeeperDies|TestProbeViews"
	cmd := osexec.Command(program, "-test.v", "-test.run=^("+tests+")")
	cmd.Dir = home
	cmd.Env = append(os.Environ(), "TMPDIR="+dir, "HOME="+home, "ASSAY_TEST_HOME="+home)
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody, Groups: []uint32{}}}
	out, err := cmd.CombinedOutput()
	passed := strconv.Itoa(bytes.Count(out, []byte("\n--- PASS")))
	if err != nil || bytes.Contains(out, []byte("SKIP")) || !bytes.Contains(out, []byte("--- PASS: TestIsolated")) {
		t.Errorf("as uid %d: %v, %s passed\n%s", nobody, err, passed, out)
	}
}
