package exec

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"assay/exec/sandbox"
	"assay/exec/sandbox/sandboxtest"
	"assay/mutate"
)

type hostileBody struct{ name, body string }

// hostileBodies are what a mutant does that attacks what judges it; each gives true if it
// could.
var hostileBodies = []hostileBody{
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
	{"forgesWithin", `self::forgeWithin()`},
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
	$token = trim($read('head')->send(null)); // it cannot be seen, but this is as good
	$lines = self::lines($token);
	$pid = pcntl_fork();
	if ($pid === 0) {
		if ($how === 'fd') {
			fwrite($read('stream'), $lines);
		} else {
			$s = stream_socket_client("unix://\0" . $read('socket'));
			fwrite($s, $token . "\n" . $lines);
		}
		usleep(50000);
		posix_kill(getmypid(), SIGKILL);
	}
	pcntl_waitpid($pid, $status);
	return false;
}

private static function lines(string $token): string {
	return "\n$token " . '["event",-1,"failed",true,"forged","forged"]' . "\n$token " . '["done",0,"",[],[]]' . "\n";
}

/** In this very process, with whatever looks like a token. */
private static function forgeWithin(): bool {
	$texts = [file_get_contents('/proc/self/cmdline'), file_get_contents('/proc/self/environ'), serialize($_SERVER)];
	$seen = new \SplObjectStorage;
	$look = function ($value) use (&$look, &$texts, $seen) {
		if (is_string($value)) { $texts[] = $value; }
		if (is_array($value)) { array_walk_recursive($value, function ($v, $k) use ($look) { $look((string) $k); $look($v); }); }
		if (!is_object($value) || $seen->contains($value)) { return; }
		$seen->attach($value);
		for ($c = new \ReflectionObject($value); $c; $c = $c->getParentClass()) {
			foreach ($c->getProperties() as $p) {
				$p->setAccessible(true);
				if ($p->isStatic() || $p->isInitialized($value)) { $look($p->isStatic() ? $p->getValue() : $p->getValue($value)); }
			}
		}
	};
	foreach (get_declared_classes() as $class) {
		if (strpos($class, 'PHPUnit\\AssayHarness\\') === 0) {
			$look((new \ReflectionClass($class))->getStaticProperties());
			foreach ((new \ReflectionClass($class))->getMethods() as $m) { $look($m->getStaticVariables()); }
		}
	}
	foreach (debug_backtrace() as $frame) { $look($frame['args'] ?? []); $look($frame['object'] ?? null); }
	preg_match_all('/\bassay-[0-9a-f]{24}\b/', implode("\n", $texts), $sockets);
	preg_match_all('/\b[0-9a-f]{24}\b/', implode("\n", $texts), $tokens);
	foreach (array_unique($sockets[0]) as $socket) {
		foreach (array_unique($tokens[0]) as $token) {
			if ($s = @stream_socket_client("unix://\0$socket")) { @fwrite($s, "$token\n" . self::lines($token)); usleep(20000); }
		}
	}
	error_clear_last();
	return false;
}
`

// hostileSuite makes a project with a method for each of them, of which a mutant is hostile,
// and a harmless neighbour. The hostile ones tell the log that they are run.
func hostileSuite(t *testing.T, log string) (Settings, []claim) {
	t.Helper()
	set := tinySuite(t, "")
	var methods, tests strings.Builder
	claims := []claim{{File: "src/Ferry.php", Before: "$n + 1", After: "$n - 1"}}
	for i, h := range hostileBodies {
		fmt.Fprintf(&methods, "public function %[1]s(int $n): bool {\nif ($n < 1%02[2]d) { return true; }\nreturn !(self::tell('%[1]s') && %[3]s);\n}\n", h.name, i, h.body)
		fmt.Fprintf(&tests, "public function test%d(): void { $this->assertTrue((new Ferry)->%s(1)); }\n", i, h.name)
		claims = append(claims, claim{File: "src/Ferry.php", Before: fmt.Sprintf("$n < 1%02d", i), After: fmt.Sprintf("$n > 1%02d", i)})
	}
	methods.WriteString(forgery)
	fmt.Fprintf(&methods, "private static function tell(string $name): bool { file_put_contents('%s', $name . ' ' . posix_getppid() . \"\\n\", FILE_APPEND); return true; }\n", log)
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

// killedByHand is how a person sees the tests of the hostile mutants fail who makes the edit:
// the attack works, which the test does not expect, or the process ends by its own signal.
var killedByHand = regexp.MustCompile(`^PHPUnit.*Failed asserting that false is true|^ended by signal 15$|^the process ended with status -1 before the tests did$`)

// givenUp is what is said where a process that judges did not answer twice.
var givenUp = regexp.MustCompile(`^a process was killed, and nothing was heard of its end|^a supervisor was stopped by a signal|^a supervisor died|^PHP was stopped by a signal`)

// TestHostileUnconfined: where signals reach them, what judges is replaced when it does not
// answer, so that the run comes to its end, and the neighbour to its verdict. None is taken
// for another, and what other processes say counts no more than where they are confined.
func TestHostileUnconfined(t *testing.T) {
	if testing.Short() {
		t.Skip("it waits for processes that do not answer")
	}
	t.Parallel()
	for _, row := range hostileWays {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel() // it is waiting
			log := filepath.Join(sandboxtest.Outside(t), "log")
			set, claims := hostileSuite(t, log)
			set.View, set.Cold, set.Unconfined = row.set.View, row.set.Cold, true
			names := []string{"the neighbour"}
			for _, h := range hostileBodies {
				names = append(names, h.name)
			}
			if set.View == sandbox.Copy { // numbers are the machine's there
				claims = slices.Delete(claims, 4, 7)
				names = slices.Delete(names, 4, 7)
			}
			began := time.Now()
			verdicts := judgeClaims(t, set, claims)
			// Each may be waited for twice, by itself and among others.
			if took, limit := time.Since(began), time.Duration(len(claims))*40*time.Second; took > limit {
				t.Errorf("it took %v, and %v should do", took, limit)
			}
			if v := verdicts[0]; v.Status != mutate.Killed || !strings.Contains(v.Detail, "0 is identical to 2") {
				t.Errorf("the neighbour: %v, %s", v.Status, v.Detail)
			}
			runs, parents := readHostileLog(t, log)
			for i, v := range verdicts[1:] {
				holdHostile(t, names[i+1], v, runs[names[i+1]], row.name == "overlay, cold")
			}
			if always := row.name == "overlay, cold"; always != (len(parents) == 1) { // process 1 hears nothing
				t.Errorf("parents of the tests' processes: %v", parents)
			}
		})
	}
}

// holdHostile holds a verdict about a hostile mutant that was run so often against what there
// is by hand. alone: there are no processes but the first and the test's.
func holdHostile(t *testing.T, name string, v mutate.Verdict, runs int, alone bool) {
	t.Helper()
	t.Logf("%s: %v, %s, after %d runs", name, v.Status, v.Detail, runs)
	want := v.Status == mutate.Killed && killedByHand.MatchString(v.Detail)
	switch {
	case strings.HasPrefix(name, "forges"), name == "stopsAll" && alone:
		want = v.Status == mutate.Survived
	case v.Status == mutate.Broken:
		// The kernel's limit on processor time ends process 1 as well, if it has a tick left to run.
		want = givenUp.MatchString(v.Detail) && (!alone || name == "limits")
	}
	// Twice in a batch, twice by itself, and as often where the kill is in doubt.
	if !want || runs < 1 || runs > 6 {
		t.Errorf("%s: %v, %s, after %d runs", name, v.Status, v.Detail, runs)
	}
}

// TestJudgedAgain: a mutant that stops what judges it is judged again, once, in each form.
func TestJudgedAgain(t *testing.T) {
	if testing.Short() {
		t.Skip("it waits for processes that do not answer")
	}
	t.Parallel()
	for _, row := range []struct {
		name string
		set  Settings
		runs int
	}{
		{"stopsParent", Settings{View: sandbox.Copy, Cold: true}, 2},
		{"bySession", Settings{View: sandbox.Overlay}, 4}, // in a batch, and by itself
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel() // it is waiting
			log := filepath.Join(sandboxtest.Outside(t), "log")
			set, claims := hostileSuite(t, log)
			set.View, set.Cold, set.Unconfined = row.set.View, row.set.Cold, true
			at := slices.IndexFunc(hostileBodies, func(h hostileBody) bool { return h.name == row.name })
			verdicts := judgeClaims(t, set, []claim{claims[0], claims[at+1]})
			if v := verdicts[0]; v.Status != mutate.Killed {
				t.Errorf("the neighbour: %v, %s", v.Status, v.Detail)
			}
			runs, _ := readHostileLog(t, log)
			if v := verdicts[1]; v.Status != mutate.Broken || !givenUp.MatchString(v.Detail) || runs[row.name] != row.runs {
				t.Errorf("%v, %s, after %d runs, want %d", v.Status, v.Detail, runs[row.name], row.runs)
			}
		})
	}
}

// readHostileLog gives how often each hostile mutant was run, and the processes that were
// parents of one that ran them.
func readHostileLog(t *testing.T, path string) (runs map[string]int, parents map[string]bool) {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	runs, parents = map[string]int{}, map[string]bool{}
	for line := range strings.Lines(string(text)) {
		name, parent, _ := strings.Cut(strings.TrimSpace(line), " ")
		runs[name]++
		parents[parent] = true
	}
	return runs, parents
}

// TestHostile judges mutants that signal what judges them. By hand each of them survives
// where it may do nothing, for its test passes.
func TestHostile(t *testing.T) {
	for _, row := range hostileWays {
		if !canView(t, row.set.View) {
			continue
		}
		t.Run(row.name, func(t *testing.T) {
			set, claims := hostileSuite(t, "/dev/null")
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
