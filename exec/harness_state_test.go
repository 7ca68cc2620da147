package exec

import (
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// state runs PHP code that has StateSnapshot as S. It may have two functions: load()
// has the depot of testdata/state, and show() prints what has changed, a "+" before
// a root that is not as declared and a "-" before one that is so again.
func state(t *testing.T, code string, args ...string) string {
	t.Helper()
	harness, _ := filepath.Abs("harness/StateSnapshot.php")
	depot, _ := filepath.Abs("testdata/state/depot.php")
	file := filepath.Join(t.TempDir(), "state.php")
	text := `<?php
use PHPUnit\AssayHarness\StateSnapshot as S;
require '` + harness + `';
function load() { require_once '` + depot + `'; }
function show() {
	foreach (S::changes() as $root => $digests) {
		echo $digests === null ? '-' : '+', $root, "\n";
		if ($digests !== null && ($digests !== array_values($digests) || count($digests) !== 3 || array_filter($digests, 'is_string') !== $digests)) {
			echo "not three digests\n";
		}
	}
}
function roots($roots) { ksort($roots); foreach ($roots as $root => $digests) { echo $root, ' ', implode(' ', $digests ?? ['as declared']), "\n"; } }
` + code
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	cmd := osexec.Command(lookPHP(t), append([]string{"-d", "display_errors=1", "-d", "html_errors=0", "-d", "error_reporting=-1", file}, args...)...)
	cmd.Dir = filepath.Dir(depot)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Errorf("%v: %s", err, out)
	}
	return string(out)
}

