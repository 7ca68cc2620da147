//go:build linux

package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"assay/mutate"
)

func writeList(t *testing.T, text string) string {
	t.Helper()
	root := t.TempDir()
	if err := os.WriteFile(filepath.Join(root, acceptName), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return root
}

func mustRead(t *testing.T, root string) *acceptList {
	t.Helper()
	l, err := readAccepted(root)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// What is written is read again as it was, whatever files are called, and the
// file is the same in whatever order entries came.
func TestAcceptListRoundTrip(t *testing.T) {
	paths := []string{"src/Kiln.php", "src/a kiln.php", "src/100%.php", "src/%20.php", "src/Br\xfccke.php", "src/ä.php", "src/a\x1b[31m.php", "src/ because .php"}
	reasons := []string{"so", "because it is so", "# no comment", "ä 100 % <>"}
	var texts []string
	for _, step := range []int{1, len(paths) - 1} {
		root := t.TempDir()
		l := mustRead(t, root)
		for i := range paths {
			n := (i * step) % len(paths)
			m := &mutate.Mutant{ID: "K." + string(rune('a'+n)), Unit: "abcdefghij", Source: &mutate.Source{Path: paths[n]}}
			l.put(m, reasons[n%len(reasons)])
		}
		if err := l.write(root); err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(filepath.Join(root, acceptName))
		if err != nil {
			t.Fatal(err)
		}
		texts = append(texts, string(text))
		got := mustRead(t, root)
		for n, path := range paths {
			a := got.find("K." + string(rune('a'+n)))
			if a == nil || a.path != path || a.reason != reasons[n%len(reasons)] || a.unit != "abcdefghij" || a.line != 3+n {
				t.Errorf("%q: %+v", path, a)
			}
		}
		if err := got.write(root); err != nil {
			t.Fatal(err)
		}
		if again, err := os.ReadFile(filepath.Join(root, acceptName)); err != nil || string(again) != string(text) {
			t.Errorf("%v: written again it is\n%s", err, again)
		}
	}
	if diff := cmp.Diff(texts[0], texts[1]); diff != "" {
		t.Errorf("the order of accepting shows:\n%s", diff)
	}
}

func TestAcceptListKeepsComments(t *testing.T) {
	root := writeList(t, "# about b\r\nK.b abcdefghij b.php because so\r\n\n# about a\nK.a abcdefghij a.php because so\nK.c abcdefghij c.php because so\n# end\n")
	l := mustRead(t, root)
	l.put(&mutate.Mutant{ID: "K.aa", Unit: "zyxwvutsrq", Source: &mutate.Source{Path: "aa.php"}}, "of no matter")
	l.remove(l.find("K.c"))
	if err := l.write(root); err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile(filepath.Join(root, acceptName))
	if err != nil {
		t.Fatal(err)
	}
	want := acceptHead + "\n# about a\nK.a abcdefghij a.php because so\nK.aa zyxwvutsrq aa.php because of no matter\n# about b\nK.b abcdefghij b.php because so\n# end\n"
	if diff := cmp.Diff(want, string(got)); diff != "" {
		t.Error(diff)
	}
}

func TestAcceptListRefuses(t *testing.T) {
	for line, want := range map[string]string{
		"K.a abcdefghij a.php":                      "this is no entry",
		"K.a abcdefghij a.php because ":             "this is no entry",
		"K.a abc a.php because so":                  "this is no entry",
		"K.a abcdefghij a b.php because so":         "this is no entry",
		"K.a abcdefghij a.php because \x1b[31m so":  "this is no entry",
		"K.a abcdefghij a.php because \u009b31m so": "this is no entry",
		"=======":      "a merge was left unfinished here",
		"||||||| base": "a merge was left unfinished here",
		"K.z abcdefghij z.php because of another thing": "K.z stands in line 1, too; keep one of the two",
	} {
		root := writeList(t, "K.z abcdefghij z.php because so\n"+line+"\n")
		_, err := readAccepted(root)
		if err == nil || statusOf(err) != statusUsage || !strings.HasPrefix(err.Error(), "assay.accepted:2: "+want) {
			t.Errorf("%q: %v", line, err)
		}
	}
	root := t.TempDir()
	if err := os.Mkdir(filepath.Join(root, acceptName), 0o755); err != nil {
		t.Fatal(err)
	}
	if _, err := readAccepted(root); err == nil || statusOf(err) != statusUsage {
		t.Errorf("a folder: %v", err)
	}
}

// git merges what two branches accept, as long as they are not neighbours.
func TestAcceptListMerges(t *testing.T) {
	r := newRepository(t)
	accept := func(ids ...string) {
		t.Helper()
		l := mustRead(t, r.root)
		for _, id := range ids {
			l.put(&mutate.Mutant{ID: id, Unit: "abcdefghij", Source: &mutate.Source{Path: "a.php"}}, "so")
		}
		if err := l.write(r.root); err != nil {
			t.Fatal(err)
		}
		r.commit()
	}
	accept("K.b", "K.m", "K.y")
	r.git("checkout", "-q", "-b", "one")
	accept("K.a", "K.n")
	r.git("checkout", "-q", "main")
	accept("K.c", "K.z")
	r.git("merge", "-q", "one")
	var got []string
	for _, a := range mustRead(t, r.root).entries {
		got = append(got, a.id)
	}
	if diff := cmp.Diff([]string{"K.a", "K.b", "K.c", "K.m", "K.n", "K.y", "K.z"}, got); diff != "" {
		t.Error(diff)
	}
}

func TestFailOnNew(t *testing.T) {
	verdict := func(id string, s mutate.Status, isNew bool) mutate.Verdict {
		return mutate.Verdict{Mutant: &mutate.Mutant{ID: id}, Status: s, New: isNew}
	}
	vs := []mutate.Verdict{verdict("b", mutate.Survived, true), verdict("a", mutate.Unreached, false), verdict("c", mutate.Killed, false),
		verdict("d", mutate.Skipped, false), verdict("e", mutate.TimedOut, false), verdict("f", mutate.Stillborn, false)}
	many := slices.Repeat(vs[:1], 12)
	for name, c := range map[string]struct {
		r    *mutate.Result
		want string
	}{
		"nothing to compare with": {&mutate.Result{Verdicts: vs}, "2 mutants that nobody accepted were not killed: a, b"},
		"one is new":              {&mutate.Result{Verdicts: vs, Compared: true}, "1 mutant that is new was not killed: b"},
		"none is new":             {&mutate.Result{Verdicts: vs[1:], Compared: true}, ""},
		"nothing survives":        {&mutate.Result{Verdicts: vs[2:]}, ""},
		"many":                    {&mutate.Result{Verdicts: many, Compared: true}, "12 mutants that are new were not killed: b, b, b, b, b, b, b, b, b, b and 2 more"},
	} {
		err := failOnNew(c.r)
		if got := fmt.Sprint(err); got != c.want && !(c.want == "" && err == nil) {
			t.Errorf("%s: %v", name, err)
		}
		if err != nil && statusOf(errors.Join(nil, err)) != statusBelow {
			t.Errorf("%s: status %d", name, statusOf(err))
		}
	}
}
