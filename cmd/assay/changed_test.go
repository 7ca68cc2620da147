//go:build linux

package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"assay/mutate"
	"assay/mutate/syntax"
)

// A repository is a directory in which git itself makes the changes that are
// looked for.
type repository struct {
	t    *testing.T
	root string
}

func newRepository(t *testing.T) *repository {
	t.Helper()
	if !hasGit() {
		if os.Getenv("CI") != "" {
			t.Fatal("git is missing, and CI may not skip")
		}
		t.Skip("needs git")
	}
	for k, v := range map[string]string{"GIT_CONFIG_GLOBAL": "/dev/null", "GIT_CONFIG_SYSTEM": "/dev/null"} {
		t.Setenv(k, v)
	}
	r := &repository{t, t.TempDir()}
	r.git("init", "-q", "-b", "main")
	r.git("config", "user.name", "Kai")
	r.git("config", "user.email", "kai@example.org")
	return r
}

func (r *repository) write(name, text string) {
	r.t.Helper()
	path := filepath.Join(r.root, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		r.t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		r.t.Fatal(err)
	}
}

func (r *repository) git(args ...string) {
	r.t.Helper()
	if out, err := git(r.root, args...); err != nil {
		r.t.Fatalf("git %v: %v %s", args, err, out)
	}
}

func (r *repository) commit() {
	r.t.Helper()
	r.git("add", "-A")
	r.git("commit", "-qm", "more")
}

// changedIn gives the lines of a text, in which lines end with "\n", on which a
// mutant would count as changed.
func changedIn(path, text string, changed map[string][]lineRange) string {
	var out []string
	src := &mutate.Source{Path: path, Text: []byte(text)}
	for at, line := 0, 1; at < len(text); line++ {
		m := &mutate.Mutant{Line: line, Source: src, Edit: mutate.Edit{Span: syntax.Span{Start: at, End: at}}, Op: &mutate.Operator{ID: "a/b"}}
		if onChangedLine(m, changed) {
			out = append(out, fmt.Sprint(line))
		}
		end := strings.IndexByte(text[at:], '\n')
		if end < 0 {
			break
		}
		at += end + 1
	}
	return strings.Join(out, " ")
}

func TestChangedFirst(t *testing.T) {
	r := newRepository(t)
	if got := gitChanges(t.TempDir()); got != nil {
		t.Errorf("outside of a repository: %v", got)
	}
	r.write("a.php", "1\n2\n3\n4\n5\n6\n")
	r.write("b ä.php", "1\n2\n")
	r.commit()
	texts := map[string]string{"a.php": "1\n2\nthree\n4\n6\n", "b ä.php": "1\n2\n3\n", "c.php": "1\n"}
	for name, text := range texts {
		r.write(name, text)
	}
	changed := gitChanges(r.root)
	for path, want := range map[string]string{"a.php": "3 4 5", "b ä.php": "3", "c.php": "1"} {
		if got := changedIn(path, texts[path], changed); got != want {
			t.Errorf("%s: lines %q, want %q", path, got, want)
		}
	}
	src := &mutate.Source{Path: "a.php", Text: []byte(texts["a.php"])}
	ms := []*mutate.Mutant{}
	for i := range 5 {
		at := bytes.IndexAny(src.Text, "12t46"[i:i+1])
		ms = append(ms, &mutate.Mutant{ID: fmt.Sprint(i + 1), Edit: mutate.Edit{Span: syntax.Span{Start: at, End: at + 1}}, Source: src, Op: &mutate.Operator{ID: "a/b"}})
	}
	order, n := changedFirst(ms, changed, 1)
	if n != 3 || len(order) != 5 || !onChangedLine(order[2], changed) || onChangedLine(order[3], changed) {
		t.Errorf("%d changed, order %v", n, ids(order))
	}
}

