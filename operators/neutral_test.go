package operators

import (
	"encoding/json"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"assay/mutate"
	"assay/mutate/syntax"
)

// askPHP runs a script and reads what it prints as JSON.
func askPHP(t *testing.T, script string, question, answer any) {
	t.Helper()
	text, err := json.Marshal(question)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "ask.php")
	if err := os.WriteFile(file, []byte(script), 0o600); err != nil {
		t.Fatal(err)
	}
	c := osexec.Command("php", "-d", "display_errors=stderr", "-d", "error_reporting=85", file)
	c.Stdin, c.Stderr = strings.NewReader(string(text)), os.Stderr
	out, err := c.Output()
	if err != nil {
		t.Fatalf("this test needs PHP: %v", err)
	}
	if err := json.Unmarshal(out, answer); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
}

// phpValues are values of every kind.
const phpValues = `$values = [null, true, false, 0, 1, -1, 2, 7, 1.5, 2.5, -0.0, NAN, INF, '', '0', '1', '7', '01', '00', '1e1', '10',
	' 1', 'a', 'A', 'aBc d', 'Abc D', ' a ', 'xaxx', '12abc', 'ebb', '-', "\n1", [], [0], [1, 2], ['1'], ['a' => 1, 'B' => 2], [3 => 'x', 5 => 'x'],
	new DateTime('2001-02-03'), new stdClass(), new ArrayObject(), new SimpleXMLElement('<a/>'), fn() => 1];
`

// bothOutcomes says, for each case, with which arguments two functions do not do the same:
// give a value of the same type, or throw an error of the same class.
const bothOutcomes = `<?php ` + phpValues + `
$show = function ($v) use (&$show) {
	return is_array($v) ? serialize(array_map($show, $v)) : (is_object($v) ? get_class($v) : serialize($v));
};
$do = function ($f, $args) use ($show) {
	try { $v = $f(...$args); } catch (Throwable $e) { return 'throws ' . get_class($e); }
	return $show($v);
};
$answers = [];
foreach (json_decode(stream_get_contents(STDIN)) as [$original, $mutant]) {
	$f = eval($original);
	$g = eval($mutant);
	$n = (new ReflectionFunction($f))->getNumberOfParameters();
	$told = $ran = 0;
	foreach ($values as $a) {
		foreach ($n > 1 ? $values : [null] as $b) {
			$args = array_slice([$a, $b], 0, $n);
			$x = $do($f, $args);
			$ran += strncmp($x, 'throws', 6) !== 0;
			$told += $x !== $do($g, $args);
		}
	}
	$answers[] = [$told, $ran];
}
echo json_encode($answers);
`

// TestNeutral: PHP itself does the same with an original and a mutant that is not made, for
// values of every kind, and tells a near miss, which is made, from its original.
func TestNeutral(t *testing.T) {
	type question [2]string
	var questions []question
	for _, c := range neutralCases {
		questions = append(questions, question{c.function(c.original), c.function(c.mutant)})
	}
	var answers [][2]int // values that tell the two apart, values for which the original throws nothing
	askPHP(t, bothOutcomes, questions, &answers)
	for i, c := range neutralCases {
		made := c.made(t)
		if told := answers[i][0]; made != (told > 0) || made != c.differs || answers[i][1] == 0 {
			t.Errorf("%s: %s => %s: made %v, %d values of PHP's tell them apart, %d run", c.operator, c.function(c.original), c.mutant, made, told, answers[i][1])
		}
	}
}

// loops is a case of a loop that begins with a text, and ends after 30 turns if not before.
func loops(begin, from, to string, differs bool) neutralCase {
	text := "(function ($s) { $t = ''; " + begin + " $t .= 'x' . $i; if ($i > 30) { break; } } return $t . $i; })($a)"
	return neutralCase{"relational/any-difference", "$a)", text, strings.Replace(text, from, to, 1), differs}
}

