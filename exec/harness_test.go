package exec

import (
	"bytes"
	"net"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// TestEnding runs the short way out of PHP in a process of its own, with
// everything that a program can still do at its end. PHP itself is the oracle:
// the status must be the one that it has without us, or the process must have
// killed itself after all that was to run had run.
func TestEnding(t *testing.T) {
	const head = `<?php
namespace AssayHarness;
final class Stage { public static $channel; }
final class Reporter { public static function tail() {} }
Stage::$channel = new class { public function send(array $m): bool { \file_put_contents('php://stderr', 'short'); return true; } };
final class D { public function __construct(public \Closure $f) {} public function __destruct() { ($this->f)(); } }
`
	cases := map[string]struct {
		code  string
		short bool
	}{
		"nothing is left":                 {``, true},
		"a destructor runs":               {`$keep = new D(fn () => print 'ran');`, true},
		"a destructor makes another":      {`$keep = new D(function () { global $z; $z = new D(fn () => print 'ran'); });`, true},
		"a shutdown function runs":        {`register_shutdown_function(fn () => print 'ran');`, true},
		"a destructor exits":              {`$keep = new D(function () { exit(3); });`, false},
		"a late destructor exits":         {`$keep = new D(function () { global $z; $z = new D(function () { exit(4); }); });`, false},
		"a destructor throws":             {`$keep = new D(function () { throw new \Exception('x'); });`, false},
		"a shutdown function exits":       {`register_shutdown_function(function () { exit(5); });`, false},
		"one that was registered by one":  {`register_shutdown_function(function () { register_shutdown_function(function () { exit(6); }); });`, false},
		"a shutdown function throws":      {`register_shutdown_function(function () { throw new \Exception('y'); });`, false},
		"an output buffer's callback":     {`ob_start(function ($b) { exit(7); });`, false},
		"an object that holds itself":     {`$x = new D(function () { exit(8); }); $x->self = $x; unset($x);`, false},
		"a generator's finally":           {`$g = (function () { try { yield 1; } finally { exit(9); } })(); $g->current();`, false},
		"a stream wrapper of the program": {`stream_wrapper_register('w', get_class(new class { public $context; public function stream_open($p, $m, $o, &$q) { return true; } public function stream_close() { exit(10); } })); $s = fopen('w://x', 'r');`, false},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			plain := endOf(t, head+"#[\\AllowDynamicProperties]\nclass Any {}\n"+c.code+" exit(0);")
			harness, _ := filepath.Abs("harness/Ending.php")
			ours := endOf(t, head+"require '"+harness+"'; Ending::watch();\n"+c.code+"\nEnding::mayBeShort(); exit(0);")
			if ours.short != c.short {
				t.Errorf("short: %v, want %v", ours.short, c.short)
			}
			if !ours.short && ours.status != plain.status {
				t.Errorf("status %d, PHP's own is %d", ours.status, plain.status)
			}
			if ours.short && plain.status != 0 {
				t.Errorf("short, and PHP's own status is %d", plain.status)
			}
			if ours.out != plain.out {
				t.Errorf("it printed %q, and without us %q", ours.out, plain.out)
			}
		})
	}
}

// TestEndingAtOnce: without destructors the last shutdown function is the end,
// unless something is left that PHP would run behind it.
func TestEndingAtOnce(t *testing.T) {
	const head = `<?php
namespace AssayHarness;
final class Stage { public static $channel; public static array $setup = ['ids' => [], 'unwinds' => UNWINDS]; }
final class Reporter { public static function tail() {} }
Stage::$channel = new class { public function send(array $m): bool { \file_put_contents('php://stderr', 'short'); return true; } };
class Filter extends \php_user_filter { public function onClose(): void { exit(11); } }
`
	for name, c := range map[string]struct {
		code    string
		unwinds string
		short   bool
	}{
		"nothing is left":             {``, "false", true},
		"a shutdown function runs":    {`register_shutdown_function(fn () => print 'ran');`, "false", true},
		"a shutdown function exits":   {`register_shutdown_function(function () { exit(5); });`, "false", false},
		"an output buffer's callback": {`ob_start(function ($b) { exit(7); });`, "false", false},
		"a class that comes late":     {`eval('class Late { function __destruct() { exit(3); } }'); $keep = new \Late();`, "false", false},
		"a generator's finally":       {`$g = (function () { try { yield 1; } finally { exit(9); } })(); $g->current();`, "true", false},
		"a filter of the program":     {`stream_filter_register('f', Filter::class); $s = fopen('php://memory', 'r'); stream_filter_append($s, 'f');`, "false", false},
	} {
		t.Run(name, func(t *testing.T) {
			head := strings.Replace(head, "UNWINDS", c.unwinds, 1)
			plain := endOf(t, head+c.code+" exit(0);")
			harness, _ := filepath.Abs("harness/Ending.php")
			ours := endOf(t, head+"require '"+harness+"'; Ending::lookForDestructors(); Ending::watch();\n"+c.code+"\nEnding::mayBeShort(); exit(0);")
			if ours.short != c.short || !ours.short && ours.status != plain.status || ours.short && plain.status != 0 || ours.out != plain.out {
				t.Errorf("%+v, PHP by itself %+v; short should be %v", ours, plain, c.short)
			}
		})
	}
}

