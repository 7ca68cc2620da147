package exec

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
)

// attempts is a PHP program that tries to do harm in every way that a mutant is
// likely to, and then what tests rightly do. It prints {name: it worked}.
// Arguments: a folder outside, a port of TCP and UDP, a socket file, an
// abstract socket; something answers at each of the four.
const attempts = `
error_reporting(0);
[, $out, $port, $file, $abstract] = $argv;
$in = getcwd();
$tmp = getenv('TMPDIR');
file_put_contents("$in/mine", 'mine');
$ask = function (string $where) {
	$s = stream_socket_client($where, $code, $message, 1);
	if (!$s) { return false; }
	stream_set_timeout($s, 1);
	return fwrite($s, "hello\n") && fgets($s) === "hello\n";
};
$sh = fn (string $script) => exec("sh -c '$script' 2>/dev/null; echo $?") === '0';
$tries = [
	'unlink' => fn () => unlink("$out/a"),
	'overwrite' => fn () => file_put_contents("$out/b", 'x') !== false,
	'append' => fn () => file_put_contents("$out/c", 'x', FILE_APPEND) !== false,
	'create' => fn () => file_put_contents("$out/new", 'x') !== false,
	'truncate' => fn () => ($h = fopen("$out/d", 'r+')) && ftruncate($h, 0),
	'mkdir' => fn () => mkdir("$out/made"),
	'rmdir' => fn () => rmdir("$out/empty"),
	'rename' => fn () => rename("$out/e", "$out/e2"),
	'move in' => fn () => rename("$out/f", "$in/f") && !file_exists("$out/f"),
	'move out' => fn () => rename("$in/mine", "$out/g"),
	'symlink' => fn () => symlink('x', "$out/link"),
	'hard link' => fn () => link("$out/h", "$out/h2"),
	'copy' => fn () => copy('/etc/passwd', "$out/i"),
	'fifo' => fn () => posix_mkfifo("$out/fifo", 0600),
	'through a link' => fn () => file_put_contents("$in/outward/j", 'x') !== false,
	'shell' => fn () => $sh("rm -rf $out/dir/*; ! test -e $out/dir/k"),
	'session of its own' => fn () => $sh("setsid sh -c \"echo x >$out/l\"; grep -q x $out/l"),
	'chmod' => fn () => chmod("$out/m", 0600),
	'touch' => fn () => touch("$out/n", 1),
	'tcp' => fn () => $ask("tcp://127.0.0.1:$port"),
	'udp' => fn () => $ask("udp://127.0.0.1:$port"),
	'socket file' => fn () => $ask("unix://$file"),
	'abstract socket' => fn () => $ask("unix://\0$abstract"),

	'own: project' => fn () => file_put_contents("$in/own", 'x') && mkdir("$in/own.d") && rename("$in/own", "$in/own.d/own"),
	'own: temp' => fn () => ($f = tempnam(sys_get_temp_dir(), 'x')) && str_starts_with($f, $tmp) && file_put_contents($f, 'x') && unlink($f),
	'own: null' => fn () => file_put_contents('/dev/null', 'x') === 1,
	'own: output' => fn () => file_put_contents('php://stderr', 'x') === 1 && $sh('echo x >/dev/stdout'),
	'own: terminal' => fn () => ($p = proc_open('echo hi', [['pty'], ['pty'], ['pty']], $pipes)) && trim(fgets($pipes[1])) === 'hi',
	'own: socket' => fn () => ($s = stream_socket_server("unix://$tmp/s")) && stream_socket_client("unix://$tmp/s"),
	'own: server' => fn () => ($s = stream_socket_server('tcp://127.0.0.1:0')) && stream_socket_client('tcp://' . stream_socket_get_name($s, false)),
	'own: signal' => fn () => ($p = proc_open('exec sleep 9', [], $pipes)) && proc_terminate($p) && proc_close($p) !== 0,
];
echo json_encode(array_map(fn ($try) => (bool) $try(), $tries));
`

// outside makes a folder for attempts to harm, below no temp directory.
func outside(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp(elsewhere(t), "assay-outside")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { removeTree(dir) })
	for _, name := range strings.Fields("a b c d e f h i j dir/k l m n") {
		p := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, []byte("kept\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(dir, "empty"), 0o755); err != nil {
		t.Fatal(err)
	}
	return dir
}

