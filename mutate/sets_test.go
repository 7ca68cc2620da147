package mutate

import (
	"strings"
	"testing"

	"assay/mutate/syntax"
)

// TestSets: a change in front of the last call that sets something may keep it
// from being made; one behind it comes too late, unless there is a way back.
func TestSets(t *testing.T) {
	for code, want := range map[string]string{
		"a(); setlocale(1, 'C'); b(); setlocale(1, $l); c(); return d();": "a setlocale b setlocale",
		"if (a()) { setlocale(1, 'C'); } b();":                            "if setlocale",
		"while (a()) { setlocale(1, 'C'); b(); } c();":                    "while setlocale b c",
		"x: setlocale(1, 'C'); a(); goto x;":                              "setlocale a goto",
		"$f = function () { setlocale(1, 'C'); b(); }; a();":              "setlocale",
		"a(); b();": "",
	} {
		f, err := syntax.Parse("a.php", []byte("<?php function f() { "+code+" }"))
		if err != nil {
			t.Fatal(err)
		}
		p := Layout(f, &Source{Path: "a.php", Text: f.Src}, 1)
		var got []string
		f.Root.Walk(func(n *syntax.Node) bool {
			if id, ok := p.at[n]; ok && p.Sets[id-1] && !n.Is("compound_statement") {
				got = append(got, strings.FieldsFunc(f.Text(n), func(r rune) bool { return r == '(' || r == ' ' })[0])
			}
			return true
		})
		if strings.Join(got, " ") != want {
			t.Errorf("%s: %q, want %q", code, got, want)
		}
	}
}