// Every way in which a line of a pull request can have changed, and some in
// which it only seems so.
func TestChangedSince(t *testing.T) {
	r := newRepository(t)
	long := "one\ntwo\nthree\nfour\nfive\nsix\nseven\neight\nnine\nten\n"
	for _, name := range []string{"app/kept.php", "app/moved.php", "app/edited-and-moved.php", "elsewhere/came-in.php", "app/config.php", "app/gone.php"} {
		r.write(name, strings.ReplaceAll(long, "one", "one of "+name))
	}
	r.write(".gitattributes", "config.php binary\n")
	r.write(".gitignore", "*.cache\n")
	r.commit()
	r.git("branch", "feature")
	// main goes on; what happens there is no change of the branch.
	r.write("app/kept.php", "other\n"+long)
	r.commit()
	r.git("checkout", "-q", "feature")
	r.git("mv", "app/moved.php", "app/moved-here.php")
	r.git("mv", "app/edited-and-moved.php", "app/with a blank.php")
	blank := strings.Replace(strings.ReplaceAll(long, "one", "one of app/edited-and-moved.php"), "seven\n", "7\n", 1)
	r.write("app/with a blank.php", blank)
	r.git("mv", "elsewhere/came-in.php", "app/came-in.php")
	config := strings.Replace(strings.ReplaceAll(long, "one", "one of app/config.php"), "two\n", "++ $i;\n++ $j;\n", 1)
	r.write("app/config.php", config)
	r.git("rm", "-q", "app/gone.php")
	r.write("elsewhere/tracked.php", "new\n")
	r.commit()
	kept := strings.ReplaceAll(long, "one", "one of app/kept.php") + "eleven" // not committed, no line end
	r.write("app/kept.php", kept)
	r.write("app/staged\"quoted\".php", "new\nnew\n")
	r.git("add", "app/staged\"quoted\".php")
	r.write("app/new/ünversioned.php", "new\n")
	r.write("app/left.cache", "ignored\n")
	r.write("elsewhere/new.php", "new\n")
	before, err := os.Stat(filepath.Join(r.root, ".git/index"))
	if err != nil {
		t.Fatal(err)
	}

	c, err := changedSince(filepath.Join(r.root, "app"), "main")
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for path := range c.lines {
		text, err := os.ReadFile(filepath.Join(r.root, "app", path))
		if err != nil {
			text = nil
		}
		got[path] = changedIn(path, string(text), c.lines)
	}
	want := map[string]string{"with a blank.php": "7", "config.php": "2 3", "kept.php": "11",
		"staged\"quoted\".php": "1 2", "new/ünversioned.php": "1", "../elsewhere/tracked.php": "1"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
	root, err := filepath.EvalSymlinks(filepath.Join(r.root, "app"))
	if err != nil {
		t.Fatal(err)
	}
	for link, to := range map[string]string{"app/shared": "../elsewhere", "app/again": "new"} {
		if err := os.Symlink(to, filepath.Join(r.root, link)); err != nil {
			t.Fatal(err)
		}
	}
	c.throughLinks(root, []string{"kept.php", "shared/tracked.php", "shared/came-in.php", "again/ünversioned.php", "missing.php"})
	for path, want := range map[string]string{"kept.php": "11", "shared/tracked.php": "1", "shared/came-in.php": "", "again/ünversioned.php": "1"} {
		if got := changedIn(path, strings.Repeat("\n", 11), c.lines); got != want && !(want == "1" && strings.HasPrefix(got, "1")) {
			t.Errorf("%s: %q, want %q", path, got, want)
		}
	}
	if after, err := os.Stat(filepath.Join(r.root, ".git/index")); err != nil || !after.ModTime().Equal(before.ModTime()) {
		t.Errorf("the index was written: %v", err)
	}
}

// The user's settings of git change nothing.
func TestChangedSinceWithSettings(t *testing.T) {
	r := newRepository(t)
	r.write("a.php", "1\n2\n3\n4\n5\n6\n7\n8\n")
	r.commit()
	for key, value := range map[string]string{"diff.noprefix": "true", "diff.mnemonicPrefix": "true", "color.ui": "always", "diff.external": "false",
		"diff.interHunkContext": "9", "diff.context": "5", "diff.relative": "true", "core.quotePath": "true", "diff.renames": "false"} {
		r.git("config", key, value)
	}
	r.git("mv", "a.php", "é.php")
	r.write("é.php", "1\nzwei\n3\n4\n5\n6\n7\n8\n")
	r.write("old.php", "1\r2\r\nthree\n") // to git two lines, to PHP three
	r.git("add", "old.php")
	c, err := changedSince(r.root, "HEAD")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(map[string][]lineRange{"é.php": {{2, 2}}, "old.php": {{1, 2}}}, c.lines, cmp.AllowUnexported(lineRange{})); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

func TestChangedSinceRefuses(t *testing.T) {
	r := newRepository(t)
	refused := func(root, ref, want string) {
		t.Helper()
		_, err := changedSince(root, ref)
		if err == nil || statusOf(err) != statusUsage || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", ref, err, want)
		}
	}
	refused(t.TempDir(), "main", "is not in the work tree of a git repository")
	refused(r.root, "main", "git knows no commit main; write a branch, a tag or a commit")
	r.write("a.php", "1\n")
	r.commit()
	refused(r.root, "mian", "git knows no commit mian; did you mean main?")
	refused(r.root, "--output=x", "no branch, tag or commit begins with a dash")
	refused(r.root, "HEAD:a.php", "git knows no commit")
	refused(r.root, "HEAD..HEAD", "git knows no commit")
	r.git("checkout", "-q", "--orphan", "apart")
	r.write("apart.php", "1\n")
	r.commit()
	refused(r.root, "main", "HEAD and main have no commit in common")

	r.git("checkout", "-q", "main")
	for _, branch := range []string{"feature", "main"} {
		r.git("checkout", "-q", "-B", branch)
		r.write(branch+".php", "1\n")
		r.commit()
		r.git("checkout", "-q", "main")
	}
	shallow := &repository{t, t.TempDir()}
	shallow.git("clone", "-q", "--depth=1", "--no-single-branch", "file://"+r.root, ".")
	refused(shallow.root, "origin/feature", "this clone is shallow")

	t.Setenv("PATH", t.TempDir())
	refused(r.root, "main", "git is not on PATH")
}

func TestRepositoryPrefix(t *testing.T) {
	r := newRepository(t)
	r.write("libs/till/a.php", "")
	for dir, want := range map[string]string{"": "", "libs": "libs/", "libs/till": "libs/till/"} {
		if got := repositoryPrefix(filepath.Join(r.root, dir)); got != want {
			t.Errorf("%s: %q, want %q", dir, got, want)
		}
	}
	r.write("libs/till/.git", "gitdir: elsewhere\n") // a worktree or a submodule is a repository of its own
	if got := repositoryPrefix(filepath.Join(r.root, "libs/till")); got != "" {
		t.Errorf("a repository of its own: %q", got)
	}
	if got := repositoryPrefix(t.TempDir()); got != "" {
		t.Errorf("outside of a repository: %q", got)
	}
}
