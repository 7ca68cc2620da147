package proving

import (
	"regexp"
	"slices"
	"strings"
	"testing"
)

// TestWordsAreLiterals: numbers and texts of code are taken, those of comments are not.
func TestWordsAreLiterals(t *testing.T) {
	var w Words
	w.Read(`function f($a1) { /* 99 'no' */ if ($a1 > 1_000 || $a1 === 0x1F) { return 'it\'s' . "a\tb"; } // 77
		# "neither"
		return 2.5e3; }`)
	if want := []int64{1000, 31}; !slices.Equal(w.Ints, want) {
		t.Errorf("integers %v, want %v", w.Ints, want)
	}
	if want := []float64{2500}; !slices.Equal(w.Floats, want) {
		t.Errorf("floats %v, want %v", w.Floats, want)
	}
	if want := []string{"it's", "a\tb"}; !slices.Equal(w.Strings, want) {
		t.Errorf("texts %q, want %q", w.Strings, want)
	}
}

// TestSamplesMatch: of regular expressions texts are made that match them.
func TestSamplesMatch(t *testing.T) {
	for _, c := range []struct{ literal, same string }{
		{`/^<\w[\w-]*+(?:[ ]*+a)*+>$/`, `^<\w[\w-]*(?:[ ]*a)*>$`},
		{`~^(\d{4})-(\d\d)$~i`, `^(\d{4})-(\d\d)$`},
		{`#^(?>ab|cd)++ $#`, `^(?:ab|cd)+ $`},
		{`{^x/y{2,}$}`, `^x/y{2,}$`},
	} {
		w := Words{Strings: []string{c.literal, "/", "no pattern", "/open(", "/(?<=a)b/", "/a/z"}}
		w.Patterns()
		if len(w.Samples) == 0 {
			t.Errorf("%s has no samples", c.literal)
		}
		for _, s := range w.Samples {
			if !regexp.MustCompile(c.same).MatchString(s) {
				t.Errorf("%s: %q does not match", c.literal, s)
			}
		}
	}
}

// TestImpure: code that must not be called at will is told from code that may.
func TestImpure(t *testing.T) {
	for _, c := range []struct {
		code, why string
		dated     int
	}{
		{`return strlen($a);`, "", 0},
		{`file_put_contents($f, $x);`, "writes files", 0},
		{`\file_put_contents ($f, $x);`, "writes files", 0},
		{`$this->rand();`, "", 0},
		{`Dice::rand();`, "", 0},
		{`return rand(1, 6);`, "chance", 0},
		{`// rand() would do`, "", 0},
		{`return "rand()";`, "", 0},
		{`$out = ` + "`ls`;", "processes", 0},
		{`return date('Y');`, "present time", 0},
		{`return date('Y', $t);`, "", 0},
		{`return date('Y', f(1, 2));`, "", 0},
		{`return new DateTimeImmutable();`, "present time", 0},
		{`return new \DateTime($text);`, "", 1},
		{`return new DateTime($text, new DateTimeZone('UTC'));`, "", 2},
		{`return $d->modify('+1 day');`, "", 1},
		{`return new PDO($dsn);`, "connections", 0},
		{`return new Clock();`, "", 0},
		{`return time() > $t;`, "present time", 0},
		{`return $this->time() > $t;`, "", 0},
		{`private function time(): int`, "", 0},
		{`return getenv('HOME');`, "machine", 0},
	} {
		why, dated := Impure(c.code)
		if (why == "") != (c.why == "") || !strings.Contains(why, c.why) || dated != c.dated {
			t.Errorf("%s: %q and %d, want %q and %d", c.code, why, dated, c.why, c.dated)
		}
	}
}

// FuzzCode: whatever is taken for code, reading it ends, and what is left is no longer.
func FuzzCode(f *testing.F) {
	for _, s := range []string{"", "'", "\"a\\", "/*", "#", "#[A]", "time (", "new DateTime(", "0x", "f(((,", "'\\''"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, code string) {
		var w Words
		w.Read(code)
		w.Patterns()
		Impure(code)
		if n := len(strip(code, func(string) {})); n > len(code)+2 {
			t.Errorf("%d bytes are left of %d", n, len(code))
		}
	})
}