// callees answer at a TCP and UDP port of this machine, at a socket file below
// dir and at an abstract socket. calls counts those over TCP.
type callees struct {
	port           uint16
	file, abstract string
	calls          atomic.Int32
}

func listen(t *testing.T, dir string) *callees {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	c := &callees{file: filepath.Join(dir, "socket"), abstract: "assay-test-" + newToken()}
	tcp, err := net.Listen("tcp", "127.0.0.1:0")
	must(err)
	c.port = uint16(tcp.Addr().(*net.TCPAddr).Port)
	udp, err := net.ListenPacket("udp", tcp.Addr().String())
	must(err)
	file, err := net.Listen("unix", c.file)
	must(err)
	abstract, err := net.Listen("unix", "@"+c.abstract)
	must(err)
	for _, l := range []net.Listener{tcp, file, abstract} {
		t.Cleanup(func() { l.Close() })
		go func() {
			for {
				conn, err := l.Accept()
				if err != nil {
					return
				}
				if l == tcp {
					c.calls.Add(1)
				}
				line, _ := bufio.NewReader(conn).ReadString('\n')
				conn.Write([]byte(line))
				conn.Close()
			}
		}()
	}
	t.Cleanup(func() { udp.Close() })
	go func() {
		var buf [100]byte
		for {
			n, from, err := udp.ReadFrom(buf[:])
			if err != nil {
				return
			}
			udp.WriteTo(buf[:n], from)
		}
	}()
	return c
}

func init() {
	keeperCases["attempts"] = func(k keeperT, arg string) {
		g, err := newGuard(k.v)
		k.must(err)
		cmd := osexec.Command("/usr/bin/php", append([]string{"-r", attempts, "--"}, strings.Fields(arg)...)...)
		var out, errs bytes.Buffer
		cmd.Dir, cmd.Stdout, cmd.Stderr = k.v.Root(), &out, &errs
		cmd.Env = append(os.Environ(), "TMPDIR="+k.v.Temp())
		k.must(g.start(cmd))
		if err := cmd.Wait(); err != nil {
			k.fatalf("%v: %s", err, &errs)
		}
		fmt.Print(out.String())
	}
}

// confinementOf is what an engine would confine its keepers to.
func confinementOf(t *testing.T, set Settings) (Confinement, []string) {
	t.Helper()
	e := &Engine{set: set}
	e.facts.View = set.View
	if err := e.planConfinement(); err != nil {
		t.Fatal(err)
	}
	return e.confinement, e.facts.Unconfined
}

// tryHarm makes the attempts in a keeper and gives those that worked, the
// rightful ones ("own: ...") that did not, and whether the outside was changed.
func tryHarm(t *testing.T, set Settings, out string, c *callees) (worked, hindered []string, changed bool) {
	t.Helper()
	set.Root = filepath.Join(t.TempDir(), "p")
	sampleProject(t, set.Root)
	if err := os.Symlink(out, filepath.Join(set.Root, "outward")); err != nil {
		t.Fatal(err)
	}
	beforeRoot, before := snapshot(t, set.Root), snapshot(t, out)
	confinement, _ := confinementOf(t, set)
	dir := t.TempDir()
	t.Cleanup(func() { removeTree(dir) })
	text := runKeeper(t, ViewSpec{Mode: set.View, Root: set.Root, Dir: dir, Keep: set.AllowSockets, Confinement: confinement},
		fmt.Sprintf("attempts %s %d %s %s", out, c.port, c.file, c.abstract), nil)
	var results map[string]bool
	if err := json.Unmarshal([]byte(text), &results); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	for name, ok := range results {
		own := strings.HasPrefix(name, "own: ")
		switch {
		case ok && !own:
			worked = append(worked, name)
		case !ok && own:
			hindered = append(hindered, name)
		}
	}
	slices.Sort(worked)
	if len(results) < 30 {
		t.Fatalf("only %d attempts", len(results))
	}
	if snapshot(t, set.Root) != beforeRoot {
		t.Error("the project was changed")
	}
	return worked, hindered, snapshot(t, out) != before
}