// TestStateRoots: what has changed is seen under the name of its root, once; and what
// is put back is as declared.
func TestStateRoots(t *testing.T) {
	for name, c := range map[string]struct{ change, back, root string }{
		"a static property":          {`Depot\Store::$goods['nails'] = 4;`, `Depot\Store::$goods = ['nails' => 3];`, `Depot\Store::$goods`},
		"one of a child class":       {`Depot\Branch::$goods[] = 4;`, `Depot\Branch::$goods = [];`, `Depot\Branch::$goods`},
		"an inherited one":           {`Depot\Branch::$weight = 1.5;`, `Depot\Store::$weight = 0.5;`, `Depot\Store::$weight`},
		"a private one":              {`Depot\Store::tell('x');`, `Depot\Store::tell('');`, `Depot\Store::$secret`},
		"a trait's":                  {`Depot\Store::$counted = 1;`, `Depot\Store::$counted = 0;`, `Depot\Store::$counted`},
		"of another type":            {`Depot\Store::$any = false;`, `Depot\Store::$any = null;`, `Depot\Store::$any`},
		"a zero of another sign":     {`Depot\Store::$any = 0.0; S::changes(); Depot\Store::$any = -0.0;`, `Depot\Store::$any = null;`, `Depot\Store::$any`},
		"the same in an array":       {`Depot\Store::$any = [0.0]; S::changes(); Depot\Store::$any = [-0.0];`, `Depot\Store::$any = null;`, `Depot\Store::$any`},
		"one with an object":         {`Depot\Store::$one = new Depot\Store();`, `Depot\Store::$one = null;`, `Depot\Store::$one`},
		"an object that has changed": {`Depot\Store::$any = (object) [1]; S::changes(); Depot\Store::$any->x = 1;`, `Depot\Store::$any = null;`, `Depot\Store::$any`},
		"one behind a list":          {`Depot\Store::$any = [[new Depot\Parcel()]]; S::changes(); Depot\Store::$any[0][0]->stamp('x');`, `Depot\Store::$any = null;`, `Depot\Store::$any`},
		"a typed one without value":  {`Depot\Store::$typed = new stdClass();`, ``, `Depot\Store::$typed`},
		"another case of an enum":    {`Depot\Store::$zone = Depot\Zone::Cold;`, `Depot\Store::$zone = Depot\Zone::Dry;`, `Depot\Store::$zone`},
		"a computed default":         {`Depot\Store::$label = 'b';`, `Depot\Store::$label = 'a12';`, `Depot\Store::$label`},
		"the order of an array":      {`Depot\Store::$any = ['a' => 1, 'b' => 2]; S::changes(); Depot\Store::$any = ['b' => 2, 'a' => 1];`, `Depot\Store::$any = null;`, `Depot\Store::$any`},
		"the next index":             {`Depot\Store::$list[] = 3; unset(Depot\Store::$list[2]);`, `Depot\Store::$list = [1, 2];`, `Depot\Store::$list`},
		"the internal pointer":       {`next(Depot\Store::$list);`, `reset(Depot\Store::$list);`, `Depot\Store::$list`},
		"through a reference":        {`$x = &Depot\Store::$list; S::changes(); $x[0] = 9;`, `$x[0] = 1;`, `Depot\Store::$list`},
		"an element by reference":    {`Depot\Store::$any = [1, 2]; $GLOBALS['x'] = &Depot\Store::$any[1]; S::changes(); S::changes(); $GLOBALS['x'] = 7;`, ``, "Depot\\Store::$any\n+global x"},
		"one bound anew":             {`$x = [5]; S::changes(); Depot\Store::$list = &$x; S::changes(); $x[] = 6;`, `$x = [1, 2];`, `Depot\Store::$list`},
		"by reflection":              {`(new ReflectionProperty('Depot\Store', 'secret'))->setValue(null, 'x');`, `(new ReflectionProperty('Depot\Store', 'secret'))->setValue(null, '');`, `Depot\Store::$secret`},
		"a trait's static variable":  {`(new Depot\Store())->next();`, ``, `static $number in Depot\Store::next()`},
		"static variables":           {`Depot\price('nails');`, ``, `static $calls in Depot\price()`},
		"a global":                   {`$GLOBALS['config'] = [1];`, `unset($GLOBALS['config']);`, `global config`},
		"a global that was there":    {`$GLOBALS['there'] = 2;`, `$GLOBALS['there'] = 1;`, `global there`},
		"a global that is gone":      {`unset($GLOBALS['there']);`, `$GLOBALS['there'] = 1;`, `global there`},
		"a superglobal":              {`$_GET['page'] = 2;`, `$_GET = [];`, `global _GET`},
		"what the server says":       {`$_SERVER['HTTP_HOST'] = 'x';`, `unset($_SERVER['HTTP_HOST']);`, `global _SERVER`},
		"a constant":                 {`define('DEPOT', 1);`, ``, `constant DEPOT`},
		"a setting":                  {`ini_set('precision', '3');`, `ini_restore('precision');`, `setting precision`},
		"the time zone":              {`date_default_timezone_set('Asia/Tokyo');`, `date_default_timezone_set('UTC');`, `default timezone`},
		"the environment":            {`putenv('DEPOT=1');`, `putenv('DEPOT');`, `environment DEPOT`},
		"a variable that is gone":    {`putenv('PATH');`, `putenv("PATH={$_SERVER['PATH']}");`, `environment PATH`},
		"the directory":              {`$was = getcwd(); chdir('/');`, `chdir($was);`, `current directory`},
		"the umask":                  {`$was = umask(7);`, `umask($was);`, `umask`},
		"the locale":                 {`$was = setlocale(LC_ALL, '0'); setlocale(LC_ALL, 'POSIX'); setlocale(LC_CTYPE, $was === 'C' ? 'C.UTF-8' : 'C');`, `setlocale(LC_ALL, $was);`, `locale`},
		"an error handler":           {`set_error_handler(fn () => true);`, `restore_error_handler();`, `error handler`},
		"what a handler has":         {`$o = new stdClass(); set_error_handler(fn () => $o); S::changes(); $o->x = 1;`, `restore_error_handler();`, `error handler`},
		"an exception handler":       {`set_exception_handler('strlen');`, `restore_exception_handler();`, `exception handler`},
		"an autoload function":       {`spl_autoload_register($f = function () {});`, `spl_autoload_unregister($f);`, `autoload functions`},
		"an output buffer":           {`ob_start();`, `ob_end_flush();`, `output buffers`},
		"an encoding":                {`mb_substitute_character(33);`, `mb_substitute_character(63);`, `mb substitute character`},
		"a stream wrapper":           {`stream_wrapper_register('depot', 'Depot\LoudStream');`, `stream_wrapper_unregister('depot');`, `stream wrappers`},
		"a stream filter":            {`stream_filter_register('depot.*', 'php_user_filter');`, ``, `stream filters`},
		"libxml's errors":            {`libxml_use_internal_errors(true);`, `libxml_use_internal_errors(false);`, `libxml errors`},
		"a handler of a signal":      {`pcntl_signal(SIGUSR1, fn () => 1);`, `pcntl_signal(SIGUSR1, SIG_DFL);`, `handler of SIGUSR1`},
		"the default context":        {`stream_context_set_default(['http' => ['method' => 'PUT']]);`, ``, `default stream context`},
		"garbage":                    {`gc_disable();`, `gc_enable();`, "garbage collection\n+setting zend.enable_gc"},
		"a root of ours":             {`$box->x = 1;`, `$box->x = null;`, `results`},
	} {
		t.Run(name, func(t *testing.T) {
			got := state(t, `
(function () {
	$GLOBALS['there'] = 1;
	$box = (object) ['x' => null];
	S::begin(__DIR__, []);
	S::addRoot('results', fn () => $box->x);
	load();
	S::changes();
	`+c.change+`
	show(); show(); echo "back\n";
	`+c.back+`
	show(); show();
})();`)
			want := "+" + c.root + "\nback\n"
			if c.back != "" {
				want += "-" + strings.ReplaceAll(c.root, "\n+", "\n-") + "\n"
			}
			if got != want {
				t.Errorf("got\n%swant\n%s", got, want)
			}
		})
	}
}