// TestChannelLeavesErrorsOfJSON: what json_last_error() says belongs to the code
// under test; PHP's manual has it unchanged by calls that throw.
func TestChannelLeavesErrorsOfJSON(t *testing.T) {
	name := "assay-test-" + newToken()
	l, err := net.Listen("unix", "@"+name)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	harness, _ := filepath.Abs("harness/Channel.php")
	got := endOf(t, `<?php require '`+harness+`';
$channel = new AssayHarness\Channel('`+name+`', 'token');
json_decode('{');
$channel->send(['start', 1, "\xff"]);
echo json_last_error_msg();`)
	if got.out != "Syntax error" {
		t.Errorf("after a message json_last_error_msg() is %q", got.out)
	}
}

// TestTraces: what was left in a process is seen, whoever holds it; where tests share
// state, what constants and functions hold as well.
func TestTraces(t *testing.T) {
	harness, _ := filepath.Abs("harness/Traces.php")
	const watched = `$in = (function () { $x = WHAT; echo AssayHarness\Traces::watch($x) ? '' : 'unseen '; return fn () => $x; })();`
	stream := strings.Replace(watched, "WHAT", "fopen(__FILE__, 'r')", 1)
	exception := strings.Replace(watched, "WHAT", "new Exception('x')", 1)
	const holds = `Kept::$at = (static function () { $o = new stdClass(); return static function () use ($o) { return $o; }; })(); `
	const strict = "AssayHarness\\Traces::begin(true);"
	for name, c := range map[string]struct{ before, change, want string }{
		"a project with PHPUnit's names":   {``, `PhpParser\Reader::$line = 1;`, "left"},
		"PHPUnit itself":                   {`AssayHarness\Stage::$root = '/elsewhere';`, `PhpParser\Reader::$line = 1;`, "as it was"},
		"a folder above":                   {`AssayHarness\Stage::$root = dirname(__DIR__); `, `PhpParser\Reader::$line = 1;`, "left"},
		"a constant":                       {``, `define('KEPT', 1);`, "as it was"},
		"a constant, strictly":             {strict, `define('KEPT', 1);`, "left"},
		"what a function has got hold of":  {holds, `(Kept::$at)()->x = 1;`, "as it was"},
		"the same, strictly":               {holds + strict, `(Kept::$at)()->x = 1;`, "left"},
		"its object, strictly":             {`Kept::$at = (new Holder())->get(); ` + strict, `(new ReflectionFunction(Kept::$at))->getClosureThis()->x = 1;`, "left"},
		"a generator, strictly":            {`Kept::$at = (function () { yield 1; yield 2; })(); ` + strict, ``, "left"},
		"a list of PHP's own, strictly":    {`Kept::$at = new SplQueue(); ` + strict, ``, "left"},
		"an array object, strictly":        {`Kept::$at = new ArrayObject([1]); ` + strict, ``, "as it was"},
		"it gets longer":                   {`Kept::$at = new ArrayObject([1]); ` + strict, `Kept::$at[] = 2;`, "left"},
		"nothing":                          {stream + exception, ``, "as it was"},
		"a stream of a class is moved":     {`Kept::$at = fopen(__FILE__, 'r');`, `fgets(Kept::$at);`, "left"},
		"and moved back":                   {`Kept::$at = fopen(__FILE__, 'r');`, `fgets(Kept::$at); rewind(Kept::$at);`, "as it was"},
		"one that is in data":              {stream, `fgets($in());`, "left"},
		"it is closed":                     {stream, `fclose($in());`, "left"},
		"one whose content can change":     {strings.Replace(watched, "WHAT", "fopen('php://memory', 'w+')", 1), ``, "unseen as it was"},
		"a class has one of these":         {`Kept::$at = fopen('php://memory', 'w+');`, ``, "left"},
		"an exception is thrown":           {exception, `try { throw $in(); } catch (Exception $caught) { unset($caught); }`, "as it was"},
		"while another is on its way":      {exception, `try { try { throw new LogicException(); } finally { throw $in(); } } catch (Exception $caught) { unset($caught); }`, "left"},
		"a static property gets something": {``, `Kept::$at = 1;`, "left"},
	} {
		t.Run(name, func(t *testing.T) {
			got := endOf(t, `<?php namespace PHPUnit\Framework\MockObject { interface Stub {} }
namespace PhpParser { final class Reader { public static int $line = 0; } }
namespace AssayHarness { final class Stage { public static string $root = __DIR__; } }
namespace { final class Kept { public static $at = null; }
final class Holder { public $x = 0; function get() { return function () { return $this->x; }; } }
require '`+harness+`';
`+begun(c.before)+`
`+c.change+`
echo AssayHarness\Traces::remained() ? 'as it was' : 'left'; }`)
			if got.out != c.want {
				t.Errorf("%q, want %q", got.out, c.want)
			}
		})
	}
}

// begun has everything looked at behind some code, unless that does it.
func begun(code string) string {
	if strings.Contains(code, "::begin(") {
		return code
	}
	return code + "AssayHarness\\Traces::begin();"
}

type ending struct {
	status int
	short  bool
	out    string
}

func endOf(t *testing.T, code string) ending {
	t.Helper()
	file := filepath.Join(t.TempDir(), "end.php")
	if err := os.WriteFile(file, []byte(strings.Replace(code, "final class D", "#[\\AllowDynamicProperties] final class D", 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	cmd := osexec.Command(lookPHP(t), "-d", "display_errors=0", "-d", "log_errors=0", file)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	cmd.Run()
	return ending{cmd.ProcessState.ExitCode(), strings.HasSuffix(errs.String(), "short"), out.String()}
}
