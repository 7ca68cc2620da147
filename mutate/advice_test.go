package mutate

import (
	"strings"
	"testing"

	"assay/mutate/syntax"
)

// TestValidateAdvice: both texts are there or none, and each begins with what to do.
func TestValidateAdvice(t *testing.T) {
	for _, c := range []struct{ input, outcome, fault string }{
		{"", "", ""},
		{"Add a 1.", "Assert it.", ""},
		{"Add a 1.", "", "only one of Input and Outcome is there"},
		{"", "Assert it.", "only one of Input and Outcome is there"},
		{"Take a 1.", "Assert it.", `Input does not begin with "Add"`},
		{"Add a 1.", "Assert it", "does not end with a full stop"},
	} {
		err := Validate([]*Operator{{ID: "tide/turned", Doc: "Ebb is flood.\n\nNo test looks.", Input: c.input, Outcome: c.outcome,
			Before: "1;", After: "2;", Kinds: []string{"integer"},
			Apply: func(f *syntax.File, n *syntax.Node) []Edit { return []Edit{{Span: n.Span, New: "2"}} }}})
		if (err == nil) != (c.fault == "") || err != nil && !strings.Contains(err.Error(), c.fault) {
			t.Errorf("%q and %q: got %v, want %q", c.input, c.outcome, err, c.fault)
		}
	}
}

// TestHiddenBy: the rest of an expression is told of where more was observed than was changed.
func TestHiddenBy(t *testing.T) {
	f, err := syntax.Parse("", []byte("<?php return !($a   < -3 && f($b)) . (int) $c;"))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		changed, seen string
		want          bool
	}{
		{"$a   < -3", "$a < -3", false},
		{"3", "$a < -3", false},
		{"-3", "$a < -3", false},
		{"3", "$a < -3 && f($b)", true},
		{"$a   < -3", "$a < -3 && f($b)", true},
		{"$a   < -3", "$a < -3 && f(…", true},
		{"$a   < -3 && f($b)", "$a < -3 && f($b)", false},
		{"$a   < -3 && f($b)", "!($a < -3 && f($b))", false},
		{"$a   < -3 && f($b)", "$a < -3 && …", false}, // its own beginning
		{"(int) $c", "(int) $c", false},
	} {
		var n *syntax.Node
		f.Walk(func(x *syntax.Node) bool {
			if n == nil && x.Named && f.Text(x) == c.changed {
				n = x
			}
			return n == nil
		})
		if got := hiddenBy(f, n, Seen{Word: NeverDiffers, Expression: c.seen}) != ""; got != c.want {
			t.Errorf("%s in %s: %v", c.changed, c.seen, got)
		}
	}
}