// A neutralCase is a function's expression and what an operator may make of it.
type neutralCase struct {
	operator, head, original, mutant string // head: parameters and return type
	differs                          bool
}

func (c neutralCase) function(expr string) string {
	head, strict := strings.CutPrefix(c.head, "strict ")
	text := "return function (" + head + " { return " + expr + "; };"
	if strict {
		text = "declare(strict_types=1); " + text
	}
	return text
}

// made reports whether the operator makes the mutant.
func (c neutralCase) made(t *testing.T) bool {
	text := "<?php " + c.function(c.original)
	f, err := syntax.Parse("neutral", []byte(text))
	if err != nil || len(f.Damage) > 0 {
		t.Fatalf("%s: %v %v", text, err, f.Damage)
	}
	ops := All()
	i := slices.IndexFunc(ops, func(op *mutate.Operator) bool { return op.ID == c.operator })
	if i < 0 {
		t.Fatalf("no operator %s", c.operator)
	}
	return slices.ContainsFunc(mutate.EditsOf(f, ops[i]), func(e mutate.SiteEdit) bool {
		return string(e.Edit.Apply(f.Src)) == "<?php "+c.function(c.mutant)
	})
}

var neutralCases = []neutralCase{
	{"connective/or-left-dropped", "array $a)", "isset($a['k']) || array_key_exists('k', $a)", "array_key_exists('k', $a)", false},
	{"connective/and-left-dropped", "array $a)", "!isset($a['k']) && !array_key_exists('k', $a)", "!array_key_exists('k', $a)", false},
	{"connective/and-left-dropped", "array $a)", "!isset($a[1]) && !array_key_exists('k', $a)", "!array_key_exists('k', $a)", true},
	{"connective/or-left-dropped", "array $a)", "isset($a[1]) || array_key_exists('k', $a)", "array_key_exists('k', $a)", true},
	{"ternary/elvis-null-only", "?DateTime $a)", "$a ?: 1", "$a ?? 1", false},
	{"ternary/elvis-null-only", "?SimpleXMLElement $a)", "$a ?: 1", "$a ?? 1", true},
	{"ternary/elvis-null-only", "?Countable $a)", "$a ?: 1", "$a ?? 1", true},
	{"ternary/elvis-null-only", "?object $a)", "$a ?: 1", "$a ?? 1", true},
	{"ternary/elvis-null-only", "$a)", "$a ?: 1", "$a ?? 1", true},
	{"ternary/elvis-null-only", ")", "new ArrayObject() ?: 1", "new ArrayObject() ?? 1", false},
	{"ternary/elvis-null-only", "$a)", "$a . 'a' ?: 1", "$a . 'a' ?? 1", false},
	{"ternary/fallback-dropped", ")", "new ArrayObject() ?: 1", "new ArrayObject()", false},
	{"ternary/fallback-dropped", ")", "new SimpleXMLElement('<a/>') ?: 1", "new SimpleXMLElement('<a/>')", true},
	{"ternary/fallback-dropped", "$a)", "[$a] ?: 1", "[$a]", false},
	{"ternary/fallback-dropped", "array $a)", "[...$a] ?: 1", "[...$a]", true},
	{"ternary/fallback-dropped", "$a)", "\"x$a\" ?: 1", "\"x$a\"", false},
	{"ternary/fallback-dropped", "$a)", "\"$a\" ?: 1", "\"$a\"", true},
	{"ternary/fallback-dropped", ")", "'0' ?: 1", "'0'", true},
	{"ternary/fallback-dropped", "$a)", "function () {} ?: 1", "function () {}", false},
	{"ternary/fallback-dropped", ")", "clone new DateTime() ?: 1", "clone new DateTime()", false},
	{"coalesce/substitute-dropped", "string $a)", "$a ?? 1", "$a", false},
	{"coalesce/substitute-dropped", "?string $a)", "$a ?? 1", "$a", true},
	{"coalesce/substitute-dropped", "$a)", "strlen($a) ?? 1", "strlen($a)", false},
	{"coalesce/empty-as-missing", "?DateTime $a)", "$a ?? 1", "$a ?: 1", false},
	{"coalesce/empty-as-missing", "?Stringable $a)", "$a ?? 1", "$a ?: 1", true},

	{"call/string-step-dropped", "$a)", "trim(trim($a))", "trim($a)", false},
	{"call/string-step-dropped", "$a)", "trim(rtrim($a))", "trim($a)", false},
	{"call/string-step-dropped", "$a)", "trim(trim($a, 'x'))", "trim($a)", true},
	{"call/string-step-dropped", "$a)", "trim(trim($a, 'x'), 'x')", "trim($a, 'x')", false},
	{"call/string-step-dropped", "$a)", "strtolower(ucfirst($a))", "strtolower($a)", false},
	{"call/string-step-dropped", "$a)", "strtolower(strtoupper($a))", "strtolower($a)", false},
	{"call/string-step-dropped", "$a)", "strtoupper(lcfirst($a))", "strtoupper($a)", false},
	{"call/string-step-dropped", "$a)", "ucfirst(lcfirst($a))", "ucfirst($a)", false},
	{"call/string-step-dropped", "$a)", "ucfirst(strtolower($a))", "ucfirst($a)", true},
	{"call/string-step-dropped", "$a)", "ucwords(ucwords($a))", "ucwords($a)", false},
	{"call/string-step-dropped", "$a)", "str_pad(str_pad($a, 3, 'x'), 3, 'x')", "str_pad($a, 3, 'x')", false},
	{"call/string-step-dropped", "$a)", "str_pad(str_pad($a, 3, 'x'), 9, 'x')", "str_pad($a, 3, 'x')", true},
	{"call/array-step-dropped", "$a)", "array_values(array_values($a))", "array_values($a)", false},
	{"call/array-step-dropped", "$a)", "array_values(array_keys($a))", "array_keys($a)", false},
	{"call/array-step-dropped", "$a)", "array_values(explode('x', $a))", "explode('x', $a)", false},
	{"call/array-step-dropped", "$a)", "array_values(array_unique($a))", "array_unique($a)", true},
	{"call/array-step-dropped", "$a)", "array_change_key_case(array_change_key_case($a))", "array_change_key_case($a)", false},
	{"call/number-step-dropped", "$a)", "abs(abs($a))", "abs($a)", false},
	{"call/number-step-dropped", "$a)", "floor(floor($a))", "floor($a)", false},
	{"call/number-step-dropped", "$a)", "ceil(ceil($a))", "ceil($a)", false},
	{"call/number-step-dropped", "$a)", "abs(strlen($a))", "strlen($a)", false},
	{"call/number-step-dropped", "$a)", "intval(strlen($a))", "strlen($a)", false},
	{"call/number-step-dropped", "$a)", "strval(trim($a))", "trim($a)", false},
	{"call/number-step-dropped", "$a)", "intval($a)", "$a", true},
	{"call/part-dropped", "$a)", "max(0, strlen($a))", "strlen($a)", false},
	{"call/part-dropped", "$a)", "max(1, strlen($a))", "strlen($a)", true},
	{"call/end-swapped", "$a)", "trim(ltrim($a))", "trim(rtrim($a))", false},
	{"call/end-swapped", "$a)", "trim(ltrim($a, 'x'))", "trim(rtrim($a, 'x'))", true},

	{"relational/any-difference", "$a)", "count($a) > 0", "count($a) != 0", false},
	{"relational/any-difference", "$a)", "0 < strlen($a)", "0 != strlen($a)", false},
	{"relational/any-difference", "$a, $b)", "preg_match($a, $b) > 0", "preg_match($a, $b) != 0", false},
	{"relational/any-difference", "$a)", "strlen($a) > 1", "strlen($a) != 1", true},
	{"relational/any-difference", "$a)", "$a > 0", "$a != 0", true},
	loops("$n = strlen($s); for ($i = 0; $i < $n; $i++) {", "$i < $n", "$i != $n", false),
	loops("for ($i = 0, $n = strlen($s); $i < $n; ++$i) {", "$i < $n", "$i != $n", false),
	loops("for ($i = 0; $i < strlen($s) && $i < 2; ++$i) {", "$i < strlen($s)", "$i != strlen($s)", false),
	loops("for ($i = 2; $i < 5; $i++) {", "$i < 5", "$i != 5", false),
	loops("for ($i = 6; $i < 5; $i++) {", "$i < 5", "$i != 5", true),
	loops("for ($i = 1; $i < strlen($s); $i++) {", "$i < strlen($s)", "$i != strlen($s)", true),
	loops("for ($i = 0; $i < strlen($s); $i++) { $i++;", "$i < strlen($s)", "$i != strlen($s)", true),
	loops("for ($i = 0; $i < strlen($s); $i += 2) {", "$i < strlen($s)", "$i != strlen($s)", true),
	loops("for ($i = 0; $i < strlen($s); $i++) { $s = substr($s, 2);", "$i < strlen($s)", "$i != strlen($s)", true),
	loops("$n = strlen($s) - 1; for ($i = 0; $i < $n; $i++) {", "$i < $n", "$i != $n", true),
	loops("$n = strlen($s); for ($i = 0; $i < $n; $i++) { $n--; $n--;", "$i < $n", "$i != $n", true),
	loops("for ($i = 0; $i < $s; $i++) {", "$i < $s", "$i != $s", true),
	{"relational/boundary-only", "$a)", "strlen($a) <= 0", "strlen($a) == 0", false},
	{"relational/boundary-only", "$a)", "0 >= count($a)", "0 == count($a)", false},
	{"relational/boundary-only", "$a)", "strlen($a) <= 1", "strlen($a) == 1", true},

	{"typecheck/number-cast-dropped", "bool $a): int", "(int) $a", "$a", false},
	{"typecheck/number-cast-dropped", "strict bool $a): int", "(int) $a", "$a", true},
	{"typecheck/number-cast-dropped", "int $a): float", "(float) $a", "$a", false},
	{"typecheck/number-cast-dropped", "strict int $a): float", "(float) $a", "$a", false},
	{"typecheck/number-cast-dropped", "bool $a): float", "(float) $a", "$a", false},
	{"typecheck/number-cast-dropped", "?int $a): float", "(float) $a", "$a", true},
	{"typecheck/number-cast-dropped", "string $a): int", "(int) $a", "$a", true},
	{"typecheck/number-cast-dropped", "float $a): int", "(int) $a", "$a", true},
	{"typecheck/number-cast-dropped", "int $a)", "(float) $a", "$a", true},
	{"typecheck/number-cast-dropped", "int $a): float|int", "(float) $a", "$a", true},
	{"typecheck/string-cast-dropped", "int $a): string", "(string) $a", "$a", false},
	{"typecheck/string-cast-dropped", "float $a): ?string", "(string) $a", "$a", false},
	{"typecheck/string-cast-dropped", "bool $a): string", "(string) $a", "$a", false},
	{"typecheck/string-cast-dropped", "strict int $a): string", "(string) $a", "$a", true},
	{"typecheck/string-cast-dropped", "?int $a): string", "(string) $a", "$a", true},
	{"typecheck/bool-cast-dropped", "int $a): bool", "(bool) $a", "$a", false},
	{"typecheck/bool-cast-dropped", "float $a): bool", "(bool) $a", "$a", false},
	{"typecheck/bool-cast-dropped", "string $a): bool", "(bool) $a", "$a", false},
	{"typecheck/bool-cast-dropped", "array $a): bool", "(bool) $a", "$a", true},
	{"typecheck/bool-cast-dropped", "$a): bool", "(bool) $a", "$a", true},

	{"sameness/loosened", "float $a, float $b)", "$a === $b", "$a == $b", false},
	{"sameness/loosened", "int $a, float $b)", "$a === $b", "$a == $b", true},
	{"sameness/loosened", "string $a)", "$a[0] === '1'", "$a[0] == '1'", false},
	{"sameness/loosened", "string $a)", "substr($a, 0, 1) === \"0\"", "substr($a, 0, 1) == \"0\"", false},
	{"sameness/loosened", "string $a)", "substr($a, 0, 2) === '0'", "substr($a, 0, 2) == '0'", true},
	{"sameness/loosened", "$a)", "$a[0] === '1'", "$a[0] == '1'", true},
	{"call/strict-dropped", "string $a)", "in_array($a, ['ebb', 'a', '-'], true)", "in_array($a, ['ebb', 'a', '-'])", false},
	{"call/strict-dropped", "$a)", "in_array($a, ['ebb', 'a', '-'], true)", "in_array($a, ['ebb', 'a', '-'])", true},
	{"call/strict-dropped", "string $a)", "in_array($a, ['ebb', '1'], true)", "in_array($a, ['ebb', '1'])", true},
	{"call/strict-dropped", "string $a)", "in_array($a, [\"\\n1\"], true)", "in_array($a, [\"\\n1\"])", true},
	{"call/strict-dropped", "string $a)", "array_search($a[0], ['7', '1'], true)", "array_search($a[0], ['7', '1'])", false},
	{"call/strict-dropped", "int $a)", "in_array($a, [1, -1], true)", "in_array($a, [1, -1])", false},
	{"call/strict-dropped", "int $a)", "in_array($a, [1, '7'], true)", "in_array($a, [1, '7'])", true},

	{"bitwise/right-flag-dropped", "int $a)", "$a | 0", "$a", false},
	{"bitwise/right-flag-dropped", "$a)", "$a | 0", "$a", true},
	{"bitwise/left-flag-dropped", "int $a)", "0 | $a", "$a", false},
	{"bitwise/toggle-never-clears", "$a)", "$a ^ 0", "$a | 0", false},
	{"bitwise/toggle-never-clears", "$a)", "$a ^ 1", "$a | 1", true},
	{"assignment/bits-reversed", "$a)", "$a ^= 0", "$a |= 0", false},
	{"assignment/bits-reversed", "$a)", "$a <<= 0", "$a >>= 0", false},
	{"assignment/bits-reversed", "$a)", "$a <<= 1", "$a >>= 1", true},

	{"extent/one-more", "string $a)", "substr($a, 1, strlen($a))", "substr($a, 1, strlen($a) + 1)", false},
	{"extent/one-less", "string $a)", "substr($a, 1, strlen($a))", "substr($a, 1, strlen($a) - 1)", false},
	{"extent/one-more", "string $a, string $b)", "substr($a, 1, strlen($b))", "substr($a, 1, strlen($b) + 1)", true},
	{"extent/one-less", "array $a, string $b)", "array_slice($a, 0, strlen($b))", "array_slice($a, 0, strlen($b) - 1)", true},
	{"extent/one-less", "string $a, int $b)", "strlen($a) > $b", "strlen($a) - 1 > $b", true},
	{"arithmetic/fraction-kept", "int $a)", "(int) intdiv($a, 2)", "(int) ($a / 2)", false},
	{"arithmetic/fraction-kept", "int $a)", "intdiv($a, 2)", "$a / 2", true},
	{"connective/isset-part-dropped", "$a)", "isset($a, $a['a'])", "isset($a['a'])", false},
	{"connective/isset-part-dropped", "$a)", "isset($a, $a['a'])", "isset($a)", true},
	{"connective/isset-part-dropped", "$a)", "isset($a, $a)", "isset($a)", false},
	{"connective/regrouped", "$a, $b)", "$a && $b || is_int($b)", "$a && ($b || is_int($b))", true},
	{"array/merge-united", "array $a)", "array_merge($a, [3])", "$a + [3]", true},
	{"array/union-merged", "array $a)", "$a + [3]", "array_merge($a, [3])", true},
	{"text/values-exchanged", "$a, $b)", "sprintf('%s', 1, $a, $b)", "sprintf('%s', 1, $b, $a)", false},
	{"text/values-exchanged", "$a)", "sprintf('%s', 1, $a)", "sprintf('%s', $a, 1)", true},
}

