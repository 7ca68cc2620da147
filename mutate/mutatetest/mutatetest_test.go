package mutatetest

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"assay/mutate"
	"assay/mutate/syntax"
)

// recorder is a T that keeps what it is told.
type recorder struct{ errors, fatals []string }

func (r *recorder) Helper() {}
func (r *recorder) Errorf(format string, args ...any) {
	r.errors = append(r.errors, fmt.Sprintf(format, args...))
}
func (r *recorder) Fatalf(format string, args ...any) {
	r.fatals = append(r.fatals, fmt.Sprintf(format, args...))
}

// integers replaces each integer literal by what edit makes of it.
func integers(id string, edit func(f *syntax.File, n *syntax.Node) mutate.Edit) *mutate.Operator {
	return &mutate.Operator{
		ID: id, Kinds: []string{"integer"},
		Apply: func(f *syntax.File, n *syntax.Node) []mutate.Edit {
			return []mutate.Edit{edit(f, n)}
		},
	}
}

func to(text string) func(*syntax.File, *syntax.Node) mutate.Edit {
	return func(_ *syntax.File, n *syntax.Node) mutate.Edit { return mutate.Edit{Span: n.Span, New: text} }
}

func archive(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "x.txtar")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

const good = `Cases.
-- tide/in.php --
<?php
$low = 3;
-- tide/want --
2:8 x/seven: 3 -> 7
-- none/in.php --
<?php // 3
return '3';
-- none/want --
`

func TestRunAccepts(t *testing.T) {
	t.Setenv("UPDATE", "")
	var r recorder
	tally := Run(&r, archive(t, good), []*mutate.Operator{integers("x/seven", to("7"))})
	if len(r.errors)+len(r.fatals) > 0 {
		t.Errorf("faults on a right archive: %q %q", r.errors, r.fatals)
	}
	if tally.Hits["x/seven"] != 1 || tally.Empty != 1 {
		t.Errorf("tally = %+v, want one hit and one empty case", tally)
	}
}

func TestRunRejects(t *testing.T) {
	t.Setenv("UPDATE", "")
	seven := integers("x/seven", to("7"))
	for _, c := range []struct {
		name, archive string
		ops           []*mutate.Operator
		want          string // in the first error, or "fatal: " + in the first fatal
	}{
		{"other text", strings.Replace(good, "-> 7", "-> 8", 1), []*mutate.Operator{seven}, "case tide:\ngot:\n2:8 x/seven: 3 -> 7\nwant:\n2:8 x/seven: 3 -> 8"},
		{"edit missing", good, nil, "case tide:\ngot:\nwant:"},
		{"edit unwanted", strings.Replace(good, "'3'", "3", 1), []*mutate.Operator{seven}, "case none:\ngot:\n2:8"},
		{"no change", good, []*mutate.Operator{integers("x/same", to("3"))}, "x/same: the edit changes nothing"},
		{"no longer parses", good, []*mutate.Operator{integers("x/broken", to("3 +"))}, "x/broken: the mutant does not parse: 3 -> 3 +"},
		{"twice", good, []*mutate.Operator{seven, integers("x/again", to("7"))}, "gives the same mutant as x/again"},
		{"outside", good, []*mutate.Operator{integers("x/far", func(f *syntax.File, _ *syntax.Node) mutate.Edit {
			return mutate.Edit{Span: syntax.Span{Start: 0, End: len(f.Src) + 1}}
		})}, "edit of bytes 0 to 17 of a file of 16"},
		{"no want", "-- a/in.php --\n<?php\n", nil, "fatal: do not make pairs"},
		{"wants mixed up", "-- a/in.php --\n<?php\n-- b/want --\n", nil, "fatal: a/want is expected"},
		{"order mixed up", "-- a/want --\n-- a/in.php --\n<?php\n", nil, "fatal: NAME/in.php is expected"},
		{"same name", strings.ReplaceAll(good, "none/", "tide/"), nil, "fatal: case tide is there twice"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var r recorder
			Run(&r, archive(t, c.archive), c.ops)
			got := r.errors
			want, fatal := strings.CutPrefix(c.want, "fatal: ")
			if fatal {
				got = r.fatals
			}
			if len(got) == 0 || !strings.Contains(strings.Join(got, "\n"), want) {
				t.Errorf("errors %q, fatals %q; want %q", r.errors, r.fatals, want)
			}
		})
	}
}

func TestRunUpdates(t *testing.T) {
	t.Setenv("UPDATE", "1")
	path := archive(t, strings.Replace(good, "2:8 x/seven: 3 -> 7\n", "", 1))
	var r recorder
	tally := Run(&r, path, []*mutate.Operator{integers("x/seven", to("7"))})
	if len(r.errors)+len(r.fatals) > 0 || tally.Empty != 1 {
		t.Errorf("faults %q %q, tally %+v", r.errors, r.fatals, tally)
	}
	got, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != good {
		t.Errorf("rewritten archive:\n%s\nwant:\n%s", got, good)
	}
}

func TestShow(t *testing.T) {
	long := strings.Repeat("ab", 40)
	for in, want := range map[string]string{
		"":                `""`,
		">=":              ">=",
		"$a->b":           "$a->b",
		"a -> b":          `"a -> b"`,
		" x":              `" x"`,
		"a\nb":            `"a\nb"`,
		`"quoted"`:        `"\"quoted\""`,
		"gr\u00fcn":       "gr\u00fcn",
		"\xff":            `"\xff"`,
		long:              `"ababababababababababababababab"..."bababababababab" (80 bytes)`,
		"'it\\'s'":        "'it\\'s'",
		"non\u00a0break":  `"non\u00a0break"`,
		"tab\tin between": `"tab\tin between"`,
	} {
		if got := Show(in); got != want {
			t.Errorf("Show(%q) = %s, want %s", in, got, want)
		}
	}
}
