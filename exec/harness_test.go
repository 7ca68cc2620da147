package exec

import (
	"crypto/rand"
	"net"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// TestHarnessIsPHP: PHP takes each file of the harness, and each says that it is strict
// about types and declares nothing outside of the harness's namespace but what probed
// sources call; but for lint.php and compile.php, which declare nothing and run beside no test.
func TestHarnessIsPHP(t *testing.T) {
	files, err := filepath.Glob("harness/*.php")
	if err != nil || len(files) < 20 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		if base := filepath.Base(f); base != "lint.php" && base != "compile.php" && !strings.Contains(string(text), "\nnamespace PHPUnit\\AssayHarness") {
			t.Errorf("%s is in another namespace", f)
		}
		if !strings.HasPrefix(string(text), "<?php\n\ndeclare(strict_types=1);\n") {
			t.Errorf("%s is not strict about types", f)
		}
		if out, err := osexec.Command(lookPHP(t), "-l", f).CombinedOutput(); err != nil {
			t.Errorf("%s: %s", f, out)
		}
	}
}

// TestChannelLeavesErrorsOfJSON: what json_last_error() says belongs to the code
// under test; PHP's manual has it unchanged by calls that throw.
func TestChannelLeavesErrorsOfJSON(t *testing.T) {
	name := "assay-test-" + rand.Text()
	l, err := net.Listen("unix", "@"+name)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	harness, _ := filepath.Abs("harness/Channel.php")
	out, err := osexec.Command(lookPHP(t), "-r", `require '`+harness+`';
$channel = new PHPUnit\AssayHarness\Channel('`+name+`', 'token');
json_decode('{');
$channel->send(['start', 1, "\xff"]);
echo json_last_error_msg();`).CombinedOutput()
	if err != nil || string(out) != "Syntax error" {
		t.Errorf("after a message json_last_error_msg() is %q (%v)", out, err)
	}
}

// TestProvider: who asks for data is told by the calls in progress, until that was asked too
// often, or by PHPUnit; and no pass is lost on the way.
func TestProvider(t *testing.T) {
	harness, _ := filepath.Abs("harness/Probe.php")
	for _, c := range []struct{ name, calls, want string }{
		{"by the calls", `data('RowTest', 1); data('RowTest', 1); data('BedTest', 2); assay_hit(3);`,
			`[{"RowTest::test":{"1":true},"BedTest::test":{"2":true},"*":{"3":true}},{"1":2,"2":1,"3":1}]`},
		{"asked too often", `for ($i = 0; $i < 50000; ++$i) { data('RowTest', 1); } data('RowTest', 1); data('RowTest', 2); data('RowTest', 2);`,
			`[{"RowTest::test":{"1":true},"*":{"1":true,"2":true}},{"1":50001,"2":2}]`},
		{"by PHPUnit", `Probe::provides('*'); assay_hit(3); Probe::provides('RowTest::test'); assay_hit(1); assay_hit(1); Probe::provides('BedTest::test'); assay_hit(1); assay_hit(2); Probe::provides('*'); assay_hit(3);`,
			`[{"*":{"3":true},"RowTest::test":{"1":true},"BedTest::test":{"1":true,"2":true}},{"3":2,"1":3,"2":1}]`},
	} {
		t.Run(c.name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "provider.php")
			script := `<?php
namespace PHPUnit\Util {
	class Test { static function getProvidedData($class, $method, $point) { assay_hit($point); } }
}
namespace {
	use PHPUnit\AssayHarness\Probe;
	require '` + harness + `';
	function data($class, $point) { PHPUnit\Util\Test::getProvidedData($class, 'test', $point); }
	Probe::$building = true;
	` + c.calls + `
	Probe::built();
	assay_hit(9);
	$hits = Probe::take();
	unset($hits[9]);
	echo json_encode([Probe::$built, $hits]);
}
`
			if err := os.WriteFile(file, []byte(script), 0o644); err != nil {
				t.Fatal(err)
			}
			out, err := osexec.Command(lookPHP(t), file).CombinedOutput()
			if err != nil || string(out) != c.want {
				t.Errorf("%v, %s\nwant %s", err, out, c.want)
			}
		})
	}
}
