package mutate

import (
	"strings"
	"testing"

	"assay/mutate/syntax"
)

// TestEntered: the statement that is run whenever a change makes a difference, where that is
// not the one that holds it. The change is between « and ».
func TestEntered(t *testing.T) {
	for _, c := range []struct{ body, change, want string }{
		{"try { f(); } catch (E $e) {« g(); »}", "", "g();"},
		{"try { f(); } catch (E $e) {«» g(); }", " throw $e;", "g();"},
		{"try { f(); } catch (E $e) {«»}", " throw $e;", ""},
		{"try { f(); } catch (A«|B» $e) { g(); }", "", "g();"},
		{"try { f(); } catch («A» $e) { g(); }", "B", ""}, // it may catch more
		{"try { f(); } finally {« g(); »}", "", "g();"},
		{"foreach ($a as $b) { g($b);«» }", " break;", ""}, // that of the statement before it says more
		{"foreach («$a» as $b) { g($b); }", "[]", ""},      // to begin may have an effect
		{"switch ($a) {« case 1: f(); break;» default: g(); }", "", "f();"},
		{"switch ($a) {« case f(): g(); break;» }", "", ""}, // f() would not be called
		{"switch ($a) {« case 1:» case 2: g(); }", "", ""},
		{"switch ($a) { case 1: f(); break;« default: g();» }", "", "g();"},
		{"foreach ($a as $b) {«» g($b); } end: f(); goto end;", " break;", ""},
		{"foreach ($a as $b) {«» g($b); }", " break;", "g($b);"},
		{"if ($a) { f(); «g();» }", "", ""}, // it has a point of its own
	} {
		before, rest, _ := strings.Cut(c.body, "«")
		old, after, _ := strings.Cut(rest, "»")
		const head = "<?php function m() { "
		text := head + before + old + after + " }"
		f, err := syntax.Parse("f.php", []byte(text))
		if err != nil || len(f.Damage) > 0 {
			t.Fatalf("%s: %v, %v", text, err, f.Damage)
		}
		src := &Source{Path: "f.php", Text: []byte(text)}
		points := Layout(f, src, 1)
		m := &Mutant{Source: src, Edit: Edit{Span: syntax.Span{Start: len(head) + len(before), End: len(head) + len(before) + len(old)}, New: c.change}}
		points.Locate(f, m)
		got := ""
		for n, id := range points.at {
			if id == m.Entered {
				got = f.Text(n)
			}
		}
		if got != c.want {
			t.Errorf("%s: %q, want %q", c.body, got, c.want)
		}
	}
}
