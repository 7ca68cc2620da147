package exec

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"assay/exec/sandbox"
	"assay/mutate"
)

// hostileBodies are what a mutant does that attacks what judges it; each gives true if it
// could.
var hostileBodies = []struct{ name, body string }{
	{"stopsParent", `posix_kill(posix_getppid(), SIGSTOP)`},
	{"endsParent", `posix_kill(posix_getppid(), SIGTERM)`},
	{"killsParent", `posix_kill(posix_getppid(), SIGKILL)`},
	{"stopsFirst", `posix_kill(1, SIGSTOP)`},
	{"endsFirst", `posix_kill(1, SIGTERM)`},
	{"stopsAll", `posix_kill(-1, SIGSTOP)`},
	{"joinsAndEnds", `posix_setpgid(0, posix_getpgid(posix_getppid())) && posix_kill(0, SIGTERM)`},
	{"bySession", `self::shell('setsid kill -STOP ' . posix_getppid())`},
	{"forges", `self::forge('x')`},
	{"forgesByDescriptor", `self::forge('fd')`},
	{"limits", `self::shell('prlimit --cpu=0 --pid ' . posix_getppid())`},
}

// hostileWays are the ways in which they are judged.
var hostileWays = []struct {
	name string
	set  Settings
}{
	{"overlay", Settings{View: sandbox.Overlay}},
	{"overlay, cold", Settings{View: sandbox.Overlay, Cold: true}},
	{"copy", Settings{View: sandbox.Copy}},
	{"copy, cold", Settings{View: sandbox.Copy, Cold: true}},
}

// forgery has a process that is forked say that the test failed, in the name of the one that
// runs it, whose token it has read: over a connection of its own, or over that one's.
const forgery = `
private static function forge(string $how): bool {
	$name = 'PHPUnit\\AssayHarness\\Process';
	if (!class_exists($name, false)) { return false; } // by hand
	$channel = (new \ReflectionProperty($name, 'channel'))->getValue();
	$read = fn (string $p) => (new \ReflectionProperty($channel, $p))->getValue($channel);
	$lines = "\n" . $read('token') . ' ["event",-1,"failed",true,"forged","forged"]' . "\n" . $read('token') . ' ["done",0,0,0,[]]' . "\n";
	$pid = pcntl_fork();
	if ($pid === 0) {
		if ($how === 'fd') {
			fwrite($read('stream'), $lines);
		} else {
			$s = stream_socket_client("unix://\0" . $read('socket'));
			fwrite($s, $read('token') . "\n" . $lines);
		}
		usleep(50000);
		posix_kill(getmypid(), SIGKILL);
	}
	pcntl_waitpid($pid, $status);
	return false;
}
`

// hostileSuite makes a project with a method for each of them, of which a mutant is hostile,
// and a harmless neighbour.
func hostileSuite(t *testing.T) (Settings, []claim) {
	t.Helper()
	set := tinySuite(t, "")
	var methods, tests strings.Builder
	claims := []claim{{File: "src/Ferry.php", Before: "$n + 1", After: "$n - 1"}}
	for i, h := range hostileBodies {
		fmt.Fprintf(&methods, "public function %s(int $n): bool {\nif ($n < 1%02d) { return true; }\nreturn !(%s);\n}\n", h.name, i, h.body)
		fmt.Fprintf(&tests, "public function test%d(): void { $this->assertTrue((new Ferry)->%s(1)); }\n", i, h.name)
		claims = append(claims, claim{File: "src/Ferry.php", Before: fmt.Sprintf("$n < 1%02d", i), After: fmt.Sprintf("$n > 1%02d", i)})
	}
	methods.WriteString(forgery)
	methods.WriteString("private static function shell(string $command): bool { exec($command . ' 2>/dev/null', $lines, $status); return $status === 0; }\n")
	for file, text := range map[string]string{"src/Ferry.php": methods.String(), "tests/FerryTest.php": tests.String()} {
		path := filepath.Join(set.Root, file)
		old, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		at := strings.LastIndex(string(old), "}")
		if err := os.WriteFile(path, []byte(string(old[:at])+text+"}\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return set, claims
}

// TestHostileUnconfined: where signals reach them, what judges is replaced when it does not
// answer, so that the run comes to its end, and the neighbour to its verdict.
func TestHostileUnconfined(t *testing.T) {
	if testing.Short() {
		t.Skip("it waits for processes that do not answer")
	}
	for _, row := range hostileWays {
		t.Run(row.name, func(t *testing.T) {
			set, claims := hostileSuite(t)
			set.View, set.Cold, set.Unconfined = row.set.View, row.set.Cold, true
			if set.View == sandbox.Copy { // numbers are the machine's there
				claims = claims[:4]
			}
			began := time.Now()
			verdicts := judgeClaims(t, set, claims)
			if verdicts[0].Status != mutate.Killed {
				t.Errorf("the neighbour: %v", verdicts[0].Status)
			}
			for i, v := range verdicts {
				t.Logf("%d: %v, %s", i, v.Status, v.Detail)
			}
			t.Logf("it took %v", time.Since(began))
		})
	}
}

// TestHostile judges mutants that signal what judges them. By hand each of them survives
// where it may do nothing, for its test passes.
func TestHostile(t *testing.T) {
	for _, row := range hostileWays {
		if !canView(t, row.set.View) {
			continue
		}
		t.Run(row.name, func(t *testing.T) {
			set, claims := hostileSuite(t)
			set.View, set.Cold = row.set.View, row.set.Cold
			began := time.Now()
			verdicts := judgeClaims(t, set, claims)
			if verdicts[0].Status != mutate.Killed {
				t.Errorf("the neighbour: %v", verdicts[0].Status)
			}
			for i, v := range verdicts[1:] {
				if v.Status != mutate.Survived {
					t.Errorf("%s: %v, %s", hostileBodies[i].name, v.Status, v.Detail)
				}
			}
			if took := time.Since(began); took > time.Minute {
				t.Errorf("it took %v", took)
			}
		})
	}
}
