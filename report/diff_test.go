package report

import (
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"assay/mutate"
	"assay/mutate/syntax"
)

func TestDiff(t *testing.T) {
	for name, c := range map[string]struct {
		src        string
		start, end int
		new, want  string
	}{
		"one line":            {"a\nb\nc\nd\n", 2, 3, "x", "@@ -1,3 +1,3 @@\n a\n-b\n+x\n c\n"},
		"a line dropped":      {"a\nb\nc\n", 2, 4, "", "@@ -1,3 +1,2 @@\n a\n-b\n c\n"},
		"no newline at end":   {"a\nb", 2, 3, "x", "@@ -1,2 +1,2 @@\n a\n-b\n\\ No newline at end of file\n+x\n\\ No newline at end of file\n"},
		"the only line":       {"a", 0, 1, "b", "@@ -1 +1 @@\n-a\n\\ No newline at end of file\n+b\n\\ No newline at end of file\n"},
		"lines put in":        {"a\nb\n", 2, 2, "x\ny\n", "@@ -1,2 +1,4 @@\n a\n+x\n+y\n b\n"},
		"carriage returns":    {"a\r\nb\r\n", 3, 4, "x", "@@ -1,2 +1,2 @@\n a\r\n-b\r\n+x\r\n"},
		"everything":          {"a\n", 0, 2, "", "@@ -1 +0,0 @@\n-a\n"},
		"same first line":     {"f(\n1,\n2\n)\n", 0, 8, "f(\n2\n", "@@ -1,3 +1,2 @@\n f(\n-1,\n 2\n"},
		"end of file dropped": {"a\nb", 1, 3, "", "@@ -1,2 +1 @@\n-a\n-b\n\\ No newline at end of file\n+a\n\\ No newline at end of file\n"},
	} {
		e := mutate.Edit{Span: syntax.Span{Start: c.start, End: c.end}, New: c.new}
		if got := Diff([]byte(c.src), e, 1).String(); got != c.want {
			t.Errorf("%s: got\n%s\nwant\n%s", name, got, c.want)
		}
	}
}

// git is the judge of whether our hunks are unified diffs.
func TestGitAppliesOurDiffs(t *testing.T) {
	git, err := exec.LookPath("git")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("git is missing, and nothing else checks the diffs")
		}
		t.Skip("git is not installed")
	}
	dir := t.TempDir()
	rnd := rand.New(rand.NewPCG(11, 4))
	pieces := []string{"a", "b", "\n", "\n", "\r\n", "é", "", " "}
	random := func(n int) (s string) {
		for range rnd.IntN(n) {
			s += pieces[rnd.IntN(len(pieces))]
		}
		return s
	}
	for i := range 150 {
		src := random(24) + "z"
		e := mutate.Edit{New: random(5)}
		e.Start = rnd.IntN(len(src))
		e.End = e.Start + rnd.IntN(len(src)-e.Start)
		want := string(e.Apply([]byte(src)))
		if want == src {
			continue
		}
		file := filepath.Join(dir, "f")
		if err := os.WriteFile(file, []byte(src), 0o644); err != nil {
			t.Fatal(err)
		}
		patch := "--- a/f\n+++ b/f\n" + Diff([]byte(src), e, 2).String()
		if err := os.WriteFile(filepath.Join(dir, "p"), []byte(patch), 0o644); err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(git, "apply", "--unidiff-zero", "--whitespace=nowarn", "p")
		cmd.Dir = dir
		cmd.Env = append(os.Environ(), "GIT_CEILING_DIRECTORIES="+filepath.Dir(dir))
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("case %d: %v: %s\n%q\n%s", i, err, out, src, patch)
		}
		got, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if string(got) != want {
			t.Fatalf("case %d: %q with\n%s\ngives %q, want %q", i, src, patch, got, want)
		}
	}
}

// The marks of a hunk are what the edit takes out and puts in.
func TestMarksAreTheEdit(t *testing.T) {
	src := "<?php\nif ($a > 1) {\n  go();\n}\nrest();\n"
	const from, to = "1) {\n  go();", "false) {\n  stop();"
	at := strings.Index(src, from)
	e := mutate.Edit{Span: syntax.Span{Start: at, End: at + len(from)}, New: to}
	marks := map[byte][]string{}
	for _, l := range Diff([]byte(src), e, 3).Lines {
		marks[l.Sign] = append(marks[l.Sign], l.Text[l.Mark.Start:l.Mark.End])
	}
	if got := strings.Join(marks['-'], "\n"); got != from {
		t.Errorf("removed: %q, want %q", got, from)
	}
	if got := strings.Join(marks['+'], "\n"); got != to {
		t.Errorf("put in: %q, want %q", got, to)
	}
	if got := strings.Join(marks[' '], ""); got != "" {
		t.Errorf("marked in unchanged lines: %q", got)
	}
}
