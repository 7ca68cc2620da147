package exec

import (
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"assay/exec/sandbox"
	"assay/mutate"
)

// freePort gives a port that nobody listens at and that the kernel does not
// choose by itself.
func freePort(t *testing.T) uint16 {
	t.Helper()
	for port := 20000 + os.Getpid()%5000; port < 30000; port++ {
		if l, err := net.Listen("tcp4", fmt.Sprintf("127.0.0.1:%d", port)); err == nil {
			l.Close()
			return uint16(port)
		}
	}
	t.Fatal("no port is free")
	return 0
}

// serverSuite is a suite that asks a server for what the code under change says.
// The server is started once for the class, or by the bootstrap.
func serverSuite(t *testing.T, port uint16, byBootstrap bool) Settings {
	t.Helper()
	set := tinySuite(t, "")
	start := fmt.Sprintf(`proc_open([PHP_BINARY, '-S', '127.0.0.1:%d', __DIR__ . '/server.php'], [['file', '/dev/null', 'r'], ['file', '/dev/null', 'w'], ['file', '/dev/null', 'w']], $pipes)`,
		port)
	up := fmt.Sprintf("for ($i = 0; $i < 200 && !@fsockopen('127.0.0.1', %d); $i++) { usleep(10000); }", port)
	text := fmt.Sprintf("<?php\nclass FerryTest extends PHPUnit\\Framework\\TestCase {\n"+
		"private static $server;\n"+
		"public static function setUpBeforeClass(): void { self::$server = %s; %s }\n"+
		"public static function tearDownAfterClass(): void { proc_terminate(self::$server); proc_close(self::$server); }\n"+
		"public function testSeats(): void { $this->assertSame('2', file_get_contents('http://127.0.0.1:%d/')); }\n}\n", start, up, port)
	boot := "<?php\n"
	if byBootstrap {
		text = strings.NewReplacer("self::$server = "+start+"; "+up, "", "proc_terminate(self::$server); proc_close(self::$server);", "").Replace(text)
		boot += "$GLOBALS['server'] = " + start + "; " + up + "\n"
	}
	for name, text := range map[string]string{"FerryTest.php": text, "boot.php": boot,
		"server.php": "<?php\nrequire dirname(__DIR__) . '/src/Ferry.php';\necho (new Ferry)->seats(1);\n"} {
		if err := os.WriteFile(filepath.Join(set.Root, "tests", name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	set.Bootstrap = filepath.Join(set.Root, "tests", "boot.php")
	set.Jobs = 2
	return set
}

// TestListening: tests that listen at a port judge by their own server, also
// where the workers have one network between them. What is right follows from
// the arithmetic.
func TestListening(t *testing.T) {
	var claims []claim
	for i := range 6 {
		claims = append(claims, claim{File: "src/Ferry.php", Before: "$n + 1", After: fmt.Sprintf("$n + %d", i+2), Status: "killed"},
			claim{File: "src/Ferry.php", Before: "$n + 1", After: fmt.Sprintf("$n + %d - %d", i+2, i+1), Status: "survived"})
	}
	for _, row := range []struct {
		name  string
		share func(*Settings, uint16)
		why   string
	}{
		{"networks of their own", func(*Settings, uint16) {}, ""},
		{"allowed", func(s *Settings, p uint16) { s.AllowPorts = []uint16{p} }, "--allow-connect leaves the network shared"},
		{"not confined", func(s *Settings, p uint16) { s.Unconfined, s.View = true, sandbox.Copy }, "--no-confine leaves it so"},
		{"not confined, cold", func(s *Settings, p uint16) { s.Unconfined, s.Cold = true, true }, "--no-confine leaves it so"},
	} {
		t.Run(row.name, func(t *testing.T) {
			port := freePort(t)
			set := serverSuite(t, port, false)
			row.share(&set, port)
			for i, v := range judgeClaims(t, set, claims) {
				if got := v.Status.String(); got != claims[i].Status {
					t.Errorf("%s: %s (%s), want %s", claims[i].After, got, v.Detail, claims[i].Status)
				}
			}
			s, _, err := recordOf(t, set)
			if err != nil {
				t.Fatal(err)
			}
			want := []mutate.Note{{Kind: "network", Text: fmt.Sprintf(
				"The tests listen at port %d, and workers share the network, so that only one of them runs tests at a time: %s.", port, row.why)}}
			if row.why == "" {
				want = nil
			}
			s.Notes = slices.DeleteFunc(s.Notes, func(n mutate.Note) bool { return n.Kind != "network" })
			if !slices.Equal(s.Notes, want) {
				t.Errorf("notes %v, want %v", s.Notes, want)
			}
		})
	}
	t.Run("by the bootstrap", func(t *testing.T) {
		port := freePort(t)
		set := serverSuite(t, port, true)
		if _, _, err := recordOf(t, set); err != nil {
			t.Error("in networks of their own:", err)
		}
		set.AllowPorts = []uint16{port}
		_, _, err := recordOf(t, set)
		var fault *ProjectError
		if !errors.As(err, &fault) || !strings.Contains(fault.What, fmt.Sprintf("what the bootstrap starts listens at port %d as long as a worker lives", port)) {
			t.Errorf("in one network: %v", err)
		}
	})
	t.Run("ports that the kernel chooses", func(t *testing.T) {
		set := tinySuite(t, "$s = stream_socket_server('tcp://127.0.0.1:0'); usleep(100000); $this->assertIsResource($s);")
		set.Unconfined = true
		if s, _, err := recordOf(t, set); err != nil || len(s.Notes) > 0 {
			t.Errorf("%v, notes %v, want none", err, s.Notes)
		}
	})
}
