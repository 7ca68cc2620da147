package mutate_test

import (
	"bytes"
	"testing"

	"assay/mutate"
	"assay/mutate/syntax"
)

// TestConstantAt has edits of constants, and whether who does not name the constant
// cannot tell. What PHP does with constants is from its manual ("Class Constants",
// "Constant expressions"): other classes' constants, operators and typed values are
// worked out, and may fail, when the class is used.
func TestConstantAt(t *testing.T) {
	for _, c := range []struct{ decl, before, after, want string }{
		{"const A = 1;", "1", "2", "A"},
		{"public const A = 1, B = -2;", "-2", "2", "B"},
		{"final protected const A = 'x';", "'x'", "''", "A"},
		{"const A = \"it's\";", "\"it's\"", "''", "A"},
		{"const A = [1, 'a' => [2, null]];", ", null", "", "A"},
		{"const A = ['low' => 3, 'high' => 2];", "'low' => 3, ", "", "A"},
		{"const A = 1.5e3;", "1.5e3", "2.5e3", "A"},
		{"const A = true;", "true", "false", "A"},
		{"const A = 6 / 3;", "3", "0", ""},
		{"const A = 1 << 3;", "3", "-1", ""},
		{"const A = self::B;", "self::B", "2", ""},
		{"const A = PHP_INT_SIZE;", "PHP_INT_SIZE", "2", ""},
		{"const A = \"$x\";", "\"$x\"", "''", ""},
		{"const A = 2;", "2", "1 / 0", ""},
		{"const int A = 2;", "2", "'2'", ""},
		{"public $a = 1;", "1", "2", ""},
		{"const A = 1;", "A", "B", ""},
		{"const A = 1;", "const A = 1;", "", ""},
		{"function f() { return 1; }", "1", "2", ""},
	} {
		src := []byte("<?php\nclass C { " + c.decl + " }\n")
		at := bytes.Index(src, []byte(c.decl)) + bytes.LastIndex([]byte(c.decl), []byte(c.before))
		f, err := syntax.Parse("C.php", src)
		if err != nil {
			t.Fatal(err)
		}
		source := &mutate.Source{Path: "C.php", Text: src}
		m := &mutate.Mutant{Source: source, Edit: mutate.Edit{Span: syntax.Span{Start: at, End: at + len(c.before)}, New: c.after}}
		mutate.Layout(f, source, 1).Locate(f, m)
		if m.Constant != c.want {
			t.Errorf("%s with %s for %s is seen through %q, want %q", c.decl, c.after, c.before, m.Constant, c.want)
		}
	}
}
