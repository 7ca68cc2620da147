package mutate

import (
	"slices"
	"strings"
	"testing"

	"assay/mutate/syntax"
)

// TestUses has statements with the state that PHP's manual says they read or
// write: references, assignments, and functions of PHP by their descriptions.
func TestUses(t *testing.T) {
	for _, c := range []struct{ code, reads, writes string }{
		{"self::$x = 1;", "", "static $x"},
		{"self::$x[1]->foo[3] = 2;", "static $x", ""}, // changes an object, which somebody has assigned
		{"self::$x[] = 3;", "", "static $x"},
		{"$y = self::$x['a'];", "static $x", ""},
		{"foreach (self::$x as $k => &$v) {}", "", "static $x"},
		{"foreach (self::$x as &$v) {}", "", "static $x"},
		{"foreach (self::$x as $k => $v) {}", "static $x", ""},
		{"foreach ($a as self::$x) {}", "", "static $x"},
		{"[self::$x, $b] = [1, 2];", "", "static $x"},
		{"list('a' => self::$x) = $q;", "", "static $x"},
		{"$z = [1, self::$x];", "static $x", ""},
		{"$z = [&self::$x];", "", "static $x"},
		{"sort(self::$x);", "", "static $x"},
		{"ours(self::$x);", "", "static $x"},
		{"count(self::$x);", "static $x", ""},
		{"$q = &self::$x;", "", "static $x"},
		{"return self::$x;", "static $x", ""},
		{"unset(self::$x[1]);", "", "static $x"},
		{"if (isset(self::$x[$_GET['a']])) {}", "static $x, global $_GET", ""},
		{"$this->assertSame(1, self::$x);", "static $x", ""},
		{"static::$$n;", "", "static *"},
		{"$p->setValue(null, 3);", "", "static *"},
		{"self::$x ??= 2;", "", "static $x"},
		{"self::$x++;", "", "static $x"},
		{"static $k = 1;", "", "static a.php:21"},
		{"global $g;", "", "global *"},
		{"$_SERVER['x'] = 3;", "", "global $_SERVER"},
		{"fopen('a', 'r');", "files", ""},
		{"fopen('a', 'r+');", "", "files"},
		{"fopen('a', $mode);", "", "files"},
		{"fopen('php://memory', 'w+');", "", ""},
		{"fopen('php://temp/maxmemory:1024', $mode);", "", ""},
		{"fopen('php://stdin', $mode);", "", "files"},
		{"new \\SplTempFileObject();", "", ""},
		{"file_get_contents('x');", "files", ""},
		{"new \\PDO('x');", "", "files"},
		{"$this->assertFileExists('x');", "files", ""},
		{"setlocale(LC_ALL, 'C');", "", "locale"},
		{"getenv('A');", "php", ""},
		{"require_once 'a.php';", "", "loaded files"},
		{"$f = function () { self::$x = 1; };", "", ""}, // has points of its own
	} {
		f, err := syntax.Parse("a.php", []byte("<?php function f() { "+c.code+" }"))
		if err != nil {
			t.Fatal(err)
		}
		var reads, writes []string
		f.Root.Walk(func(n *syntax.Node) bool {
			if !n.Is("compound_statement") || !n.Parent.Is("function_definition") {
				return true
			}
			for _, u := range usesOf(f, n.NamedChildren()[0], true) {
				if u.Access == Writes {
					writes = append(writes, u.Of)
				} else {
					reads = append(reads, u.Of)
				}
			}
			return false
		})
		if !same(reads, c.reads) || !same(writes, c.writes) {
			t.Errorf("%s: reads %q and writes %q, want %q and %q", c.code, reads, writes, c.reads, c.writes)
		}
	}
}

// TestAccess: a value is not an object, and what a fixture of the class does is
// known for that.
func TestAccess(t *testing.T) {
	for code, want := range map[string]Use{
		"function f() { strpos((string) self::$x, 'a'); }":            {"static $x", Looks, false},
		"function f() { in_array($a, self::$x); }":                    {"static $x", Looks, false},
		"function f() { if (!self::$x) {} }":                          {"static $x", Looks, false},
		"function f() { self::$x->g(); }":                             {"static $x", Holds, false},
		"function f() { $y = self::$x; }":                             {"static $x", Holds, false},
		"function f() { foreach (self::$x as $y) {} }":                {"static $x", Holds, false},
		"function f() { self::$x = 1; }":                              {"static $x", Writes, false},
		"static function setUpBeforeClass(): void { self::$x = 1; }":  {"static $x", Writes, true},
		"/** @afterClass */ static function g() { self::$x = null; }": {"static $x", Writes, true},
		"#[BeforeClass] static function g() { self::$x[] = 1; }":      {"static $x", Writes, true},
		"/** as in a class */ static function g() { self::$x = 1; }":  {"static $x", Writes, false},
	} {
		f, err := syntax.Parse("a.php", []byte("<?php class A { static $x; "+code+" }"))
		if err != nil {
			t.Fatal(err)
		}
		if got := usesAnywhere(f); len(got) != 1 || got[0] != want {
			t.Errorf("%s: %+v, want %+v", code, got, want)
		}
	}
}

// TestWritesIn: whatever is known to write is found in a text that is not parsed.
func TestWritesIn(t *testing.T) {
	for text, want := range map[string]string{
		"\\file_put_contents($a, $b);":     "files",
		"$p = PROC_OPEN('ls', [], $x);":    "files",
		"class Store extends \\PDO {}":     "files",
		"// it makes a copy first":         "",
		"putenv('A=1');":                   "php",
		"class_alias('A', 'B');":           "hidden, php",
		"mt_srand(7);":                     "random",
		"$n = mt_rand(1, 6);":              "",
		"$is = file_exists($a) && $touchy": "",
	} {
		if got := WritesIn([]byte(text)); !same(got, want) {
			t.Errorf("%s: %q, want %q", text, got, want)
		}
	}
}

func same(got []string, want string) bool {
	var list []string
	if want != "" {
		list = strings.Split(want, ", ")
	}
	slices.Sort(got)
	slices.Sort(list)
	return slices.Equal(got, list)
}

// TestReturnsReference: what a function gives by reference anybody may change.
func TestReturnsReference(t *testing.T) {
	f, err := syntax.Parse("a.php", []byte("<?php class A { static $x; function &f() { return self::$x; } }"))
	if err != nil {
		t.Fatal(err)
	}
	if got := usesAnywhere(f); len(got) != 1 || got[0].Access != Writes {
		t.Errorf("got %v, want a write", got)
	}
}

// TestUnwinds: only code counts, and only both together.
func TestUnwinds(t *testing.T) {
	for code, want := range map[string]bool{
		"function f() { try { yield 1; } finally { g(); } }":            true,
		"function f() { try { \\Fiber::suspend(); } finally { g(); } }": true,
		"function f() { try { h(); } finally { g(); } }":                false,
		"function f() { yield 1; }":                                     false,
		"function f() { return 'try { yield 1; } finally'; }":           false,
		"/* finally */ function f() { yield 1; }":                       false,
		"function f() { yield 1; } function g() { try { } finally":      true,
	} {
		f, err := syntax.Parse("a.php", []byte("<?php "+code))
		if err != nil {
			t.Fatal(err)
		}
		if got := unwinds(f); got != want {
			t.Errorf("%s: %v, want %v", code, got, want)
		}
	}
}