// TestConfined lets a program do its worst, in each view, confined and not.
func TestConfined(t *testing.T) {
	// What Landlock alone does not keep from: see the comment of Confinement.
	loose := []string{"chmod", "socket file", "touch"}
	if os.Geteuid() != 0 {
		loose = []string{"abstract socket", "chmod", "socket file", "touch", "udp"}
	}
	for _, row := range []struct {
		name string
		set  Settings
		want []string
	}{
		{"overlay", Settings{View: ViewOverlay}, nil},
		{"copy", Settings{View: ViewCopy}, loose},
	} {
		t.Run(row.name, func(t *testing.T) {
			out := outside(t)
			worked, hindered, changed := tryHarm(t, row.set, out, listen(t, out))
			if !slices.Equal(worked, row.want) {
				t.Errorf("these attempts worked: %q, want %q", worked, row.want)
			}
			if changed != slices.Contains(row.want, "touch") {
				t.Errorf("the outside was changed: %v", changed)
			}
			if i := slices.Index(hindered, "own: server"); i >= 0 && row.set.View == ViewCopy && os.Geteuid() != 0 {
				hindered = slices.Delete(hindered, i, i+1) // it would take --allow-connect
			}
			if len(hindered) > 0 {
				t.Errorf("this should have worked: %q", hindered)
			}
		})
		t.Run(row.name+", not confined", func(t *testing.T) {
			set := row.set
			set.Unconfined = true
			out := outside(t)
			worked, hindered, _ := tryHarm(t, set, out, listen(t, out))
			if all := strings.Count(attempts, "=> fn () =>") - strings.Count(attempts, "'own: "); len(worked) != all || len(hindered) > 0 {
				t.Errorf("%d of %d attempts worked (%q), and not %q", len(worked), all, worked, hindered)
			}
		})
	}
}

// TestAllowed allows places, and looks that they alone are open.
func TestAllowed(t *testing.T) {
	for _, mode := range []ViewMode{ViewOverlay, ViewCopy} {
		t.Run(mode.String(), func(t *testing.T) {
			out := outside(t)
			c := listen(t, t.TempDir())
			set := Settings{View: mode, AllowWrite: []string{filepath.Join(out, "b"), filepath.Join(out, "dir")},
				AllowPorts: []uint16{c.port}, AllowSockets: []string{c.file}}
			worked, _, _ := tryHarm(t, set, out, c)
			// The network is shared then, and Landlock knows only TCP.
			want := []string{"abstract socket", "overwrite", "shell", "socket file", "tcp", "udp"}
			if mode == ViewCopy {
				want = append(want, "chmod", "touch")
			}
			slices.Sort(want)
			if !slices.Equal(worked, want) {
				t.Errorf("these attempts worked: %q, want %q", worked, want)
			}
			other := listen(t, out)
			other.abstract = c.abstract
			set.AllowSockets = nil
			worked, _, _ = tryHarm(t, set, outside(t), other)
			for _, name := range []string{"tcp", "overwrite", "shell"} {
				if slices.Contains(worked, name) {
					t.Errorf("another port, another folder: %s worked", name)
				}
			}
		})
	}
}

// TestConfinedOnDisk: the layers must stay writable for the keeper when the disk
// that they are on does not.
func TestConfinedOnDisk(t *testing.T) {
	root, dir := filepath.Join(t.TempDir(), "p"), t.TempDir()
	t.Cleanup(func() { removeTree(dir) })
	sampleProject(t, root)
	before := snapshot(t, root)
	c, _ := confinementOf(t, Settings{Root: root, View: ViewOverlay})
	for _, name := range []string{"swap", "damage", "accept"} {
		mine := filepath.Join(dir, name)
		if err := os.Mkdir(mine, 0o700); err != nil {
			t.Fatal(err)
		}
		runKeeper(t, ViewSpec{Mode: ViewOverlay, Root: root, Dir: mine, MemoryLimit: -1, Confinement: c}, name, nil)
	}
	if snapshot(t, root) != before {
		t.Error("the project was changed")
	}
}