// TestStateUntouched: what is loaded and not used counts as nothing, whatever it takes
// to compute its first values.
func TestStateUntouched(t *testing.T) {
	got := state(t, `
spl_autoload_register(function ($class) { echo "asked for {$class}\n"; });
S::begin(__DIR__, []);
show();
load();
show();
S::changes();
eval('class Waits { const A = Comes::B; public static $x = self::A; static function f() { static $y = Comes::B; return $y; } }');
show();
echo "comes\n";
eval('class Comes { const B = 2; }');
show();
Waits::$x = 3;
show();
Waits::$x = 2;
show();
`)
	// Before PHP 8.3 a static variable whose first value is not a literal counts as
	// changed when it is first seen; since then PHP has null there at first.
	want := "+constant Depot\\SHELVES\n+static $zones in Depot\\zones()\ncomes\n+static $y in Waits::f()\n+Waits::$x\n-Waits::$x\n"
	if state(t, `echo PHP_VERSION_ID >= 80300;`) == "1" {
		want = "+constant Depot\\SHELVES\ncomes\n+Waits::$x\n-Waits::$x\n"
	}
	if got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}

// TestStateInitials: first values of static variables are read from the source, and
// PHP agrees with each that we read.
func TestStateInitials(t *testing.T) {
	source := filepath.Join(t.TempDir(), "initials.php")
	if err := os.WriteFile(source, []byte(`<?php
namespace N;
use function strlen;
class C {
	public static $x = 5;
	#[Some([1])]
	final public
	static function m() { $f = function () { static $x = 'inner'; }; $s = "{$f} ${f}"; static $x = 'm'; $o = new class { static $x = 1; function mm() { static $x = 'o'; } }; return static::class; }
	function n() { static $x = -1, $y, $z = [1, 'a' => ["b" => null, /* c */], array(TRUE)]; }
	function p() { if (1) { static $x = "\x41\n"; } static $y = 0x1F; static $z = 1.5e3; }
	function q() { static $x = self::class . 'x', $y = [PHP_INT_MAX], $z = 3; }
}
function m() { static $x = 'f'; }
function k() { static $x = 'k'; } function l() { static $x = 'l'; static $y = <<<E
text
E; }
`), 0o644); err != nil {
		t.Fatal(err)
	}
	got := state(t, `
@require '`+source+`';
$of = [new ReflectionMethod('N\C', 'm'), new ReflectionMethod('N\C', 'n'), new ReflectionMethod('N\C', 'p'), new ReflectionMethod('N\C', 'q'),
	new ReflectionFunction('N\m'), new ReflectionFunction('N\k'), new ReflectionFunction('N\l')];
$initials = new PHPUnit\AssayHarness\StateInitials();
foreach ($of as $f) {
	$read = $initials->of($f);
	$php = $f->getStaticVariables();
	ksort($read);
	ksort($php);
	echo $f->name, ' ', implode(' ', array_keys($read)), array_intersect_key($php, $read) === $read ? '' : ' but ' . var_export([$read, $php], true), "\n";
}`)
	want := "m x\nn x y z\np x y z\nq z\nN\\m x\nN\\k x\nN\\l x\n"
	if got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}

