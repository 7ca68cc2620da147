package mutate

import (
	"strings"
	"testing"

	"assay/mutate/syntax"
)

func pointsOf(t *testing.T, src string) *Points {
	t.Helper()
	f, err := syntax.Parse("f.php", []byte(src))
	if err != nil {
		t.Fatal(err)
	}
	return Layout(f, &Source{Path: "f.php", Text: []byte(src)}, 1)
}

const callsSource = `<?php
function f($a) { return $a; }
class C {
	public function m(int $n) {
		$g = function () { return 1; };
		if ($n > 1) { return time(); }
		return $g() + $n;
	}
	private function p() { return 2; }
	static function s() { foreach ([1] as $x) { yield $x; } return; }
	function &r() { static $x; return $x; }
}
`

// TestCalling: public functions tell of their calls and what they give, on the same lines;
// closures, private functions, generators and references give what they give untold.
func TestCalling(t *testing.T) {
	p := pointsOf(t, callsSource)
	got := string(p.Calling())
	if strings.Count(got, "\n") != strings.Count(callsSource, "\n") {
		t.Error("lines have moved")
	}
	got = strings.ReplaceAll(got, `\PHPUnit\AssayHarness\MutantSwitch::`, "@")
	lines := strings.Split(got, "\n")
	for i, want := range map[int][]string{
		1:  {"@$calls->enter(", ",null,", "return @left($assayCall,$a);"},
		3:  {"@$calls->enter(", ",$this,"},
		4:  {"return 1;"},
		5:  {"return @left($assayCall,time());"},
		6:  {"return @left($assayCall,$g() + $n);"},
		8:  {"return 2;", "@$files->used["},
		9:  {"@$calls->enter(", ",static::class,", "return;"},
		10: {"@$calls->enter(", "return $x;"},
	} {
		for _, w := range want {
			if !strings.Contains(lines[i], w) {
				t.Errorf("line %d lacks %q: %s", i+1, w, lines[i])
			}
		}
	}
	if strings.Contains(lines[8], "->enter(") || strings.Contains(lines[9], "@left") {
		t.Errorf("too much is told:\n%s\n%s", lines[8], lines[9])
	}
}

// TestOwn: the code of a point is that of its statement without those in it.
func TestOwn(t *testing.T) {
	found := map[string]bool{}
	for _, code := range pointsOf(t, callsSource).Own() {
		found[strings.Join(strings.Fields(code), " ")] = true
	}
	for _, want := range []string{"return $a;", "if ($n > 1) { }", "return time();", "return $g() + $n;", "foreach ([1] as $x) { }", "return 1;"} {
		if !found[want] {
			t.Errorf("no statement is %q: %v", want, found)
		}
	}
}

// TestDeclared: functions are known with their names, and who may call them.
func TestDeclared(t *testing.T) {
	var got []string
	for _, d := range pointsOf(t, callsSource).Declared() {
		word := d.Name
		if d.Public {
			word += "+"
		}
		got = append(got, word)
	}
	if want := "f+ m+  p s+ r+"; strings.Join(got, " ") != want {
		t.Errorf("%q, want %q", strings.Join(got, " "), want)
	}
}
