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
use AssayHarness\StateSnapshot as S;
require '` + harness + `';
function load() { require_once '` + depot + `'; }
function show() {
	foreach (S::changes() as $root => $digests) {
		echo $digests === null ? '-' : '+', $root, "\n";
		if ($digests !== null && ($digests !== array_values($digests) || count($digests) !== 2 || array_filter($digests, 'is_string') !== $digests)) {
			echo "not a pair of digests\n";
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
	// A static variable whose first value is not a literal counts as changed when it is first seen.
	want := "+constant Depot\\SHELVES\n+static $zones in Depot\\zones()\ncomes\n+static $y in Waits::f()\n+Waits::$x\n-Waits::$x\n"
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
$initials = new AssayHarness\StateInitials();
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

// TestStateCanonical: processes that have done the same have the same digests, whatever
// numbers PHP has given out before, in whatever order the sources came, and wherever
// the project lies.
func TestStateCanonical(t *testing.T) {
	const code = `
(function ($variant) {
	if ($variant !== '1') {
		S::begin(__DIR__, []);
		load();
	} else {
		$junk = array_map(fn ($n) => [new stdClass(), fopen('php://memory', 'r'), fn () => $n, new class {}], range(1, 50));
		unset($junk[7], $junk[9]);
		eval('class Other { static $x = 1; } function other() { static $x = 1; } if (true) { class Later extends Other {} }');
		load();
		S::begin(__DIR__, []);
		S::changes();
		gc_collect_cycles();
		spl_autoload_register($f = fn () => 1);
		spl_autoload_unregister($f);
	}
	require __DIR__ . '/made.php';
	roots(array_diff_key(S::changes(), ['constant Depot\SHELVES' => 1, 'static $zones in Depot\zones()' => 1]));
	print_r(S::unknowns());
})($argv[1]);`
	const made = `<?php
namespace Depot;
use DateTime, SplObjectStorage, SplQueue, ArrayObject, SplFixedArray, WeakMap, WeakReference, SplPriorityQueue;
$parcel = (new Parcel())->stamp('a');
$parcel->next = new Parcel();
$parcel->next->next = $parcel;
$storage = new SplObjectStorage();
$storage[$parcel] = 'first';
$queue = new SplQueue();
$queue[] = $parcel;
$weak = new WeakMap();
$weak[$parcel] = 5;
$heap = new LoudHeap();
foreach ([3, 1, 2] as $n) { $heap->insert($n); }
$dom = new \DOMDocument();
$dom->loadXML('<a><b c="d"/></a>');
$anonymous = new class($parcel) { static $made = 0; private $own; public function __construct($x) { $this->own = $x; ++self::$made; static $y = 1; $y++; } };
$memory = fopen('php://memory', 'w+'); fwrite($memory, 'abc'); rewind($memory); fgetc($memory);
$base = new \PDO('sqlite::memory:'); $base->exec('CREATE TABLE t (a, b); INSERT INTO t VALUES (1, NULL), (2, x\'00\')');
Store::$any = [$parcel, $storage, $queue, new ArrayObject(['x' => 1, 'y' => $parcel]), SplFixedArray::fromArray([1, null]), $weak,
	WeakReference::create($parcel), $heap, $dom, $dom->documentElement->firstChild, simplexml_import_dom($dom)->b, $anonymous, $memory,
	fopen(__FILE__, 'r'), STDERR, $base, new DateTime('2020-02-03 UTC'), new \DateInterval('P1D'), new \DatePeriod(new DateTime('2020-01-01 UTC'), new \DateInterval('P1D'), 3),
	fn () => $parcel, $parcel->stamp(...), strlen(...), new \ReflectionMethod($parcel, 'stamp'), new \RuntimeException('x', 3, new \LogicException()),
	Zone::Dry, hash_init('md5'), [1.5, NAN, -0.0, INF], stream_context_create(['http' => ['x' => 1]])];
Store::$other = [$anonymous, $memory, new \stdClass()];
$GLOBALS['parcel'] = $parcel;
set_error_handler(function () use ($parcel) { return false; });
`
	at := func(variant string) string {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "made.php"), []byte(made), 0o644); err != nil {
			t.Fatal(err)
		}
		return state(t, strings.ReplaceAll(code, "__DIR__", "'"+dir+"'"), variant)
	}
	first, second, otherwise := at("0"), at("0"), at("1")
	if first != second {
		t.Errorf("one process\n%sanother\n%s", first, second)
	}
	if first != otherwise {
		t.Errorf("one process\n%sone with a past\n%s", first, otherwise)
	}
	for _, root := range []string{`Depot\Store::$any `, `Depot\Store::$other `, `class@anonymous made.php:17::$made `, `static $y in class@anonymous made.php:17::__construct()`,
		"global parcel ", "error handler "} {
		if !strings.Contains(first, root) {
			t.Errorf("%s was changed, and is not in\n%s", root, first)
		}
	}
	if strings.Contains(first, "[") {
		t.Errorf("something is not seen: %s", first)
	}
}

// TestStateAliases: two roots that hold one object are told from two that hold objects
// which are the same, and so within a root, and where PHP's own containers hold them.
func TestStateAliases(t *testing.T) {
	for name, c := range map[string][2]string{
		"between roots":    {`Depot\Store::$any = Depot\Store::$other = new stdClass();`, `Depot\Store::$any = new stdClass(); Depot\Store::$other = new stdClass();`},
		"in a root":        {`$o = new stdClass(); Depot\Store::$any = [$o, $o];`, `Depot\Store::$any = [new stdClass(), new stdClass()];`},
		"a cycle":          {`$o = new Depot\Parcel(); $o->extra = $o; Depot\Store::$any = $o;`, `$o = new Depot\Parcel(); $o->extra = new Depot\Parcel(); $o->extra->extra = $o; Depot\Store::$any = $o;`},
		"a list of PHP's":  {`$o = new stdClass(); Depot\Store::$any = new ArrayObject([$o, $o]);`, `Depot\Store::$any = new ArrayObject([new stdClass(), new stdClass()]);`},
		"weak":             {`$GLOBALS['o'] = $o = new stdClass(); Depot\Store::$any = [$o, WeakReference::create($o)];`, `$GLOBALS['o'] = $o = new stdClass(); Depot\Store::$any = [new stdClass(), WeakReference::create($o)];`},
		"in a closure":     {`$o = new stdClass(); Depot\Store::$any = [$o, fn () => $o];`, `$o = new stdClass(); Depot\Store::$any = [new stdClass(), fn () => $o];`},
		"a stream":         {`$s = fopen('php://memory', 'r'); Depot\Store::$any = [$s, $s];`, `Depot\Store::$any = [fopen('php://memory', 'r'), fopen('php://memory', 'r')];`},
		"that is not kept": {`Depot\Store::$any = [new DatePeriod(new DateTime('2020-01-01'), new DateInterval('P1D'), 1), new stdClass()];`, `$o = new stdClass(); Depot\Store::$any = [$o, $o];`},
	} {
		t.Run(name, func(t *testing.T) {
			const code = "(function () { S::begin(__DIR__, []); load(); S::changes(); CHANGE roots(S::changes()); })();"
			one, two := state(t, strings.Replace(code, "CHANGE", c[0], 1)), state(t, strings.Replace(code, "CHANGE", c[1], 1))
			if one == two || one == "" {
				t.Errorf("both have\n%s", one)
			}
		})
	}
}

// TestStateTells: what PHP's own classes hold is seen, or said not to be.
func TestStateTells(t *testing.T) {
	for name, c := range map[string]struct{ make, change, unknown string }{
		"a date":                   {`new DateTime('2020-01-01 UTC')`, `$x->modify('+1 microsecond')`, ""},
		"a date of the program":    {`new Depot\LoudDate('2020-01-01 UTC')`, `$x->setTimezone(new DateTimeZone('Asia/Tokyo'))`, ""},
		"an interval":              {`new DateInterval('P1D')`, `$x->invert = 1`, ""},
		"an array object":          {`new ArrayObject([])`, `$x[] = 1`, ""},
		"its flags":                {`new ArrayObject([])`, `$x->setFlags(2)`, ""},
		"its own properties":       {`new Depot\LoudList()`, `$x->own = 1`, ""},
		"an iterator's place":      {`new ArrayIterator([1, 2])`, `$x->next()`, ""},
		"a storage":                {`new SplObjectStorage()`, `$x[new stdClass()] = 1`, ""},
		"what it knows":            {`(function () { $s = new SplObjectStorage(); $s[new stdClass()] = 1; $s->rewind(); return $s; })()`, `$x->setInfo(2)`, ""},
		"a queue":                  {`new SplQueue()`, `$x[] = 1`, ""},
		"a fixed array":            {`new SplFixedArray(2)`, `$x[1] = 0`, ""},
		"a heap":                   {`new Depot\LoudHeap()`, `$x->insert(1)`, ""},
		"a queue with priorities":  {`new SplPriorityQueue()`, `$x->insert(1, 1)`, ""},
		"a weak map":               {`new WeakMap()`, `$x[$x] = 1`, ""},
		"a weak reference":         {`WeakReference::create($k = new stdClass())`, `$k = null; unset($k)`, ""},
		"a closure's variables":    {`function () { static $n = 0; return ++$n; }`, `$x()`, ""},
		"what it is bound to":      {`(function () { $o = new Depot\Parcel(); $o->extra = fn () => 1; return $o->extra->bindTo($o); })()`, `(new ReflectionFunction($x))->getClosureThis()->stamp('x')`, ""},
		"a document":               {`new DOMDocument()`, `$x->appendChild($x->createElement('a'))`, ""},
		"an element":               {`(new DOMDocument())->createElement('a')`, `$x->setAttribute('b', 'c')`, ""},
		"simple XML":               {`new SimpleXMLElement('<a><b/></a>')`, `$x->b = 'c'`, ""},
		"a document by its node":   {`(new SimpleXMLElement('<a><b/></a>'))->b`, `$x->xpath('..')[0]->addChild('c')`, ""},
		"memory":                   {`fopen('php://memory', 'w+')`, `fwrite($x, 'a')`, ""},
		"a place in it":            {`(function () { $s = fopen('php://temp', 'w+'); fwrite($s, 'a'); return $s; })()`, `rewind($x)`, ""},
		"a place in a file":        {`fopen(__FILE__, 'r')`, `fgets($x)`, ""},
		"a stream that is closed":  {`fopen('php://memory', 'r')`, `fclose($x)`, ""},
		"the end of a stream":      {`fopen('php://memory', 'r')`, `fgetc($x)`, ""},
		"a context":                {`stream_context_create()`, `stream_context_set_option($x, 'http', 'method', 'PUT')`, ""},
		"a database":               {`(function () { $p = new PDO('sqlite::memory:'); $p->exec('SELECT 1'); return $p; })()`, `$x->exec('CREATE TABLE a (b)')`, ""},
		"its rows":                 {`(function () { $p = new PDO('sqlite::memory:'); $p->exec('CREATE TABLE "a b" (b)'); return $p; })()`, `$x->exec('INSERT INTO "a b" VALUES (1)')`, ""},
		"its transaction":          {`(function () { $p = new PDO('sqlite::memory:'); $p->exec('CREATE TABLE a (b)'); return $p; })()`, `$x->beginTransaction()`, ""},
		"how it reports errors":    {`(function () { $p = new PDO('sqlite::memory:'); $p->exec('SELECT 1'); return $p; })()`, `$x->setAttribute(PDO::ATTR_ERRMODE, 0)`, ""},
		"an exception":             {`new LogicException('a')`, `(new ReflectionProperty('Exception', 'previous'))->setValue($x, new Error())`, ""},
		"a hash":                   {`hash_init('sha1')`, `hash_update($x, 'a')`, ""},
		"a generator of numbers":   {`new Random\Engine\Mt19937(1)`, `$x->generate()`, ""},
		"a property without value": {`new Depot\Parcel()`, `$x->grams = 1`, ""},
		"one that may be set once": {`new Depot\Parcel()`, `(fn () => $this->to = 'x')->call($x)`, ""},
		"one not declared":         {`new stdClass()`, `$x->{'0'} = 1`, ""},
		"a generator at its end":   {`(function () { yield 1; })()`, `foreach ($x as $y); unset($y)`, "-"},
		"a generator":              {`(function () { yield 1; })()`, ``, "Generator"},
		"a fiber":                  {`new Fiber(fn () => 1)`, ``, "Fiber"},
		"a path":                   {`new DOMXPath(new DOMDocument())`, ``, "DOMXPath"},
		"what extends such a one":  {`new class(new DOMDocument()) extends DOMXPath {}`, ``, "DOMXPath"},
		"a file to write to":       {`new SplTempFileObject()`, ``, "SplTempFileObject"},
		"a pipe":                   {`popen('true', 'r')`, ``, "a stream of the kind STDIO"},
		"a directory":              {`opendir('.')`, ``, "a stream of the kind dir"},
		"a filter on a stream":     {`(function () { $s = fopen('php://memory', 'w+'); stream_filter_append($s, 'string.rot13'); return $s; })()`, ``, "a stream of the kind MEMORY"},
		"a database with an error": {`(function () { $p = new PDO('sqlite::memory:', null, null, [PDO::ATTR_ERRMODE => 0]); $p->exec('x'); return $p; })()`, ``, "PDO"},
		"a database not used":      {`new PDO('sqlite::memory:')`, ``, "PDO"},
		"functions in a database":  {`(function () { $p = new PDO('sqlite::memory:'); $p->exec('CREATE TABLE a (b, c AS (b + 1))'); return $p; })()`, ``, "PDO"},
		"a large database":         {`(function () { $p = new PDO('sqlite::memory:'); $p->exec('CREATE TABLE a (b); WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n LIMIT 3000) INSERT INTO a SELECT i FROM n'); return $p; })()`, ``, "PDO"},
		"many objects":             {`array_map(fn ($n) => (object) [$n], range(1, 60000))`, ``, "more than 50,000 values"},
		"an endless array":         {`(function () { $a = [1]; $a[] = &$a; return $a; })()`, ``, "more than 5,000 levels"},
	} {
		t.Run(name, func(t *testing.T) {
			got := state(t, `
(function () {
	S::begin(__DIR__, []);
	load();
	Depot\LoudStorage::$loud = Depot\LoudHeap::$loud = true;
	S::changes();
	$x = `+c.make+`;
	Depot\Store::$any = [$x];
	S::changes();
	echo implode(S::unknowns()), "\n";
	Depot\LoudHeap::$loud = false;
	`+c.change+`;
	Depot\LoudHeap::$loud = true;
	show();
	echo implode(S::unknowns()), "\n";
})();`)
			want := "\n+Depot\\Store::$any\n\n"
			if c.change == "" {
				want = c.unknown + "\n" + c.unknown + "\n"
			} else if c.unknown == "-" {
				want = "Generator" + want
			}
			if strings.Contains(c.make, "LoudHeap") {
				want = "\n+Depot\\Store::$any\n\n" // and whether it is loud is as it was
			}
			if got != want {
				t.Errorf("got\n%swant\n%s", got, want)
			}
		})
	}
}

// TestStateRunsNothing: no method that the program has put in the place of one of
// PHP's is called, and no class is loaded.
func TestStateRunsNothing(t *testing.T) {
	got := state(t, `
(function () {
	S::begin(__DIR__, []);
	load();
	spl_autoload_register(function ($class) { echo "asked for {$class}\n"; });
	set_error_handler(function ($n, $message) { echo "told of {$message}\n"; return true; });
	S::changes();
	$storage = new Depot\LoudStorage();
	$storage[new stdClass()] = 1;
	$heap = new Depot\LoudHeap();
	$heap->insert(1);
	$heap->insert(2);
	$wrapped = stream_wrapper_register('loud', 'Depot\LoudStream');
	$stream = fopen('loud://x', 'r');
	$base = new Depot\LoudDatabase('sqlite::memory:');
	$base->exec('CREATE TABLE a (b)');
	$base->setAttribute(PDO::ATTR_STATEMENT_CLASS, ['Depot\LoudStatement']);
	$made = [];
	if (PHP_VERSION_ID >= 80400) {
		$class = new ReflectionClass('Depot\Parcel');
		$made = [$class->newLazyGhost(function () { echo "made\n"; }), $class->newLazyProxy(function () { echo "made\n"; return new Depot\Parcel(); })];
		eval('class Hooked { public $x = 1 { get { echo "hook\n"; return 2; } } public $y { get { echo "hook\n"; return 2; } } }');
		$made[] = new Hooked();
	}
	eval('class Fails { const A = Gone::B; public static $x = self::A; static function f() { static $x = Gone::B; return $x; } }');
	ob_start();
	Depot\Store::$any = [new Depot\Loud(), new Depot\LoudList([1]), $storage, $heap, new Depot\LoudDate(), $stream, $base, $made,
		[new Depot\Loud(), 'count'], function () { echo 'called'; static $x = PHP_INT_MAX; }];
	Depot\LoudStorage::$loud = Depot\LoudHeap::$loud = true;
	$GLOBALS['loud'] = new Depot\Loud();
	ob_end_clean();
	$changes = S::changes();
	$again = S::changes();
	Depot\LoudStorage::$loud = Depot\LoudHeap::$loud = false;
	echo isset($changes['Depot\Store::$any'], $changes['global loud']), ' ', count($again), ' ', implode(S::unknowns()), "\n";
})();`)
	if want := "1 0 a resource of the kind stream\n"; got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}

// TestStateLeavesNothing: whatever the program can ask PHP for is the same with looks
// at the state and without them.
func TestStateLeavesNothing(t *testing.T) {
	const code = `
(function ($looks) {
	S::begin(__DIR__, []);
	load();
	$look = function () use ($looks) { if ($looks === '1') { S::changes(); S::changes(); } };
	$look();
	$error = function () { return false; };
	set_error_handler($error);
	spl_autoload_register($one = fn ($class) => null);
	spl_autoload_register(fn ($class) => null, true, true);
	$memory = fopen('php://memory', 'w+');
	fwrite($memory, "a\nb\nc");
	rewind($memory);
	fgets($memory);
	$ended = fopen('php://memory', 'w+');
	fwrite($ended, 'abc');
	fread($ended, 10);
	$file = fopen(__FILE__, 'r');
	fgets($file);
	$base = new PDO('sqlite::memory:');
	$base->exec('CREATE TABLE a (b); INSERT INTO a VALUES (7), (8)');
	$base->setAttribute(PDO::ATTR_ERRMODE, PDO::ERRMODE_SILENT);
	$base->setAttribute(PDO::ATTR_STATEMENT_CLASS, ['Depot\LoudStatement']);
	ob_start();
	$rows = $base->query('SELECT b FROM a');
	ob_end_clean();
	$row = $rows->fetchColumn();
	$unused = new PDO('sqlite::memory:');
	$failed = new PDO('sqlite::memory:', null, null, [PDO::ATTR_ERRMODE => 0]);
	$failed->exec('x');
	$list = [3, 1, 2];
	next($list);
	$iterator = new ArrayIterator([1, 2, 3]);
	$iterator->next();
	$queue = new SplQueue();
	$queue[] = 1;
	$queue[] = 2;
	$queue->rewind();
	$queue->next();
	$document = new DOMDocument();
	$document->loadXML('<a><b/></a>');
	$made = 0;
	$generator = (function () use (&$made) { ++$made; yield 1; })();
	$parcel = new Depot\Parcel();
	$gone = new class { public static $gone = 0; public $self; public function __destruct() { ++self::$gone; } };
	$gone->self = $gone;
	$counter = $gone::class;
	$gone = null;
	Depot\Store::$any = [$memory, $ended, $file, $base, $unused, $failed, $list, $iterator, $queue, $document, $generator, $parcel, range(1, 2000)];
	Depot\Store::$list = &$list;
	$next = &Depot\Store::$any[6];
	libxml_use_internal_errors(true);
	simplexml_load_string('<a>');
	json_decode('{');
	preg_match('/(?:\D+|<\d+>)*[!?]/', 'foobar foobar foobar');
	try { strpos(); } catch (\Error $e) {}
	@trigger_error('of the program');
	ob_start();
	echo 'in the buffer';
	$id = spl_object_id(new stdClass());
	$look();
	$buffer = ob_get_contents();
	ob_end_clean();
	$seen = [
		'json' => json_last_error(), 'preg' => preg_last_error(), 'error' => error_get_last()['message'] ?? null, 'buffer' => $buffer, 'level' => ob_get_level(),
		'memory' => [ftell($memory), fgets($memory), feof($memory)], 'ended' => [ftell($ended), feof($ended), fgetc($ended)], 'file' => [ftell($file), fgets($file)],
		'codes' => [$base->errorCode(), $unused->errorCode(), $failed->errorInfo()], 'rows' => [$row, $rows->fetchColumn(), $rows->fetchColumn()],
		'mode' => $base->getAttribute(PDO::ATTR_ERRMODE), 'class' => $base->getAttribute(PDO::ATTR_STATEMENT_CLASS), 'in' => $base->inTransaction(),
		'list' => [current($list), Depot\Store::$list], 'iterator' => $iterator->current(), 'queue' => $queue->current(), 'made' => $made,
		'document' => $document->saveXML(), 'libxml' => count(libxml_get_errors()),
		'resource' => (int) fopen('php://memory', 'r'), 'object' => spl_object_id(new stdClass()) - $id,
		'handler' => set_error_handler(null) === $error, 'below' => [restore_error_handler(), restore_error_handler(), set_error_handler(null)],
		'exceptions' => set_exception_handler(null), 'autoload' => array_search($one, spl_autoload_functions(), true), 'functions' => count(spl_autoload_functions()),
		'classes' => array_diff(get_declared_classes(), array_filter(get_declared_classes(), fn ($c) => strpos($c, 'AssayHarness') === 0)),
		'defined' => get_defined_functions()['user'], 'constants' => get_defined_constants(true)['user'] ?? [], 'ini' => ini_get_all(null, false),
		'environment' => getenv(), 'globals' => array_keys($GLOBALS), 'parcel' => var_export($parcel, true) . serialize($parcel), 'files' => get_included_files(),
		'roots' => (function () { ob_start(); debug_zval_refcount: var_dump(Depot\Store::$list, Depot\Store::$goods); return ob_get_clean(); })(),
		'gone' => [$counter::$gone, gc_collect_cycles() > 0, $counter::$gone], 'enabled' => gc_enabled(), 'directory' => getcwd(), 'umask' => umask(), 'intl' => intl_get_error_code(),
	];
	$seen['files'] = count($seen['files']);
	unset($seen['roots'], $seen['environment']['_']);
	echo json_encode($seen, JSON_PRETTY_PRINT | JSON_PARTIAL_OUTPUT_ON_ERROR), "\n";
})($argv[1]);`
	without, with := state(t, code, "0"), state(t, code, "1")
	if without == "" || without != with {
		a, b := strings.Split(without, "\n"), strings.Split(with, "\n")
		for i := 0; i < len(a) && i < len(b); i++ {
			if a[i] != b[i] {
				t.Errorf("without %s, with a look %s (after %s)", a[i], b[i], strings.Join(a[max(0, i-4):i], " "))
			}
		}
		t.Errorf("without %d lines, with a look %d", len(a), len(b))
	}
	if !strings.Contains(without, "of the program") {
		t.Errorf("the program did not say what it sees: %s", without)
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
	S::ignoreValues(['Depot\Store::$any', 'Depot\Store::$label', 'Depot\Store::$other']);
	show();
	Depot\Store::$any['at'] = 2.5;
	Depot\Store::$any['by']->stamp('a');
	Depot\Store::$label = 'other';
	show();
	echo "the shape\n";
	Depot\Store::$any['at'] = 2;
	print_r(array_map(fn ($pair) => $pair[0] === $pair[1], S::changes()));
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
