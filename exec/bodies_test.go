package exec

import (
	"strings"
	"testing"

	"assay/mutate"
	"assay/mutate/syntax"
)

const bodiesText = `<?php
use function strlen;
interface I { public function a(): int; }
abstract class C {
    private $f = "x{$y}";
    function b($x = 5) { return "${x} and {$x['a']}" . (function () { return '}'; })(); }
    abstract function c();
    function d(): array { if (1) { return [1]; } }
}
if (strlen('a')) { echo 1; }
$g = function () use ($a) { return 2; };
?>
{ <p> } <?php function h() { return 3; }
`

func at(text, piece string) int { return strings.Index(text, piece) }

// TestBodies: the bodies of functions are found by PHP's own tokens, and all but the touched
// one are left out of both texts.
func TestBodies(t *testing.T) {
	c := testCompiler(t)
	text := bodiesText
	tokens, err := c.lint.tokens([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	bodies := bodiesIn([]byte(text), tokens)
	var got []string
	for _, b := range bodies {
		got = append(got, text[b.Start:b.End])
	}
	want := []string{`{ return "${x} and {$x['a']}" . (function () { return '}'; })(); }`, `{ if (1) { return [1]; } }`, `{ return 2; }`, `{ return 3; }`}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Fatalf("bodies:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	for _, c := range []struct {
		what, before, after string
		kept                int
		ok                  bool
	}{
		{"in a body", "[1]", "[2]", 1, true},
		{"in the last", "3", "4", 3, true},
		{"a default", "= 5", "= 6", -1, true},
		{"before all", "interface I", "interface J", -1, true},
		{"code of a file", "echo 1", "echo 2", -1, true},
		{"a whole function", "function d(): array { if (1) { return [1]; } }", "", 1, true},
		{"two functions", text[at(text, "function b"):at(text, "\n}\nif")], "", 0, false},
	} {
		e := mutate.Edit{Span: syntax.Span{Start: at(text, c.before), End: at(text, c.before) + len(c.before)}, New: c.after}
		cutting, ok := cut([]byte(text), bodies, e)
		if ok != c.ok || cutting.kept != c.kept {
			t.Errorf("%s: body %d is kept, %v; want %d, %v", c.what, cutting.kept, ok, c.kept, c.ok)
		}
		if !ok {
			continue
		}
		for i, want := range want {
			if has := strings.Contains(string(cutting.original), want); has != (i == c.kept) {
				t.Errorf("%s: body %d is left: %v", c.what, i, has)
			}
		}
		rest := string(cutting.original)
		if i := strings.Index(rest, c.before); i < 0 || rest[:i]+c.after+rest[i+len(c.before):] != string(cutting.edited) {
			t.Errorf("%s: the edited text is not the original with the edit:\n%s", c.what, cutting.edited)
		}
	}
}

// TestCutTellsApart: two texts that differ in one function of two are told apart without the
// other, and two that are the same code are not.
func TestCutTellsApart(t *testing.T) {
	c := testCompiler(t)
	one := "<?php function a() { return [1, 2]; } function b($x) { return $x + 5; }"
	tokens, err := c.lint.tokens([]byte(one))
	if err != nil {
		t.Fatal(err)
	}
	bodies := bodiesIn([]byte(one), tokens)
	for _, pair := range []struct {
		before, after string
		same          bool
	}{{"[1, 2]", "[1, 3]", false}, {"$x + 5", "$x + 6", false}, {"$x)", "$x = 1)", false}, {"$x + 5", "($x + 5)", true}, {"[1, 2]", "array(1, 2)", true}} {
		i := strings.Index(one, pair.before)
		cutting, ok := cut([]byte(one), bodies, mutate.Edit{Span: syntax.Span{Start: i, End: i + len(pair.before)}, New: pair.after})
		if !ok {
			t.Fatalf("%q cannot be cut", pair.before)
		}
		if same := string(compiled(t, c, string(cutting.original))) == string(compiled(t, c, string(cutting.edited))); same != pair.same {
			t.Errorf("%q for %q without the other function: the same is %v", pair.after, pair.before, same)
		}
	}
}
