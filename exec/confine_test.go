package exec

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"assay/exec/sandbox"
	"assay/exec/sandbox/sandboxtest"
)

// galleryClaims are mutants of the gallery that do harm, and a harmless neighbour.
var galleryClaims = []claim{
	{File: "src/Shredder.php", Before: "if (!$confirmed)", After: "if ($confirmed)"},
	{File: "src/Shredder.php", Before: "$confirmed && is_file", After: "!$confirmed && is_file"},
	{File: "src/Caller.php", Before: "!$online || $port <= 0", After: "$port <= 0"},
	{File: "src/WritesSource.php", Before: "$this->polite ? 0", After: "!$this->polite ? 0"},
	{File: "src/DeletesItself.php", Before: "if (!$really)", After: "if ($really)"},
	{File: "src/Neighbour.php", Before: "$left + $right", After: "$left - $right"},
}

// TestConfinedGallery judges mutants that delete a file outside and call a port
// of this machine, as the engine runs them.
func TestConfinedGallery(t *testing.T) {
	gallery := os.Getenv("ASSAY_TEST_GALLERY")
	if gallery == "" {
		gallery, _ = filepath.Abs(fixtures + "/gallery")
	}
	for _, row := range []struct {
		name         string
		set          Settings
		allow        bool
		harm, called bool
	}{
		{"overlay", Settings{View: sandbox.Overlay}, false, false, false},
		{"overlay, cold", Settings{View: sandbox.Overlay, Cold: true}, false, false, false},
		{"copy", Settings{View: sandbox.Copy}, false, false, false},
		{"overlay, allowed", Settings{View: sandbox.Overlay}, true, true, true},
		{"copy, allowed", Settings{View: sandbox.Copy}, true, true, true},
		{"overlay, not confined", Settings{View: sandbox.Overlay, Unconfined: true}, false, true, true},
		{"copy, not confined", Settings{View: sandbox.Copy, Unconfined: true}, false, true, true},
	} {
		if !canView(t, row.set.View) {
			continue
		}
		t.Run(row.name, func(t *testing.T) {
			out := sandboxtest.Outside(t)
			c := sandboxtest.Listen(t, out)
			victim := filepath.Join(out, "a")
			t.Setenv("GALLERY_VICTIM", victim)
			t.Setenv("GALLERY_PORT", fmt.Sprint(c.Port))
			set := row.set
			set.Root, set.PHP, set.PHPUnit, set.Jobs = copyFixture(t, gallery), lookPHP(t), lookPHPUnit(t), 1
			set.Config = filepath.Join(set.Root, "phpunit.xml")
			if row.allow {
				set.AllowWrite, set.AllowPorts = []string{out}, []uint16{c.Port}
			}
			before, beforeRoot := sandboxtest.Snapshot(t, victim), sandboxtest.Snapshot(t, set.Root)
			verdicts := judgeClaims(t, set, galleryClaims)
			if got := verdicts[len(verdicts)-1].Status.String(); got != "killed" {
				t.Errorf("the neighbour's mutant: %s", got)
			}
			now := "gone"
			if _, err := os.Stat(victim); err == nil {
				now = sandboxtest.Snapshot(t, victim)
			}
			if harmed := now != before; harmed != row.harm {
				t.Errorf("harm was done: %v, want %v", harmed, row.harm)
			}
			if called := c.Calls.Load() > 0; called != row.called {
				t.Errorf("the port was called: %v, want %v", called, row.called)
			}
			if sandboxtest.Snapshot(t, set.Root) != beforeRoot {
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
	return Settings{Root: root, PHP: lookPHP(t), PHPUnit: lookPHPUnit(t), Config: filepath.Join(root, "phpunit.xml"), Jobs: 1, View: sandbox.Overlay}
}

func recordOf(t *testing.T, set Settings) (*Baseline, Facts, error) {
	t.Helper()
	points, _, _ := layOut(t, set.Root)
	e, err := Open(context.Background(), set)
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	s, err := e.Record(context.Background(), slices.Collect(maps.Values(points)), nil)
	return s, e.Facts(), err
}

// TestRedWhenConfined: a suite that needs more than it gets is told from one
// that is red anyway.
func TestRedWhenConfined(t *testing.T) {
	out := sandboxtest.Outside(t)
	c := sandboxtest.Listen(t, out)
	writes := fmt.Sprintf("$this->assertSame(1, @file_put_contents('%s/b', 'x'));", out)
	calls := fmt.Sprintf("$this->assertIsResource(@stream_socket_client('tcp://127.0.0.1:%d'));", c.Port)
	// RFC 6761, 6.4: no resolver knows a name that ends so. What PHP says then is its own.
	resolves := fmt.Sprintf("if (!@stream_socket_client('tcp://127.0.0.1:%d')) { stream_socket_client('tcp://ferry.invalid:1'); } $this->assertTrue(true);", c.Port)
	for _, row := range []struct {
		name, body string
		allow      func(*Settings)
		because    bool // confinement is the cause
	}{
		{"resolves", resolves, nil, true},
		{"resolves, allowed", resolves, func(s *Settings) { s.AllowPorts = []uint16{c.Port} }, false},
		{"writes", writes, nil, true},
		{"writes, allowed", writes, func(s *Settings) { s.AllowWrite = []string{out + "/b"} }, false},
		{"writes, not confined", writes, func(s *Settings) { s.Unconfined = true }, false},
		{"calls", calls, nil, true},
		{"calls, allowed", calls, func(s *Settings) { s.AllowPorts = []uint16{c.Port} }, false},
		{"red anyway", "$this->assertTrue(false);", nil, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			set := tinySuite(t, row.body)
			if row.allow != nil {
				row.allow(&set)
			}
			_, _, err := recordOf(t, set)
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
			case strings.Contains(fault.Do, "no names of other machines are resolved") != (row.name == "resolves"):
				t.Errorf("advice: %s", fault.Do)
			}
		})
	}
}

// TestSkippedWhenConfined: a test that skips itself because of confinement is
// named, one that does so anyway is not.
func TestSkippedWhenConfined(t *testing.T) {
	c := sandboxtest.Listen(t, sandboxtest.Outside(t))
	body := "if (!@stream_socket_client('tcp://127.0.0.1:%d')) { $this->markTestSkipped('no server'); }"
	for port, want := range map[uint16]string{c.Port: "FerryTest::testSeats is skipped because it is confined", 1: ""} {
		s, _, err := recordOf(t, tinySuite(t, fmt.Sprintf(body, port)))
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
	c := sandboxtest.Listen(t, sandboxtest.Outside(t))
	set := tinySuite(t, "$this->markTestSkipped('always');")
	file := filepath.Join(set.Root, "tests", "FerryTest.php")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(text, []byte("public function"), fmt.Appendf(nil,
		"public static function more(): array { return @stream_socket_client('tcp://127.0.0.1:%d') ? [[1], [2]] : [[1]]; }\n"+
			"/** @dataProvider more */\n#[PHPUnit\\Framework\\Attributes\\DataProvider('more')]\npublic function testMore(int $n): void { $this->assertLessThan(3, $n); }\n"+
			"public function", c.Port), 1)
	if err := os.WriteFile(file, text, 0o644); err != nil {
		t.Fatal(err)
	}
	s, _, err := recordOf(t, set)
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
	filter := errors.New("the container has none")
	for _, row := range []struct {
		name string
		has  sandbox.Abilities
		view sandbox.Mode
		off  bool
		want []string // each begins so
	}{
		{"all", real(sandbox.Overlay, true), sandbox.Overlay, false, nil},
		{"all", real(sandbox.Copy, true), sandbox.Copy, false, nil},
		{"no Landlock", sandbox.Abilities{NoLandlock: without}, sandbox.Overlay, false, []string{
			"Mutated code can write to devices, because the kernel was started without Landlock."}},
		{"nothing", sandbox.Abilities{NoLandlock: without, NoMounts: errors.New("no such call"), NoNetwork: shared}, sandbox.Overlay, false, []string{
			"Mutated code can write wherever you can but in the project, because mounts cannot be made read-only (no such call) and the kernel was started",
			"Mutated code can connect to any place: --allow-connect leaves"}},
		{"nothing", sandbox.Abilities{NoLandlock: without, NoNetwork: shared}, sandbox.Copy, false, []string{
			"Mutated code can write wherever you can, because the kernel was started without Landlock.",
			"Mutated code can connect to any place: --allow-connect leaves"}},
		{"no filter", sandbox.Abilities{Landlock: 4, NoFilter: filter, NoAsks: filter}, sandbox.Copy, false, []string{
			"Mutated code can change modes, owners and times of files outside of its view, but neither",
			"Mutated code can make every system call that an ordinary user can, because the container has none.",
			"Mutated code can reach services of this machine that listen at a socket file, because the container has none.",
			"Mutated code can send signals to all your processes, because the container has none, and the kernel's Landlock does not know"}},
		{"no questions", sandbox.Abilities{Landlock: 6, NoAsks: filter}, sandbox.Overlay, false, []string{
			"Mutated code can reach services of this machine that begin to listen at a socket file during the run, and those of containers, because the container has none."}},
		{"no copies", sandbox.Abilities{Landlock: 6, NoCopies: filter}, sandbox.Copy, false, []string{"Mutated code can reach services of this machine that listen at a socket file if it changes, in another thread, what it asks for between the look at it and the connection, because the container has none."}},
		{"version 1", sandbox.Abilities{Landlock: 1}, sandbox.Copy, false, []string{
			"Mutated code can write wherever you can, because the kernel's Landlock is of version 1, and 2 is needed."}},
		{"version 2", sandbox.Abilities{Landlock: 2, NoNetwork: shared}, sandbox.Copy, false, []string{
			"Mutated code can cut files short outside of its view (truncate), but neither",
			"Mutated code can connect to any place"}},
		{"version 4", sandbox.Abilities{Landlock: 4, NoNetwork: shared}, sandbox.Copy, false, []string{
			"Mutated code is kept from TCP connections, but to allowed ports (of any machine), and from no other"}},
		{"off", sandbox.Abilities{}, sandbox.Overlay, true, []string{"Mutated code was not confined (--no-confine)"}},
	} {
		t.Run(row.name+" "+row.view.String(), func(t *testing.T) {
			abilitiesFor = func(sandbox.Mode, bool) sandbox.Abilities { return row.has }
			set := set
			set.View, set.Unconfined = row.view, row.off
			_, facts, err := recordOf(t, set) // it works all the same
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

// TestAttacksEverywhere judges mutants that do harm, and such as signal what judges them, as root, as an
// ordinary user and in containers; the test of the same name in package sandbox makes
// system calls there.
func TestAttacksEverywhere(t *testing.T) {
	gallery, err := filepath.Abs(fixtures + "/gallery")
	if err != nil {
		t.Fatal(err)
	}
	sandboxtest.InPlaces(t, []string{"TestConfinedGallery", "TestHostile"}, "ASSAY_TEST_GALLERY="+gallery)
}

// canView reports whether there can be a view of some mode where this runs. In a container
// nothing can be mounted; that is looked at, too.
func canView(t *testing.T, mode sandbox.Mode) bool {
	t.Helper()
	if mode != sandbox.Overlay || !sandboxtest.InContainer() {
		return true
	}
	if found, why := sandbox.Probe(t.TempDir(), t.TempDir()); found != sandbox.Copy {
		t.Errorf("there are overlays here: %v, %s", found, why)
	}
	return false
}