// TestStateOfVolatileRoots: where values do not count, the shape still does.
func TestStateOfVolatileRoots(t *testing.T) {
	got := state(t, `
(function () {
	S::begin(__DIR__, []);
	load();
	S::changes();
	Depot\Store::$any = ['at' => 1.5, 'by' => new Depot\Parcel()];
	Depot\Store::$other = 'x';
	$shapes = array_column(S::changes(), 1);
	S::ignoreValues(['Depot\Store::$any' => 1, 'Depot\Store::$label' => 1, 'Depot\Store::$other' => 1]);
	show();
	Depot\Store::$any['at'] = 2.5;
	Depot\Store::$any['by']->stamp('a');
	Depot\Store::$label = 'other';
	show();
	echo "the shape\n";
	Depot\Store::$any['at'] = 2;
	print_r(array_map(fn ($all) => $all[0] === $all[1], S::changes()));
	Depot\Store::$any['at'] = 2.5;
	show();
	Depot\Store::$label = 'b';
	Depot\Store::$any['by'] = Depot\Store::$goods = [Depot\Store::$any['by']];
	show();
	echo "shared\n";
	Depot\Store::$goods[0]->stamp('b');
	show();
})();`)
	// The stamp is one element more in a list.
	want := "+Depot\\Store::$any\nthe shape\nArray\n(\n    [Depot\\Store::$any] => 1\n)\n+Depot\\Store::$any\n+Depot\\Store::$any\n+Depot\\Store::$goods\nshared\n+Depot\\Store::$goods\n"
	if got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}