// TestAllowedInTemp allows a folder in a temp directory that the view replaces,
// and the temp directory itself, which stays private.
func TestAllowedInTemp(t *testing.T) {
	root, mine := filepath.Join(t.TempDir(), "p"), t.TempDir()
	sampleProject(t, root)
	c, _ := confinementOf(t, Settings{Root: root, View: ViewOverlay, AllowWrite: []string{mine, "/tmp"}})
	foreign := filepath.Join("/tmp", "assay-test-"+newToken())
	runKeeper(t, ViewSpec{Mode: ViewOverlay, Root: root, Dir: t.TempDir(), Confinement: c}, "allowed "+mine+" "+foreign, nil)
	if text, err := os.ReadFile(filepath.Join(mine, "written")); err != nil || string(text) != "x\n" {
		t.Errorf("in the allowed folder: %q, %v", text, err)
	}
	if _, err := os.Stat(foreign); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%s: %v; it should have been private", foreign, err)
	}
}

func init() {
	keeperCases["allowed"] = func(k keeperT, arg string) {
		mine, foreign, _ := strings.Cut(arg, " ")
		g, err := newGuard(k.v)
		k.must(err)
		cmd := osexec.Command("/bin/sh", "-ec", "echo x >"+mine+"/written; echo x >"+foreign)
		var errs bytes.Buffer
		cmd.Stderr = &errs
		k.must(g.start(cmd))
		if err := cmd.Wait(); err != nil {
			k.fatalf("%v: %s", err, &errs)
		}
	}
}

// TestConfinedGallery judges mutants that delete a file outside and call a port
// of this machine, as the engine runs them.
func TestConfinedGallery(t *testing.T) {
	gallery := os.Getenv("ASSAY_TEST_GALLERY")
	if gallery == "" {
		gallery, _ = filepath.Abs(fixtures + "/gallery")
	}
	claims := []claim{
		{File: "src/Shredder.php", Before: "if (!$confirmed)", After: "if ($confirmed)"},
		{File: "src/Shredder.php", Before: "$confirmed && is_file", After: "!$confirmed && is_file"},
		{File: "src/Caller.php", Before: "!$online || $port <= 0", After: "$port <= 0"},
		{File: "src/WritesSource.php", Before: "$this->polite ? 0", After: "!$this->polite ? 0"},
		{File: "src/DeletesItself.php", Before: "if (!$really)", After: "if ($really)"},
		{File: "src/Neighbour.php", Before: "$left + $right", After: "$left - $right"},
	}
	for _, row := range []struct {
		name         string
		set          Settings
		allow        bool
		harm, called bool
	}{
		{"overlay", Settings{View: ViewOverlay}, false, false, false},
		{"overlay, cold", Settings{View: ViewOverlay, Cold: true}, false, false, false},
		{"copy", Settings{View: ViewCopy}, false, false, false},
		{"overlay, allowed", Settings{View: ViewOverlay}, true, true, true},
		{"copy, allowed", Settings{View: ViewCopy}, true, true, true},
		{"overlay, not confined", Settings{View: ViewOverlay, Unconfined: true}, false, true, true},
		{"copy, not confined", Settings{View: ViewCopy, Unconfined: true}, false, true, true},
	} {
		t.Run(row.name, func(t *testing.T) {
			out := outside(t)
			c := listen(t, out)
			victim := filepath.Join(out, "a")
			t.Setenv("GALLERY_VICTIM", victim)
			t.Setenv("GALLERY_PORT", fmt.Sprint(c.port))
			set := row.set
			set.Root, set.PHP, set.PHPUnit, set.Jobs = copyFixture(t, gallery), lookPHP(t), lookPHPUnit(t), 1
			set.Config = filepath.Join(set.Root, "phpunit.xml")
			if row.allow {
				set.AllowWrite, set.AllowPorts = []string{out}, []uint16{c.port}
			}
			before, beforeRoot := snapshot(t, victim), snapshot(t, set.Root)
			verdicts := judgeClaims(t, set, claims)
			if got := verdicts[len(verdicts)-1].Status.String(); got != "killed" {
				t.Errorf("the neighbour's mutant: %s", got)
			}
			now := "gone"
			if _, err := os.Stat(victim); err == nil {
				now = snapshot(t, victim)
			}
			if harmed := now != before; harmed != row.harm {
				t.Errorf("harm was done: %v, want %v", harmed, row.harm)
			}
			if called := c.calls.Load() > 0; called != row.called {
				t.Errorf("the port was called: %v, want %v", called, row.called)
			}
			if snapshot(t, set.Root) != beforeRoot {
				t.Error("the project was changed")
			}
		})
	}
}