// TestCertainFunctions: PHP's functions give the type that certain believes, or throw, for
// values of every kind.
func TestCertainFunctions(t *testing.T) {
	names := map[string]string{}
	for name, typ := range certainFunctions {
		switch name {
		case "isset", "empty", "func_num_args", "func_get_args": // no functions, or only within one
		default:
			names[name] = typ
		}
	}
	var answers map[string][]string
	askPHP(t, `<?php `+phpValues+`
$answers = [];
foreach (json_decode(stream_get_contents(STDIN), true) as $name => $type) {
	$answers[$name] = [];
	$lists = [[]];
	foreach ($values as $a) {
		$lists[] = [$a];
		foreach ($values as $b) {
			array_push($lists, [$a, $b], [$a, $b, 2], [$a, $b, 'x']);
		}
	}
	foreach ($lists as $args) {
		try { $answers[$name][get_debug_type($name(...$args))] = true; } catch (Throwable $e) {}
	}
	$answers[$name] = array_keys($answers[$name]);
}
echo json_encode($answers);
`, names, &answers)
	for name, typ := range names {
		if got := answers[name]; !slices.Equal(got, []string{typ}) {
			t.Errorf("%s gives %v, want %s alone", name, got, typ)
		}
	}
}

// TestTrueClasses: PHP takes no object of these classes for empty, and such of others.
func TestTrueClasses(t *testing.T) {
	asked := []string{"SimpleXMLElement"}
	for name := range trueClasses {
		asked = append(asked, name)
	}
	var empty []string
	askPHP(t, `<?php $empty = [];
foreach (json_decode(stream_get_contents(STDIN)) as $name) {
	$args = ['datetimezone' => ['UTC'], 'dateinterval' => ['P0D'], 'SimpleXMLElement' => ['<a/>']];
	if (!new $name(...$args[$name] ?? [])) $empty[] = $name;
}
echo json_encode($empty);
`, asked, &empty)
	if !slices.Equal(empty, []string{"SimpleXMLElement"}) {
		t.Errorf("PHP takes objects of %v for empty", empty)
	}
}

