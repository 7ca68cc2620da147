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
// often, or by PHPUnit.
func TestProvider(t *testing.T) {
	harness, _ := filepath.Abs("harness/Probe.php")
	file := filepath.Join(t.TempDir(), "provider.php")
	script := `<?php
namespace PHPUnit\Util {
	function getProvidedData($class, $method) { return \PHPUnit\AssayHarness\Probe::provider(); }
	class Test { static function getProvidedData($class, $method) { return \PHPUnit\AssayHarness\Probe::provider(); } }
}
namespace {
	require '` + harness + `';
	echo PHPUnit\AssayHarness\Probe::provider(), "\n", PHPUnit\Util\Test::getProvidedData('Seeds\RowTest', 'testRows'), "\n";
	for ($i = 0; $i < 49998; ++$i) {
		$last = PHPUnit\Util\Test::getProvidedData('Seeds\RowTest', 'testRows');
	}
	echo $last, "\n", PHPUnit\Util\Test::getProvidedData('Seeds\RowTest', 'testRows'), "\n";
	PHPUnit\AssayHarness\Probe::$provider = 'Seeds\BedTest::testBeds';
	echo PHPUnit\Util\Test::getProvidedData('Seeds\RowTest', 'testRows'), "\n";
}
`
	if err := os.WriteFile(file, []byte(script), 0o644); err != nil {
		t.Fatal(err)
	}
	out, err := osexec.Command(lookPHP(t), file).CombinedOutput()
	if want := "*\nSeeds\\RowTest::testRows\nSeeds\\RowTest::testRows\n*\nSeeds\\BedTest::testBeds\n"; err != nil || string(out) != want {
		t.Errorf("%v, %q, want %q", err, out, want)
	}
}