// tinySuite makes a project of one test with the given body.
func tinySuite(t *testing.T, body string) Settings {
	t.Helper()
	root := t.TempDir()
	for name, text := range map[string]string{
		"src/Ferry.php": "<?php\nclass Ferry { public function seats(int $n): int { return $n + 1; } }\n",
		"tests/FerryTest.php": "<?php\nrequire_once __DIR__ . '/../src/Ferry.php';\nclass FerryTest extends PHPUnit\\Framework\\TestCase {\n" +
			"public function testSeats(): void { " + body + " $this->assertSame(2, (new Ferry)->seats(1)); }\n}\n",
		"phpunit.xml": `<phpunit cacheResult="false"><testsuites><testsuite name="ferry"><directory>tests</directory></testsuite></testsuites></phpunit>`,
	} {
		p := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return Settings{Root: root, PHP: lookPHP(t), PHPUnit: lookPHPUnit(t), Config: filepath.Join(root, "phpunit.xml"), Jobs: 1, View: ViewOverlay}
}

func surveyOf(t *testing.T, set Settings) (*Survey, Facts, error) {
	t.Helper()
	points, _, _ := layOut(t, set.Root)
	e, err := Open(context.Background(), set)
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	s, err := e.Survey(context.Background(), slices.Collect(maps.Values(points)), nil)
	return s, e.Facts(), err
}

// TestRedWhenConfined: a suite that needs more than it gets is told from one
// that is red anyway.
func TestRedWhenConfined(t *testing.T) {
	out := outside(t)
	c := listen(t, out)
	writes := fmt.Sprintf("$this->assertSame(1, @file_put_contents('%s/b', 'x'));", out)
	calls := fmt.Sprintf("$this->assertIsResource(@stream_socket_client('tcp://127.0.0.1:%d'));", c.port)
	for _, row := range []struct {
		name, body string
		allow      func(*Settings)
		because    bool // confinement is the cause
	}{
		{"writes", writes, nil, true},
		{"writes, allowed", writes, func(s *Settings) { s.AllowWrite = []string{out + "/b"} }, false},
		{"writes, not confined", writes, func(s *Settings) { s.Unconfined = true }, false},
		{"calls", calls, nil, true},
		{"calls, allowed", calls, func(s *Settings) { s.AllowPorts = []uint16{c.port} }, false},
		{"red anyway", "$this->assertTrue(false);", nil, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			set := tinySuite(t, row.body)
			if row.allow != nil {
				row.allow(&set)
			}
			_, _, err := surveyOf(t, set)
			var fault *ProjectError
			switch {
			case row.allow != nil:
				if err != nil {
					t.Error(err)
				}
			case !errors.As(err, &fault) || !strings.Contains(fault.What, "FerryTest::testSeats"):
				t.Errorf("%v, want the failing test", err)
			case strings.Contains(fault.Do, "The suite passes without confinement") != row.because:
				t.Errorf("advice: %s", fault.Do)
			}
		})
	}
}

// TestSkippedWhenConfined: a test that skips itself because of confinement is
// named, one that does so anyway is not.
func TestSkippedWhenConfined(t *testing.T) {
	c := listen(t, outside(t))
	body := "if (!@stream_socket_client('tcp://127.0.0.1:%d')) { $this->markTestSkipped('no server'); }"
	for port, want := range map[uint16]string{c.port: "FerryTest::testSeats is skipped because it is confined", 1: ""} {
		s, _, err := surveyOf(t, tinySuite(t, fmt.Sprintf(body, port)))
		if err != nil {
			t.Fatal(err)
		}
		var notes []string
		for _, n := range s.Notes {
			if n.Kind == "confine" {
				notes = append(notes, n.Text)
			}
		}
		if got := strings.Join(notes, "\n"); (want == "") != (got == "") || !strings.HasPrefix(got, want) {
			t.Errorf("port %d: notes %q", port, got)
		}
	}
}

