package mutate

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"assay/mutate/syntax"
)

// integers is an operator that is used here to see places: every number in the
// code is one.
var integers = &Operator{ID: "test/integer", Kinds: []string{"integer"}, Apply: func(f *syntax.File, n *syntax.Node) []Edit {
	return []Edit{{Span: n.Span, New: "-" + f.Text(n)}}
}}

// once changes a statement by an edit within the block that it holds.
var once = &Operator{ID: "test/once", Kinds: []string{"foreach_statement"}, Apply: func(f *syntax.File, n *syntax.Node) []Edit {
	end := n.Child("body").End - 1
	return []Edit{{Span: syntax.Span{Start: end, End: end}, New: "break;"}}
}}

func placesIn(t *testing.T, text string) (*syntax.File, []*Mutant) {
	t.Helper()
	f, err := syntax.Parse("a.php", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return f, Generate(f, &Source{Path: "a.php", Text: []byte(text)}, []*Operator{integers, once}, nil)
}

// Each number says which comments are about it: the text of a comment's reason.
func TestSkipsAimAt(t *testing.T) {
	const text = `<?php
// assay: skip * because nothing follows but a namespace
namespace Acme;

/** assay: skip string because whole class */
final class Fare
{
    const FEE = 1; // assay: skip integer, float because line

    // assay: skip * because property
    private array $steps = [
        2,
        3, // not for us
        // assay: skip integer/plus-one because element
        [4,
         5],
        6,
    ];

    /**
     * What it costs.
     *
     * assay: skip * because doc comment
     * @return int
     */
    #[Pure]
    public function total(int $n = 7): int
    {
        return 8;
    }

    #[Pure]
    // assay: skip * because behind the attribute
    public function other(
        // assay: skip * because parameter
        int $n = 9,
        int $m = 10,
    ): int {
        // assay: skip * because head
        if ($n > 11) {
            return 12;
        } elseif ($n > 13) {
            return 14;
        } else {
            return 15;
        }
        # assay: skip * because statement
        $f = function ($x) {
            return $x + 16;
        };
        $f(17); /* assay: skip * because behind a statement */ $f(18);
        /* assay: skip * because before a statement */ $f(19,
            20);
        $f(21);
        foreach ([22] as $i) { // assay: skip * because line of a block
            $f(23);
        }
        // assay: skip * because loop
        foreach ([] as $i) {
            $f(43);
        }
        $g = $f(24)
            // assay: skip * because next line
            + $f(25)
            + $f(26);
        $f(
            // assay: skip * because argument
            27 +
            28,
            29,
        );
        $h = match ($n) {
            // assay: skip * because arm
            30 => 31,
            32 => 33,
        };
        switch ($n) {
            // assay: skip * because case
            case 34:
                return 35;
            case 36:
                return 37;
        }
        $s = "
// assay: skip * because in a string
38"; $s = <<<X
        // assay: skip * because in a heredoc
        {$f(39)}
        X;
        return 40;
        // assay: skip * because end of block
    }
}
?>
// assay: skip * because outside of PHP
<?= 41 ?>
`
	f, ms := placesIn(t, text)
	skips, faults := Skips(f)
	for _, fault := range faults {
		t.Error(fault)
	}
	var got []string
	for _, s := range skips {
		var about []string
		for _, m := range ms {
			if s.Covers(m) {
				about = append(about, strings.TrimPrefix(m.Edit.New, "-"))
			}
		}
		got = append(got, fmt.Sprintf("%d %s, %s: %s", s.Line, strings.Join(s.Names, "+"), s.Reason, strings.Join(about, " ")))
	}
	whole := ""
	for n := 1; n <= 40; n++ {
		if n != 38 {
			whole += fmt.Sprintf(" %d", n)
		}
		if n == 23 {
			whole += " break; 43 break;"
		}
	}
	want := []string{
		"2 *, nothing follows but a namespace: ",
		"5 string, whole class:" + whole,
		"8 integer+float, line: 1",
		"10 *, property: 2 3 4 5 6",
		"14 integer/plus-one, element: 4 5",
		"23 *, doc comment: 7 8",
		"33 *, behind the attribute:" + whole[strings.Index(whole, " 9"):],
		"35 *, parameter: 9",
		"39 *, head: 11",
		"47 *, statement: 16",
		"51 *, behind a statement: 17 18",
		"52 *, before a statement: 19 20",
		"55 *, line of a block: 22 break;",
		"58 *, loop: break;",
		"63 *, next line: 25",
		"67 *, argument: 27 28",
		"73 *, arm: 30 31",
		"78 *, case: 34",
		"91 *, end of block: ",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

func TestSkipsThatAreMalformed(t *testing.T) {
	f, _ := placesIn(t, `<?php
// assay: skip relational
// assay: skip because it is so
// assay: skip
// assay: skip relational because
/*
 * assay: skip relational string because two
 */
// assay: Skip relational because it is so
// assay: ignore relational because it is so
// assay: the plate's name
// assay: measured twice because the lamp drifts
// essay: skip
$a = 1;
`)
	skips, faults := Skips(f)
	if len(skips) != 0 {
		t.Errorf("%d comments are taken", len(skips))
	}
	var got []string
	for _, fault := range faults {
		got = append(got, fault.Error())
	}
	const form = "write // assay: skip OPERATOR because REASON"
	want := []string{
		"a.php:2: the comment gives no reason; " + form,
		"a.php:3: the comment names no operator; " + form + ", with an operator, a family, or * for all",
		"a.php:4: the comment names no operator; " + form + ", with an operator, a family, or * for all",
		"a.php:5: there is no reason behind because; " + form,
		`a.php:7: "relational string" is no list of operators; put commas between them, and ` + form,
		"a.php:9: a comment can say assay: skip, and not assay: Skip; " + form,
		"a.php:10: a comment can say assay: skip, and not assay: ignore; " + form,
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

// The fingerprint of what holds a change: layout, comments and what stands
// elsewhere do not change it, code does, to the blank in a string.
func TestUnit(t *testing.T) {
	const text = `<?php
class Fare
{
    private $step = 1;
    private $last = 9;

    public function total($n)
    {
        return "from $n" . ($n + 2);
    }
}
$x = 3; $y = 4;
`
	unitsOf := func(text string) map[string]string {
		out := map[string]string{}
		_, ms := placesIn(t, text)
		for _, m := range ms {
			if len(m.Unit) != unitLetters {
				t.Errorf("%s: unit %q", m.ID, m.Unit)
			}
			out[m.Before()] = m.Unit
		}
		return out
	}
	before := unitsOf(text)
	for name, c := range map[string]struct{ old, new, changed string }{
		"nothing":       {"", "", ""},
		"layout":        {"public function total($n)\n    {\n", "// new\n  public   function total( $n ) { /* so */", ""},
		"line ends":     {"\n", "\r\n", ""},
		"another place": {"class Fare\n{", "class Fare\n{\n    const A = 7;", ""},
		"the function":  {"$n + 2", "$n - 2", "2"},
		"its name":      {"total", "sum", "2"},
		"a string":      {`"from `, `"from  `, "2"},
		"a quote":       {`"from $n"`, `'from $n'`, "2"},
		"a property":    {"private $step", "public $step", "1"},
		"a statement":   {"$x =", "$z =", "3"},
	} {
		after := unitsOf(strings.Replace(text, c.old, c.new, -1))
		changed := ""
		for _, n := range []string{"1", "2", "3", "4", "9"} {
			if before[n] != after[n] {
				changed += n
			}
		}
		if changed != c.changed {
			t.Errorf("%s: %q changed, want %q", name, changed, c.changed)
		}
	}
}
