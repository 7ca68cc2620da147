package exec

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// A hiddenCompiler compiles texts as FindAlike does.
type hiddenCompiler struct {
	*compiler
	lint *linter
}

func testCompiler(t *testing.T) *hiddenCompiler {
	t.Helper()
	php, dir := phpAndHarness(t)
	c, err := startCompiler(context.Background(), []string{php}, dir, filepath.Join(dir, "compiled"))
	if err != nil {
		t.Fatalf("%v; opcache is a part of Debian's php-cli", err)
	}
	t.Cleanup(c.close)
	lint, err := startLinter([]string{php}, dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(lint.close)
	return &hiddenCompiler{c, lint}
}

// differing are pairs of texts that a program can tell apart: by what it does, or by
// reflection. Each differs in one thing only; @ is where it stands.
var differing = []struct{ what, text, one, other string }{
	{"constant, nested in an array", `return [1, ['a' => [2, @]]];`, `3`, `4`},
	{"kind of number in an array", `return [1, [2, [3, @]]];`, `4`, `4.0`},
	{"key of an array", `return ['a' => ['@' => 1]];`, `b`, `c`},
	{"order of an array", `return [@];`, `'a' => 1, 'b' => 2`, `'b' => 2, 'a' => 1`},
	{"last bit of a float", `return @;`, `0.1`, `0.10000000000000002`},
	{"sign of zero", `return @;`, `0.0`, `-0.0`},
	{"float that becomes a text", `return 'v' . @;`, `0.30000000000000004`, `0.3`},
	{"null or false", `return [@];`, `null`, `false`},
	{"text", `return '@';`, `shore`, `shose`},
	{"length of a text", `return '@';`, `shore`, `shores`},
	{"text behind a NUL byte", `return "a\0@";`, `b`, `c`},
	{"heredoc", "return <<<T\n  tide @\n  T;", `1`, `2`},
	{"heredoc's indentation", "return <<<T\n    tide\n  @T;", `  `, ``},
	{"part of an interpolated text", `function f($x) { return "a @ $x"; }`, `b`, `c`},
	{"default of a parameter", `function f($a = @) {}`, `1`, `2`},
	{"default in an array", `function f($a = ['x' => [@]]) {}`, `1`, `2`},
	{"default or none", `function f($a @) {}`, ``, `= null`},
	{"constant expression as a default", `class C { const A = 1; const B = 2; function f($a = self::@) {} }`, `A`, `B`},
	{"object as a default", `class C { function __construct(private D $d = new D(@)) {} }`, `1`, `2`},
	{"type of a parameter", `function f(@ $a) {}`, `int`, `float`},
	{"nullable type", `function f(@int $a) {}`, ``, `?`},
	{"class as a type", `function f(@ $a) {}`, `Boat`, `Bout`},
	{"union type", `function f(@ $a) {}`, `int|string`, `int|null`},
	{"intersection type", `function f(A&@ $a) {}`, `B`, `C`},
	{"type of a result", `function f(): @ {}`, `?int`, `?float`},
	{"type of a result, or none", `function f() @ { return; }`, ``, `: void`},
	{"static as a result", `class C { function f(): @ { return $this; } }`, `static`, `self`},
	{"type of a property", `class C { public @ $a; }`, `int`, `float`},
	{"type of a property, or none", `class C { public @ $a; }`, ``, `mixed`},
	{"default of a property", `class C { public $a = @; }`, `1`, `2`},
	{"default of a static property", `class C { static $a = [@]; }`, `1`, `2`},
	{"constant of a class", `class C { const A = @; }`, `1`, `2`},
	{"constant of a class, in an array", `class C { const A = [[1], [@]]; }`, `1`, `2`},
	{"constant of a file", `const A = @;`, `1`, `2`},
	{"private constant that is used", `class C { private const A = @; function f($x) { return $x + self::A; } }`, `1`, `2`},
	{"static variable", `function f() { static $a = @; return $a++; }`, `1`, `2`},
	{"static or not", `function f() { @$a = 1; return $a++; }`, ``, `static `},
	{"argument of an attribute", `#[Seen(@)] class C {}`, `1`, `2`},
	{"name of an attribute's argument", `#[Seen(@: 1)] function f() {}`, `by`, `at`},
	{"attribute of a parameter", `function f(#[@] $x) {}`, `SensitiveParameter`, `SensitiveParameters`},
	{"attribute of a constant", `class C { #[Seen(@)] const A = 1; }`, `1`, `2`},
	{"doc comment of a class", "/** @ */ class C {}", `one`, `two`},
	{"doc comment of a method", "class C { /** @ */ function f() {} }", `one`, `two`},
	{"doc comment of a property", "class C { /** @ */ public $a; }", `one`, `two`},
	{"doc comment of a constant", "class C { /** @ */ const A = 1; }", `one`, `two`},
	{"doc comment of a function", "/** @ */ function f() {}", `one`, `two`},
	{"strict types", `declare(strict_types=@); function f() { return strlen(g()); }`, `0`, `1`},
	{"ticks", `declare(ticks=@); f();`, `1`, `2`},
	{"ticks or none", `declare(@); f();`, `ticks=1`, `strict_types=0`},
	{"value of a case", `enum E: string { case A = '@'; case B = 'x'; }`, `a`, `b`},
	{"name of a case", `enum E { case @; }`, `A`, `B`},
	{"number of a case", `enum E: int { case A = @; }`, `1`, `2`},
	{"interface of an enum", `enum E @ { case A; }`, ``, `implements I`},
	{"arm of a match", `function f($x) { return match ($x) { 1 => @, default => 4 }; }`, `2`, `3`},
	{"condition of a match", `function f($x) { return match ($x) { @ => 2, default => 4 }; }`, `1`, `3`},
	{"condition of a match of texts", `function f($x) { return match ($x) { '@' => 2, 'x' => 3, 'y' => 5, default => 4 }; }`, `a`, `b`},
	{"default of a match, or none", `function f($x) { return match ($x) { 1 => 2 @ }; }`, ``, `, default => 4`},
	{"case of a switch", `function f($x) { switch ($x) { case @: return 2; case 3: return 4; } }`, `1`, `2`},
	{"in a closure", `function f() { return function () { return @; }; }`, `1`, `2`},
	{"in a closure within a closure", `function f() { return fn() => fn($x) => [$x, @]; }`, `1`, `2`},
	{"default in a closure", `return fn($x = @) => $x;`, `1`, `2`},
	{"static closure", `class C { function f() { return @fn($x) => $x; } }`, ``, `static `},
	{"static function in a class", `class C { @function f() { return 1; } }`, ``, `static `},
	{"use of a closure by reference", `function f() { $x = 1; return function () use (@$x) { $x++; }; }`, ``, `&`},
	{"parameter by reference", `function f(@$x) {}`, ``, `&`},
	{"result by reference", `function @f() { static $x; return $x; }`, ``, `&`},
	{"foreach by reference", `function f($x) { foreach ($x as @$y) { g($y); } }`, ``, `&`},
	{"variadic parameter", `function f(@$x) {}`, ``, `...`},
	{"name of a parameter", `function f($@) {}`, `x`, `y`},
	{"name of a variable that is looked up", `function f() { $@ = g(); return get_defined_vars(); }`, `x`, `y`},
	{"name of a variable, compact", `function f() { $x = 1; $y = 2; return compact('@'); }`, `x`, `y`},
	{"name of a variable, extract", `function f($a) { $x = 1; extract($a); return $@; }`, `x`, `y`},
	{"name of a global", `function f() { global $@; return 1; }`, `x`, `y`},
	{"readonly property", `class C { public @ int $x; function __construct() { $this->x = 1; } }`, ``, `readonly`},
	{"readonly class", `@class C { public int $x; }`, ``, `readonly `},
	{"readonly promoted", `class C { function __construct(public @ int $x) {} }`, ``, `readonly`},
	{"promoted or not", `class C { function __construct(@ int $x) {} }`, ``, `public`},
	{"final class", `@class C {}`, ``, `final `},
	{"abstract class", `@class C {}`, ``, `abstract `},
	{"final method", `class C { @function f() {} }`, ``, `final `},
	{"final constant", `class C { @ const A = 1; }`, ``, `final`},
	{"visibility of a method", `class C { @ function f() {} }`, `public`, `protected`},
	{"visibility of a property", `class C { @ $f; }`, `public`, `private`},
	{"visibility of a constant", `class C { @ const F = 1; }`, `public`, `private`},
	{"parent", `class C extends @ {}`, `Exception`, `Error`},
	{"interface", `class C @ {}`, ``, `implements Countable2`},
	{"trait", `class C { use @; }`, `T`, `U`},
	{"rule for traits", `class C { use T, U { T::f insteadof U; U::f as @; } }`, `g`, `h`},
	{"name of a class", `class @ {}`, `C`, `D`},
	{"letters of a class's name", `class @ {}`, `Boat`, `boat`},
	{"name of a function", `function @() {}`, `f`, `g`},
	{"namespace", `namespace @; class C {}`, `A`, `B`},
	{"function of a namespace", `namespace A; function f($x) { return @strlen($x); }`, ``, `\`},
	{"constant that may be another's", `namespace A; return @PHP_OS;`, ``, `\`},
	{"settings that are the same here", `return ini_get('@_errors');`, `display`, `log`},
	{"a function that is called", `function f($x) { return @($x); }`, `trim`, `rtrim`},
	{"an operator", `function f($x, $y) { return $x @ $y; }`, `<`, `<=`},
	{"an assignment's operator", `function f($x, $y) { $x @= $y; return $x; }`, `+`, `-`},
	{"comparison", `function f($x, $y) { return $x @ $y; }`, `==`, `===`},
	{"negation", `function f($x) { if (@$x) { g(); } }`, ``, `!`},
	{"a condition that is not known", `function f($x) { return $x @ 5; }`, `??`, `?:`},
	{"null-safe", `function f($x) { return $x@->y; }`, ``, `?`},
	{"what an exception is caught as", `function f() { try { g(); } catch (@ $e) { h(); } }`, `Exception`, `Error`},
	{"finally", `function f() { try { g(); } finally { h(@); } }`, `1`, `2`},
	{"generator", `function f() { yield @; }`, `1`, `2`},
	{"what a generator returns", `function f() { yield 1; return @; }`, `1`, `2`},
	{"silence", `function f() { return @g(); }`, ``, `@`},
	{"name of an argument", `function f() { return g(@: 1); }`, `x`, `y`},
	{"spread", `function f($x) { return g(@$x); }`, ``, `...`},
	{"text of an assertion", `function f($x) { assert($x > @); }`, `1`, `2`},
	{"line", `function f() {@ return __LINE__; }`, ``, "\n"},
	{"line of a call", `function f($x) {@ g($x); h($x); }`, ``, "\n"},
	{"line of a throw", `function f($x) { throw@ new E($x); }`, ``, "\n"},
	{"what stands outside of PHP", `?>@<?php return 1;`, `tide`, `ebb`},
	{"warning of the compiler", `function f(@) { return $b; }`, `$b`, `$a = 1, $b`},
	{"anonymous class", `return new class { function f() { return @; } };`, `1`, `2`},
	{"value of a global constant expression", `define('A', @);`, `1`, `2`},
	{"goto", `function f() { a: g(); b: h(); if (i()) goto @; }`, `a`, `b`},
	{"include", `include @'x.php';`, ``, `'a' . `},
	{"kind of include", `@ 'x.php';`, `include`, `require`},
	{"exit", `exit(@);`, `1`, `2`},
	{"list with keys", `function f($x) { ['@' => $a] = $x; return $a; }`, `a`, `b`},
	{"isset", `function f($x) { return @($x['a']); }`, `isset`, `empty`},
	{"cast", `function f($x) { return (@) $x; }`, `int`, `float`},
	{"abstract body", `abstract class C { abstract function f(@); }`, `$a`, `$a, $b = 1`},
	{"enum constant", `enum E { case A; const B = self::A; const C = @; }`, `1`, `2`},
}

// TestDifferentCodeIsNotAlike: two texts that PHP, run on them, or a look by reflection can tell
// apart are never the same compiled code.
func TestDifferentCodeIsNotAlike(t *testing.T) {
	c := testCompiler(t)
	for _, d := range differing {
		one, other := "<?php "+strings.ReplaceAll(d.text, "@", d.one), "<?php "+strings.ReplaceAll(d.text, "@", d.other)
		a, b := compiled(t, c, one), compiled(t, c, other)
		switch {
		case a == nil || b == nil:
			t.Errorf("%s: not compiled: %q, %q", d.what, one, other)
		case bytes.Equal(a, b):
			t.Errorf("%s: alike: %q, %q", d.what, one, other)
		}
	}
}

func compiled(t *testing.T, c *hiddenCompiler, text string) []byte {
	t.Helper()
	a := alike{e: &Engine{}, lint: c.lint, compiler: c.compiler}
	b, err := a.compile([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestZerosAreNotForTheOptimiser: what it makes of zeros is shown by PHP itself, with and without
// it, and never makes two texts the same.
func TestZerosAreNotForTheOptimiser(t *testing.T) {
	c := testCompiler(t)
	text := filepath.Join(t.TempDir(), "zeros.php")
	if err := os.WriteFile(text, []byte("<?php function f(float $d) { return $d + 0.0; } function g($c) { $a = $c ? 0.0 : -0.0; return $a; } echo f(-0.0), ' ', g(false);"), 0o644); err != nil {
		t.Fatal(err)
	}
	for setting, want := range map[string]string{"opcache.enable_cli=0": "0 -0", "opcache.enable_cli=1": "-0 0"} {
		out, err := osexec.Command(lookPHP(t), "-d", setting, "-d", "opcache.file_update_protection=0", text).Output()
		if err != nil || string(out) != want {
			t.Errorf("%s: %q, %v; want %q: what opaque.go says is no longer so", setting, out, err, want)
		}
	}
	for _, d := range [][2]string{
		{`function f(float $d) { return $d + 0.0; }`, `function f(float $d) { return $d - 0.0; }`},
		{`function f(float $d) { return $d + 0; }`, `function f(float $d) { return $d; }`},
		{`function f(float $d) { return 0x0 + $d; }`, `function f(float $d) { return $d; }`},
		{`function f(float $d, $c) { if ($c) { $d = $d + 0; } return $d; }`, `function f(float $d, $c) { if (!$c) { $d = $d + 0; } return $d; }`},
		{`function f($c) { $a = $c ? 0.0 : -0.0; return $a; }`, `function f($c) { $a = $c ? -0.0 : 0.0; return $a; }`},
		{`function f($c) { $a = $c ? [.0] : [-.0]; return $a; }`, `function f($c) { $a = !$c ? [.0] : [-.0]; return $a; }`},
	} {
		one, other := compiled(t, c, "<?php "+d[0]), compiled(t, c, "<?php "+d[1])
		if one == nil || other == nil || bytes.Equal(one, other) {
			t.Errorf("alike, or not compiled: %q, %q", d[0], d[1])
		}
	}
	for text, want := range map[string]bool{"$x + 1": true, "$a -> b": false, "$a->b": false, "$i--": true, "!$x": false} {
		if maySign(text) != want {
			t.Errorf("%s: %t", text, !want)
		}
	}
}

func TestOpaqueKeepsTheRest(t *testing.T) {
	c := testCompiler(t)
	text := "<?php declare(strict_types=0);\nf(0, 10, 0.5, 1e-3, '0', \"$a[0]\", 0b0); // 0"
	tokens, err := c.lint.tokens([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	const n = ` \ASSAY_NUMBER_`
	want := "<?php declare(strict_types=0);\nf(" + n + "0 , 10, " + n + "0_POINT_5 , " + n + "1e_MINUS_3 , '0', \"$a[0]\", " + n + "0b0 ); // 0"
	if got, err := opaque([]byte(text), tokens); err != nil || string(got) != want {
		t.Errorf("%s\nwant\n%s\n%v", got, want, err)
	}
}

// TestSameCodeIsAlike: what PHP's optimiser makes the same is found to be the same, and any text
// is the same as itself, whatever was compiled between.
func TestSameCodeIsAlike(t *testing.T) {
	c := testCompiler(t)
	for _, d := range []struct{ one, other string }{
		{`return 1 + 1;`, `return 2;`},
		{`return 'a' . 'b';`, `return 'ab';`},
		{`function f() { $x = 5; return $x; }`, `function f() { return 5; }`},
		{`function f($a) { if (false) { g($a); } return $a; }`, `function f($a) { if (false) { h(1); } return $a; }`},
		{`function f($a) { if (false) { g($a); } return $a; }`, `function f($a) { return $a; }`},
		{`function f($a) { return $a; return 5; }`, `function f($a) { return $a; }`},
		{`function f($x) { $a = 1; if ($x) { $a = 2; } $a = 3; return $a; }`, `function f($x) { $a = 8; if ($x) { $a = 9; } $a = 3; return $a; }`},
		{`function f() { $a = null; $a = g(); return $a; }`, `function f() { $a = false; $a = g(); return $a; }`},
		{`function f($x) { return (bool) ($x > 3); }`, `function f($x) { return $x > 3; }`},
		{`function f(?int $x) { return null === $x; }`, `function f(?int $x) { return $x === null; }`},
		{`function f(int $x) { for ($i = 0; $i < $x; $i++) { g($i); } }`, `function f(int $x) { for ($i = 0; $i < $x; ++$i) { g($i); } }`},
		{`function f($x) { switch (g()) { case 1: g(); break; default: h(); break; } }`, `function f($x) { switch (g()) { case 1: g(); break; default: h(); } }`},
		{`function f($x) { if ($x > 1 && true) { g(); } }`, `function f($x) { if ($x > 1) { g(); } }`},
		{`class C { private const A = 3; function f($x) { return $x + self::A; } }`, `class C { private const A = 3; function f($x) { return $x + 3; } }`},
		{`function f() { return strlen('abc'); }`, `function f() { return 3; }`},
		{`function f() { return PHP_INT_SIZE >= 4; }`, `function f() { return PHP_INT_SIZE > 3; }`},
		{`function f() { return 1; /* a remark */ }`, `function f() { return 1; }`},
	} {
		one, other := compiled(t, c, "<?php "+d.one), compiled(t, c, "<?php "+d.other)
		if one == nil || !bytes.Equal(one, other) {
			t.Errorf("not alike: %q, %q", d.one, d.other)
		}
	}
	for _, d := range differing {
		text := "<?php " + strings.ReplaceAll(d.text, "@", d.one)
		before := compiled(t, c, text)
		compiled(t, c, "<?php "+strings.ReplaceAll(d.text, "@", d.other))
		if after := compiled(t, c, text); before == nil || !bytes.Equal(before, after) {
			t.Errorf("%s: not the same as itself", d.what)
		}
	}
}

// TestNothingStale: what PHP refuses to compile has no compiled form, and above all not that of
// the text before.
func TestNothingStale(t *testing.T) {
	c := testCompiler(t)
	for _, refused := range []string{`<?php return ;;) 1`, `<?php class A { public private $x; }`, `<?php function f() {} function f() {}`} {
		if compiled(t, c, `<?php return 1;`) == nil {
			t.Fatal("nothing was compiled")
		}
		if compiled(t, c, refused) != nil {
			t.Errorf("%s has been compiled", refused)
		}
	}
}

// TestCompilingRunsNothing: neither a text nor a file that PHP's settings have run before is run.
func TestCompilingRunsNothing(t *testing.T) {
	php, dir := phpAndHarness(t)
	trace := filepath.Join(dir, "trace")
	if err := os.WriteFile(filepath.Join(dir, "before.php"), []byte("<?php touch('"+trace+"'); class C {}"), 0o644); err != nil {
		t.Fatal(err)
	}
	c, err := startCompiler(context.Background(), []string{php, "-d", "auto_prepend_file=" + filepath.Join(dir, "before.php")}, dir, filepath.Join(dir, "compiled"))
	if err != nil {
		t.Fatal(err)
	}
	defer c.close()
	for _, text := range []string{"<?php touch('" + trace + "'); class C {} exit(1);", "<?php class C {}"} {
		if made, err := c.compile([]byte(text)); made == nil || err != nil {
			t.Errorf("%s is not compiled: %v", text, err)
		}
	}
	if _, err := os.Stat(trace); !errors.Is(err, fs.ErrNotExist) {
		t.Error("code was run")
	}
}

// TestNoCompiler: a PHP without opcache is refused by name, and so is one that cannot fork.
func TestNoCompiler(t *testing.T) {
	php, dir := phpAndHarness(t)
	for _, row := range []struct {
		argv []string
		want string
	}{
		{[]string{php, "-n"}, "PHP has no opcache"},
		{[]string{php, "-d", "disable_functions=pcntl_fork"}, "PHP cannot fork"},
		{[]string{"/bin/false"}, "PHP does not start with opcache's file cache"},
		{[]string{"/bin/echo"}, "PHP prints something before it runs a script"},
	} {
		c, err := startCompiler(context.Background(), row.argv, dir, filepath.Join(dir, "compiled"))
		var why notComparable
		if c != nil || !errors.As(err, &why) || string(why) != row.want {
			t.Errorf("%v: %v; want %q", row.argv, err, row.want)
		}
	}
}

func TestSaysPlace(t *testing.T) {
	for text, want := range map[string]bool{"<?php return __DIR__;": true, "<?php return strlen(__file__) > 5;": true, "<?php return __LINE__ . 'dir';": false, "<?php __halt_compiler();": true} {
		if saysPlace([]byte(text)) != want {
			t.Errorf("%s: %t", text, !want)
		}
	}
}
