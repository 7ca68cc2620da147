package exec

import (
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"
)

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
		eval('class Hooked { public $x = 1 { get { echo "hook\n"; return $this->x; } } public $y { get { echo "hook\n"; return 2; } } }');
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
	S::changes(); // which reads the source of the depot, and so takes one number of a resource
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
		'classes' => array_diff(get_declared_classes(), array_filter(get_declared_classes(), fn ($c) => strpos($c, 'PHPUnit\AssayHarness') === 0)),
		'defined' => get_defined_functions()['user'], 'constants' => get_defined_constants(true)['user'] ?? [], 'ini' => ini_get_all(null, false),
		'environment' => getenv(), 'globals' => array_keys($GLOBALS), 'parcel' => var_export($parcel, true) . serialize($parcel), 'files' => get_included_files(),
		'roots' => (function () { ob_start(); debug_zval_refcount: var_dump(Depot\Store::$list, Depot\Store::$goods); return ob_get_clean(); })(),
		'gone' => [$counter::$gone, gc_collect_cycles() > 0, $counter::$gone], 'enabled' => gc_enabled(), 'directory' => getcwd(), 'umask' => umask(), 'intl' => function_exists('intl_get_error_code') ? intl_get_error_code() : 0,
	];
	$seen['files'] = count($seen['files']);
	unset($seen['roots'], $seen['environment']['_']);
	echo json_encode($seen, JSON_PRETTY_PRINT | JSON_PARTIAL_OUTPUT_ON_ERROR), "\n";
})($argv[1]);`
	clean := func(looks string) string {
		return strings.ReplaceAll(strings.ReplaceAll(state(t, code, looks), `\/002\/`, `\/001\/`), "/002/", "/001/")
	}
	without, with := clean("0"), clean("1")
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

// TestStateCollectsNothing: a look touches so many objects that PHP would collect
// garbage, and have the program's destructors run in the middle of it.
func TestStateCollectsNothing(t *testing.T) {
	got := state(t, `
(function () {
	S::begin(__DIR__, []);
	load();
	eval('class Garbage { public static $gone = 0; public $self; public function __destruct() { ++self::$gone; } }');
	Depot\Store::$any = array_map(fn ($n) => new stdClass(), range(1, 5000));
	for ($i = 0; $i < 9000; ++$i) {
		$garbage = new Garbage();
		$garbage->self = $garbage;
	}
	unset($garbage);
	$before = Garbage::$gone;
	$changes = S::changes();
	echo $before, ' ', Garbage::$gone, ' ', gc_collect_cycles() > 0, ' ', Garbage::$gone;
})();`)
	if want := "0 0 1 9000"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// BenchmarkState is what a look costs where nothing has changed, in a process with 500
// classes, 200 static properties and 60 functions with static variables.
func BenchmarkState(b *testing.B) {
	for name, fill := range map[string]string{
		"scalars and arrays": ``,
		"100 objects":        `for ($i = 1; $i < 80; $i += 4) { (function () { self::$a = [new DateTime('2020-01-01'), (object) ['l' => [1, 2, new ArrayObject([1, 2])]], new stdClass()]; })->bindTo(null, "C{$i}")(); }`,
	} {
		b.Run(name, func(b *testing.B) {
			harness, _ := filepath.Abs("harness/StateSnapshot.php")
			dir := b.TempDir()
			code := `<?php
require '` + harness + `';
(static function (): void {
	$values = ["[1, 2, 3, 'x' => ['y' => 2]]", 'null', "['k' => 'v', 'l' => ['m']]", '5'];
	$source = "<?php\n";
	for ($i = 0; $i < 500; ++$i) {
		$source .= "class C{$i} {" . ($i < 200 ? " private static \$a = {$values[$i % 4]};" : '') . " function m() {} function n() {} }\n";
	}
	for ($i = 0; $i < 60; ++$i) {
		$source .= "function f{$i}() { static \$c = [], \$d; }\n";
	}
	file_put_contents('` + dir + `/lib.php', $source);
	PHPUnit\AssayHarness\StateSnapshot::begin('` + dir + `', []);
	require '` + dir + `/lib.php';
	` + fill + `
	PHPUnit\AssayHarness\StateSnapshot::changes();
	$best = INF;
	for ($round = 0; $round < 50; ++$round) {
		$began = hrtime(true);
		for ($i = 0; $i < 20; ++$i) {
			if (PHPUnit\AssayHarness\StateSnapshot::changes() !== []) {
				exit(1);
			}
		}
		$best = min($best, (hrtime(true) - $began) / 20);
	}
	echo $best;
})();`
			file := filepath.Join(dir, "bench.php")
			if err := os.WriteFile(file, []byte(code), 0o644); err != nil {
				b.Fatal(err)
			}
			var best float64
			for i := 0; i < b.N; i++ {
				out, err := osexec.Command(lookPHP(b), "-d", "pcov.enabled=0", file).Output()
				if err != nil {
					b.Fatal(err)
				}
				if _, err := fmt.Sscan(string(out), &best); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(best/1000, "µs/look")
			b.ReportMetric(0, "ns/op")
		})
	}
}
