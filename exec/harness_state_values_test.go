package exec

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

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
Store::$other = [$anonymous, $memory, new \stdClass(), __DIR__, __DIR__ . '/crates', ['in ' . __DIR__ . '/a and ' . __DIR__ . '/b', str_repeat(__DIR__ . '/', 100)]];
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
		"between roots":     {`Depot\Store::$any = Depot\Store::$other = new stdClass();`, `Depot\Store::$any = new stdClass(); Depot\Store::$other = new stdClass();`},
		"in a root":         {`$o = new stdClass(); Depot\Store::$any = [$o, $o];`, `Depot\Store::$any = [new stdClass(), new stdClass()];`},
		"which of two":      {`$o = new stdClass(); $p = new stdClass(); Depot\Store::$any = [$o, $p, $o];`, `$o = new stdClass(); $p = new stdClass(); Depot\Store::$any = [$o, $p, $p];`},
		"a cycle":           {`$o = new Depot\Parcel(); $o->extra = $o; Depot\Store::$any = $o;`, `$o = new Depot\Parcel(); $o->extra = new Depot\Parcel(); $o->extra->extra = $o; Depot\Store::$any = $o;`},
		"a list of PHP's":   {`$o = new stdClass(); Depot\Store::$any = new ArrayObject([$o, $o]);`, `Depot\Store::$any = new ArrayObject([new stdClass(), new stdClass()]);`},
		"weak":              {`$GLOBALS['o'] = $o = new stdClass(); Depot\Store::$any = [$o, WeakReference::create($o)];`, `$GLOBALS['o'] = $o = new stdClass(); Depot\Store::$any = [new stdClass(), WeakReference::create($o)];`},
		"in a closure":      {`$o = new stdClass(); Depot\Store::$any = [$o, fn () => $o];`, `$o = new stdClass(); Depot\Store::$any = [new stdClass(), fn () => $o];`},
		"a stream":          {`$s = fopen('php://memory', 'r'); Depot\Store::$any = [$s, $s];`, `Depot\Store::$any = [fopen('php://memory', 'r'), fopen('php://memory', 'r')];`},
		"made for the walk": {`Depot\Store::$any = [new SimpleXMLElement('<a b="0"/>'), new SimpleXMLElement('<a b="1"/>'), new SimpleXMLElement('<a b="2"/>')];`, `Depot\Store::$any = [new SimpleXMLElement('<a b="0"/>'), new SimpleXMLElement('<a b="1"/>'), new SimpleXMLElement('<a b="3"/>')];`},
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
		"how a lazy one is made":   {`($o = new stdClass()) && PHP_VERSION_ID >= 80400 ? (new ReflectionClass('Depot\Parcel'))->newLazyGhost(function () use ($o) {}) : fn () => $o`, `$o->x = 1`, ""},
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
		"a wrapper of the program": {`(function () { stream_wrapper_unregister('file'); stream_wrapper_register('file', 'Depot\LoudStream'); ob_start(); $s = fopen('/x', 'r'); ob_end_clean(); stream_wrapper_restore('file'); return $s; })()`, ``, "a resource of the kind stream"},
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