// TestOtherSuiteWhenConfined: a data provider that asks a server makes other
// tests when it gets no answer.
func TestOtherSuiteWhenConfined(t *testing.T) {
	c := listen(t, outside(t))
	set := tinySuite(t, "$this->markTestSkipped('always');")
	file := filepath.Join(set.Root, "tests", "FerryTest.php")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(text, []byte("public function"), fmt.Appendf(nil,
		"public static function more(): array { return @stream_socket_client('tcp://127.0.0.1:%d') ? [[1], [2]] : [[1]]; }\n"+
			"/** @dataProvider more */\n#[PHPUnit\\Framework\\Attributes\\DataProvider('more')]\npublic function testMore(int $n): void { $this->assertLessThan(3, $n); }\n"+
			"public function", c.port), 1)
	if err := os.WriteFile(file, text, 0o644); err != nil {
		t.Fatal(err)
	}
	s, _, err := surveyOf(t, set)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(s.Notes); n != 1 || !strings.HasPrefix(s.Notes[0].Text, "Without confinement the suite has other tests; allow") {
		t.Errorf("notes %v", s.Notes)
	}
}

// TestUnconfinedNotes: where the kernel gives less, the report says what is open.
func TestUnconfinedNotes(t *testing.T) {
	real := abilitiesFor
	t.Cleanup(func() { abilitiesFor = real })
	set := tinySuite(t, "")
	without := errors.New("the kernel was started without Landlock")
	shared := errors.New("--allow-connect leaves the network shared")
	for _, row := range []struct {
		name string
		has  abilities
		view ViewMode
		off  bool
		want []string // each begins so
	}{
		{"all", real(ViewOverlay, true), ViewOverlay, false, nil},
		{"all", real(ViewCopy, true), ViewCopy, false, []string{
			"Mutated code can change modes, owners and times of files outside of its view, but neither",
			"Mutated code can reach services of this machine that listen at a socket file."}},
		{"no Landlock", abilities{why: without}, ViewOverlay, false, []string{
			"Mutated code can write to devices, because the kernel was started without Landlock."}},
		{"nothing", abilities{why: without, mounts: errors.New("no such call"), network: shared}, ViewOverlay, false, []string{
			"Mutated code can write wherever you can but in the project, because mounts cannot be made read-only (no such call) and the kernel was started",
			"Mutated code can connect to any place: --allow-connect leaves"}},
		{"nothing", abilities{why: without, network: shared}, ViewCopy, false, []string{
			"Mutated code can write wherever you can, because the kernel was started without Landlock.",
			"Mutated code can connect to any place: --allow-connect leaves",
			"Mutated code can send signals to all your processes"}},
		{"version 1", abilities{landlock: 1}, ViewCopy, false, []string{
			"Mutated code can write wherever you can, because the kernel's Landlock is of version 1, and 2 is needed.",
			"Mutated code can reach services", "Mutated code can send signals"}},
		{"version 2", abilities{landlock: 2, network: shared}, ViewCopy, false, []string{
			"Mutated code can change modes, owners and times of files outside of its view and cut files short there (truncate), but neither",
			"Mutated code can connect to any place", "Mutated code can send signals"}},
		{"version 4", abilities{landlock: 4, network: shared}, ViewCopy, false, []string{
			"Mutated code can change modes, owners and times of files outside of its view, but neither",
			"Mutated code is kept from TCP connections, but to allowed ports (of any machine), and from no other", "Mutated code can send signals"}},
		{"off", abilities{}, ViewOverlay, true, []string{"Mutated code was not confined (--no-confine)"}},
	} {
		t.Run(row.name+" "+row.view.String(), func(t *testing.T) {
			abilitiesFor = func(ViewMode, bool) abilities { return row.has }
			set := set
			set.View, set.Unconfined = row.view, row.off
			_, facts, err := surveyOf(t, set) // it works all the same
			if err != nil {
				t.Fatal(err)
			}
			ok := len(facts.Unconfined) == len(row.want)
			for i := range row.want {
				ok = ok && strings.HasPrefix(facts.Unconfined[i], row.want[i])
			}
			if !ok {
				t.Errorf("notes %q, want %q", facts.Unconfined, row.want)
			}
		})
	}
}