// TestStateOwn: what keeps what it likes, by the file that it comes from.
func TestStateOwn(t *testing.T) {
	dir := t.TempDir()
	for path, text := range map[string]string{
		"phpunit/Runner.php": `<?php namespace PHPUnit\Framework; interface MockObjectLike {}
abstract class TestCase { public static $x; private $result = 1; protected $times = 1; public static function mock($code) { eval($code); } }
function run() { static $x = 0; return ++$x; }`,
		"phpunit/Stub.php":                `<?php namespace PHPUnit\Framework\MockObject; interface Stub {} class Matcher { public $times = 0; }`,
		"src/PHPUnit.php":                 `<?php namespace PHPUnit\Util; class Ours { public static $x; }`,
		"vendor/composer/ClassLoader.php": `<?php namespace Composer\Autoload; class ClassLoader { public static $x; public $map = []; function load($class) {} }`,
		"tests/AgeTest.php":               `<?php class AgeTest extends PHPUnit\Framework\TestCase { public $age = 1; protected $own = 2; }`,
		"vendor/library/src/Composer/Autoload/ClassLoader2.php": `<?php class Library { public static $x; }`,
	} {
		file := filepath.Join(dir, path)
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got := state(t, strings.ReplaceAll(`
(function () {
	load();
	foreach (['phpunit/Runner', 'phpunit/Stub', 'src/PHPUnit', 'vendor/composer/ClassLoader', 'tests/AgeTest', 'vendor/library/src/Composer/Autoload/ClassLoader2'] as $file) {
		require "DIR/{$file}.php";
	}
	S::begin('DIR', ['DIR/phpunit', 'DIR/src/PHP']);
	$GLOBALS['loader'] = $loader = new Composer\Autoload\ClassLoader();
	spl_autoload_register([$loader, 'load']);
	PHPUnit\Framework\TestCase::mock('class Mock_Store_1a2b3c extends Depot\Store implements PHPUnit\Framework\MockObject\Stub { public static $made = 0; private $matcher; function __construct() { $this->matcher = new PHPUnit\Framework\MockObject\Matcher(); } function more() { $this->matcher->times++; } }');
	Depot\Store::$any = new AgeTest();
	Depot\Store::$other = new Mock_Store_1a2b3c();
	S::changes();
	PHPUnit\Framework\TestCase::$x = 1;
	PHPUnit\Framework\run();
	Composer\Autoload\ClassLoader::$x = 1;
	Mock_Store_1a2b3c::$made = 1;
	$loader->map[] = 1;
	(function () { $this->result = 2; $this->times = 2; })->bindTo(Depot\Store::$any, 'PHPUnit\Framework\TestCase')();
	show();
	echo "the project\n";
	PHPUnit\Util\Ours::$x = Library::$x = 1;
	show();
	Depot\Store::$any->age = 2;
	show();
	Depot\Store::$other->more();
	show();
	$before = S::changes();
	PHPUnit\Framework\TestCase::mock('class Mock_Store_999999 extends Depot\Store implements PHPUnit\Framework\MockObject\Stub { private $matcher; function __construct() { $this->matcher = new PHPUnit\Framework\MockObject\Matcher(); $this->matcher->times = 1; } }');
	Depot\Store::$other = new Mock_Store_999999();
	show();
})();`, "DIR", dir))
	// The name of a mock is not its own: the last change puts the same in its place, but for the name of a private property.
	want := "the project\n+Library::$x\n+PHPUnit\\Util\\Ours::$x\n+Depot\\Store::$any\n+Depot\\Store::$other\n"
	if got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}

// TestStateOfLargeArrays: however large, an array of scalars is seen to change, and
// costs little while it does not.
func TestStateOfLargeArrays(t *testing.T) {
	got := state(t, `
(function () {
	S::begin(__DIR__, []);
	load();
	Depot\Store::$any = range(1, 300000);
	Depot\Store::$other = array_fill(0, 600, ['a' => [1, 'b', null, true]]);
	S::changes();
	print_r(S::unknowns());
	$began = hrtime(true);
	for ($i = 0; $i < 100; ++$i) {
		S::changes();
	}
	echo hrtime(true) - $began < 1e9 ? "quick\n" : "slow\n";
	Depot\Store::$any[299999] = 0;
	show();
	Depot\Store::$other[599]['a'][3] = 1;
	show();
	Depot\Store::$other[] = 1;
	$with = S::changes();
	array_pop(Depot\Store::$other);
	S::changes();
	Depot\Store::$other[600] = 1;
	echo S::changes() === $with ? "the same\n" : "something else\n";
})();`)
	want := "Array\n(\n)\nquick\n+Depot\\Store::$any\n+Depot\\Store::$other\nthe same\n"
	if got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}

// TestStateOfRememberedArrays: what was written of an array in an object is remembered, and
// each change of the array shows all the same: of an element, of its order, of where its
// pointer stands and which index comes next, of a sign or of an array in it.
func TestStateOfRememberedArrays(t *testing.T) {
	got := state(t, `
(function () {
	S::begin(__DIR__, []);
	load();
	$o = new stdClass();
	$o->list = range(1, 20);
	$o->named = array_fill_keys(range('a', 't'), 'x');
	$o->nested = array_fill(0, 20, [1, 2, 3]);
	$o->floats = array_fill(0, 20, 0.5);
	$o->large = range(1, 600);
	Depot\Store::$any = $o;
	S::changes();
	foreach ([
		'nothing' => fn () => null,
		'an element' => function () use ($o) { $o->list[19] = 'y'; },
		'it is as before' => function () use ($o) { $o->list[19] = 20; },
		'a type' => function () use ($o) { $o->list[19] = '20'; },
		'an order' => function () use ($o) { $first = $o->named['a']; unset($o->named['a']); $o->named['a'] = $first; },
		'a pointer' => function () use ($o) { next($o->list); },
		'the next index' => function () use ($o) { array_push($o->list, 1); unset($o->list[20]); },
		'an inner array' => function () use ($o) { $o->nested[19][2] = 4; },
		'an inner pointer' => function () use ($o) { next($o->nested[19]); },
		'a float' => function () use ($o) { $o->floats[19] = 0.0; },
		'its sign' => function () use ($o) { $o->floats[19] = -0.0; },
		'a large one' => function () use ($o) { $o->large[599] = 0; },
		'the pointer of that' => function () use ($o) { end($o->large); },
	] as $what => $do) {
		for ($i = 0; $i < 3; ++$i) {
			S::changes();
		}
		$do();
		echo $what, ': ', count(S::changes()), "\n";
	}
})();`)
	want := "nothing: 0\nan element: 1\nit is as before: 1\na type: 1\nan order: 1\na pointer: 1\nthe next index: 1\n" +
		"an inner array: 1\nan inner pointer: 1\na float: 1\nits sign: 1\na large one: 1\nthe pointer of that: 1\n"
	if got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}

// TestStateIsNotInStaticProperties: PHPUnit can be told to put back what static
// properties hold, of any class that is not its own.
func TestStateIsNotInStaticProperties(t *testing.T) {
	got := state(t, `
S::begin(__DIR__, []);
foreach (get_declared_classes() as $class) {
	if (strpos($class, 'PHPUnit\\AssayHarness\\') === 0) {
		echo (new ReflectionClass($class))->getStaticProperties() === [] ? '' : "{$class}\n";
	}
}
echo implode("\n", array_intersect(['setting precision', 'error handler', 'umask', 'autoload functions', 'global argv', 'global argc'], S::names())), "\n";`)
	if want := "error handler\numask\nautoload functions\n"; got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}