// TestDefaultsOfDoubles asks PHPUnit and PHP where the default of a method without a body
// is used: in a test double, but not for a constructor or a static method, which a double
// cannot run or does not hear of.
func TestDefaultsOfDoubles(t *testing.T) {
	file := filepath.Join(t.TempDir(), "DoubleTest.php")
	if err := os.WriteFile(file, []byte(`<?php
interface Quay { function moor(int $a = 5); static function of(int $a = 5); function __construct(int $a = 5); }
class Pier implements Quay { function __construct(public int $n = 6) {} function moor(int $a = 7) { return $a; } static function of(int $a = 8) { return $a; } }
class DoubleTest extends PHPUnit\Framework\TestCase {
	function testDouble(): void {
		$double = $this->createMock(Quay::class);
		$double->expects($this->once())->method('moor')->with(5);
		$double->moor();
		$class = get_class($double);
		try { $class::of(); $this->fail(); } catch (PHPUnit\Framework\MockObject\BadMethodCallException $e) {}
	}
	function testCall(): void {
		$this->assertSame([6, 7, 8], [(new Pier())->n, (new Pier())->moor(), Pier::of()]);
	}
}
`), 0o600); err != nil {
		t.Fatal(err)
	}
	c := osexec.Command("phpunit", "--no-configuration", file)
	c.Dir = filepath.Dir(file)
	if out, err := c.CombinedOutput(); err != nil || !strings.Contains(string(out), "OK (2 tests, ") {
		t.Errorf("%v\n%s", err, out)
	}
}
