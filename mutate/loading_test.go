package mutate

import (
	"strings"
	"testing"

	"assay/mutate/syntax"
)

func TestLoadingOf(t *testing.T) {
	f, err := syntax.Parse("a.php", []byte(`<?php
namespace Dock;
use Sea\Import;
// Comment
#[Marked(Argument::class)]
final class Ferry extends Parented implements Hulled
{
    use Ropes;
    private Typed $boat = Initial::VALUE;
    public function board(Param $p = Defaulted::NONE): Result { return Body::now(); }
}
$top = new Outside(static function () { return new Inner(); });
Short::call(fn () => Arrow::now());
`))
	if err != nil {
		t.Fatal(err)
	}
	l := LoadingOf(f)
	for _, c := range []struct {
		words string
		text  []byte
		in    bool
	}{
		{"Argument Initial Defaulted Outside Short Arrow", l.Values, true},
		{"Argument Initial Defaulted Outside Short Arrow Parented Hulled Ropes Typed Param Result", l.Links, true},
		{"Parented Hulled Ropes Typed Param Result Import Comment Body Inner", l.Values, false},
		{"Import Comment Body Inner", l.Links, false},
	} {
		if len(c.text) != len(f.Src) {
			t.Errorf("a text of %d bytes has become one of %d", len(f.Src), len(c.text))
		}
		for word := range strings.FieldsSeq(c.words) {
			if got := strings.Contains(string(c.text), word); got != c.in {
				t.Errorf("%s: %v, want %v", word, got, c.in)
			}
		}
	}
	if broken, err := syntax.Parse("a.php", []byte("<?php class { = ;")); err != nil || LoadingOf(broken) != nil {
		t.Errorf("what cannot be read says what counts: %v", err)
	}
}

func TestIsLazy(t *testing.T) {
	text := `<?php
final class Ferry
{
    const BOATS = 3;
    private int $crew = 4;
    private ?int $deck = null;
    #[Mark(5)]
    public function board(int $guests = 6, ?int $dogs = 7, ?string $name = null): int { static $calls = 8; return 9; }
}
enum Berth: int { case North = 10; }
const HARBOUR = 11;
$quay = 12;
`
	f, err := syntax.Parse("a.php", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		before, after string
		want          bool
	}{
		{"3", "13", true}, {"4", "14", true}, {"5", "15", true}, {"6", "16", true}, {"7", "17", true}, {"10", "20", true},
		{"8", "18", false}, {"9", "19", false}, {"11", "21", false}, {"12", "22", false},
		{"?int $dogs", "int $dogs", false}, {"= 7", "", false}, {"7", "null", false}, {"name = null", "name = ''", false},
		{"private int", "public int", false}, {"BOATS", "FERRIES", false}, {": int {", "{", false},
	} {
		at := strings.Index(text, c.before)
		e := Edit{Span: syntax.Span{Start: at, End: at + len(c.before)}, New: c.after}
		if got := isLazy(f, holder(f.Root, e.Span), e); got != c.want {
			t.Errorf("%q => %q: %v, want %v", c.before, c.after, got, c.want)
		}
	}
}
