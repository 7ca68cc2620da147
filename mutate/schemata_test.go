package mutate

import (
	"strings"
	"testing"

	"assay/mutate/syntax"
)

// TestPlaces: where a copy of the code can stand that has a change. Each case is a
// function's body, with « and » around what is changed, the new text, and the
// place, "" for none.
func TestPlaces(t *testing.T) {
	for _, c := range []struct{ body, change, want string }{
		{"return $a «+» 1;", "-", "statement return $a + 1;"},
		{"if ($a «<» 1) { f(); }", "<=", "condition ($a < 1)"},
		{"if ($a) return «1»;", "0", "body return 1;"},
		{"if ($a): return «1»; endif;", "0", "statement return 1;"},
		{"foreach ($a as $b) { g($b «.» 'x'); }", "", "statement g($b . 'x');"},
		{"«foreach» ($a as $b) { g($b); continue; }", "if (false) foreach", ""},
		{"«foreach ($a as $b)» { g($b); }", "if (false)", "statement foreach ($a as $b) { g($b); }"},
		{"f(\n$a «+» 1,\n2);", "-", "expression $a + 1"},
		{"f(\n«$a»,\n2);", "$b", "statement f(\n$a,\n2);"}, // a reference, perhaps
		{"return [\n«g($a)»,\n];", "$a", "expression g($a)"},
		{"return f(\n«g($a)»,\n1);", "$a", "expression g($a)"},                         // the result of a function is no reference
		{"return \\end(\n«g($a)»,\n1);", "$a", "statement return \\end(\ng($a),\n1);"}, // but there, with a notice
		{"return match ($a) {\n«1 => 2,\n»default => 3 };", "", "arm 1"},
		{"return match ($a) {\n«1, 2 => 2,\n»default => 3 };", "", "statement return match ($a) {\n1, 2 => 2,\ndefault => 3 };"},
		{"return match ($a) {\n«default => 3,\n»1 => 2 };", "", "statement return match ($a) {\ndefault => 3,\n1 => 2 };"},
		{"foreach («$a['b']» as $c) {\n}", "[]", "expression $a['b']"},
		{"foreach («$a['b']» as &$c) {\n}", "[]", "statement foreach ($a['b'] as &$c) {\n}"},
		{"$f = function () { return «1»; };", "0", "statement return 1;"},
		{"$f = fn () => $a «+» 1;", "-", "statement $f = fn () => $a + 1;"},
		{"static $n = «1»;", "0", ""},
		{"$x = new class { public $y = «1»; };", "0", ""},
		{"return $a «+» 1; end: f(); goto end;", "-", ""},
		{"if ($a) { «break»; }", "continue", ""},
		{"«yield $a;»", ";", ""},
		{"«yield $a;» yield 2;", ";", "statement yield $a;"},
		{"f(<<<X\n$a\nX, «1»);", "0", "expression 1"}, // on its own line
		{"switch ($a) { case «1»: f(); }", "2", "statement switch ($a) { case 1: f(); }"},
		{"f($a, «__LINE__»);", "0", "statement f($a, __LINE__);"},
		{"foreach («$a» as $b) {\n}", "[]", "expression $a"},
		{"foreach («$a» as &$b) {\n}", "[]", "statement foreach ($a as &$b) {\n}"},
		{"foreach ($a as $b) {\nf(); «»}", "break; ", "statement "},
		{"$x = [\n«'k' => $a,\n»$b];", "", "element 'k' => $a"},
		{"$x = [\n'k' => [«[1, 2]»],\n$b];", "", "element [1, 2]"},
		{"$x = [\n«'7' => $a,\n»$b];", "", "statement $x = [\n'7' => $a,\n$b];"}, // an integer, to PHP
		{"[\n$a[«1»], $b] = $c;", "2", "expression 1"},
		{"return $a\n?? «throw new E('x')»;", "null", "expression throw new E('x')"},
		{"return $a[«1»]\n?? 2;", "2", "expression 1"},
		{"return «1»\n?? 2;", "3", "statement return 1\n?? 2;"},
		{"f(\n«&$a»);", "$a", "statement f(\n&$a);"},
	} {
		before, rest, _ := strings.Cut(c.body, "«")
		old, after, _ := strings.Cut(rest, "»")
		const head = "<?php class C { function m() { "
		text := head + before + old + after + " } }"
		f, err := syntax.Parse("f.php", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		src := &Source{Path: "f.php", Text: []byte(text)}
		points := Layout(f, src, 1)
		start := len(head) + len(before)
		m := &Mutant{Source: src, Edit: Edit{Span: syntax.Span{Start: start, End: start + len(old)}, New: c.change}}
		points.Locate(f, m)
		got := ""
		if m.Place.Kind != NoPlace {
			got = [...]string{"", "statement ", "body ", "condition ", "expression ", "element ", "arm "}[m.Place.Kind] + text[m.Place.Start:m.Place.End]
		}
		if got != c.want {
			t.Errorf("%s: the place is %q, want %q", c.body, got, c.want)
		}
	}
}

// TestCombine: mutants of one file in one text, on the lines that they have.
func TestCombine(t *testing.T) {
	const text = "<?php\nfunction f($a) {\n    if ($a < 1)\n        g($a + 2);\n    return h(\n        $a - 3,\n        4\n    );\n}\n"
	s := combined(t, "src/f.php", text, [][2]string{{"< 1", "<= 1"}, {"< 1", "!= 1"}, {"+", "-"}, {"$a - 3", "3"}, {"h(\n        $a - 3,\n        4\n    )", "null"}, {"4\n    )", "4)"}})
	const place, mutant = `\PHPUnit\AssayHarness\MutantSwitch::$place===`, `\PHPUnit\AssayHarness\MutantSwitch::$mutant===`
	want := "<?php\nfunction f($a) { \\PHPUnit\\AssayHarness\\MutantSwitch::$files->used[1]=1;\n" +
		"    if (" + place + "1?(" + mutant + "1?(($a <= 1)):(($a != 1))):(($a < 1)))\n" +
		"        {if(" + place + "3){if(" + mutant + "3){g($a - 2);}}else{g($a + 2);}}\n" +
		"    return (" + place + "5?(null):(h(\n" +
		"        (" + place + "4?(3):($a - 3)),\n        4\n    )));\n}\n"
	if string(s.Text) != want {
		t.Errorf("got\n%s\nwant\n%s", s.Text, want)
	}
	if s.Places[2] != 1 || s.Places[4] != 4 || s.Places[6] != 0 {
		t.Errorf("places %v", s.Places)
	}
}

// combined has mutants of a text in it: each is what is to be found, once, and what
// stands there instead.
func combined(t *testing.T, path, text string, changes [][2]string) Schemata {
	t.Helper()
	f, err := syntax.Parse(path, []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	src := &Source{Path: path, Text: []byte(text)}
	points := Layout(f, src, 1)
	var ms []Numbered
	for i, c := range changes {
		start := strings.Index(text, c[0])
		m := &Mutant{Source: src, Edit: Edit{Span: syntax.Span{Start: start, End: start + len(c[0])}, New: c[1]}}
		points.Locate(f, m)
		ms = append(ms, Numbered{m, i + 1})
	}
	return points.Combine(ms)
}

// TestLoopsInSchemata: loops are counted in the code as it is and in the copies,
// once each, and not where the change has taken one half of the braces away.
func TestLoopsInSchemata(t *testing.T) {
	const counts = `\PHPUnit\AssayHarness\MutantSwitch::$counts&&\assay_hit`
	const place, mutant = `\PHPUnit\AssayHarness\MutantSwitch::$place===`, `\PHPUnit\AssayHarness\MutantSwitch::$mutant===`
	for _, c := range []struct {
		text    string
		changes [][2]string
		want    string
	}{
		{"while ($a > 1) $a = $a - 2;", [][2]string{{"-", "+"}, {"while ($a > 1) $a", "if (0) $a"}},
			counts + "(2); if(" + place + "2){if(" + mutant + "2){if (0) $a = $a - 2;}}else{" +
				"while ($a > 1) { " + counts + "(3); {if(" + place + "1){if(" + mutant + "1){$a = $a + 2;}}else{$a = $a - 2;}}} ;}"},
		{"for (; $a > 1; --$a) h();", [][2]string{{">", "<"}},
			counts + "(2); if(" + place + "1){if(" + mutant + "1){for (; $a < 1; --$a) { " + counts + "(3); h(); ;}}}else{" +
				"for (; $a > 1; --$a) { " + counts + "(3); h();} ;}"},
	} {
		text := "<?php\nfunction f($a) {\n    " + c.text + "\n}\n"
		want := "<?php\nfunction f($a) { \\PHPUnit\\AssayHarness\\MutantSwitch::$files->used[1]=1;\n    " + c.want + "\n}\n"
		if got := string(combined(t, "f.php", text, c.changes).Text); got != want {
			t.Errorf("got\n%s\nwant\n%s", got, want)
		}
	}
}
