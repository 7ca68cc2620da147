package testcode

import (
	"bytes"
	"flag"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"

	"assay/mutate"
)

const cases = "../../testdata/testcode"

// project lays out an archive in a directory and gives its tests, in their order.
func project(t *testing.T, files []txtar.File) (string, []*mutate.Source) {
	t.Helper()
	root := t.TempDir()
	var tests []*mutate.Source
	for _, f := range files {
		if strings.HasPrefix(f.Name, "want-") {
			continue
		}
		text := f.Data
		if bytes.Contains(text, []byte("CRLF")) {
			text = bytes.ReplaceAll(text, []byte("\n"), []byte("\r\n"))
		}
		if bytes.Contains(text, []byte("NO-NEWLINE")) {
			text = bytes.TrimSuffix(text, []byte("\n"))
		}
		at := filepath.Join(root, f.Name)
		if err := os.MkdirAll(filepath.Dir(at), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(at, text, 0o644); err != nil {
			t.Fatal(err)
		}
		if strings.HasPrefix(f.Name, "tests/") && !strings.HasSuffix(f.Name, "bootstrap.php") {
			tests = append(tests, &mutate.Source{Path: f.Name, Text: text})
		}
	}
	return root, tests
}

var update = flag.Bool("update", os.Getenv("UPDATE") != "", "rewrite the expectations")

// Each archive is a small project. All findings of its name are written in all ways that
// there are: the diffs are as expected, git applies them, and PHPUnit is green.
func TestWrite(t *testing.T) {
	names, err := filepath.Glob(cases + "/*.txtar")
	if err != nil || len(names) == 0 {
		t.Fatalf("no cases in %s (%v)", cases, err)
	}
	seen := 0
	for _, path := range names {
		name := strings.TrimSuffix(filepath.Base(path), ".txtar")
		t.Run(name, func(t *testing.T) {
			a, err := txtar.ParseFile(path)
			if err != nil {
				t.Fatal(err)
			}
			root, tests := project(t, a.Files)
			var want []txtar.File
			suite := New(tests)
			for i, f := range findings[name] {
				for _, w := range suite.Write(&f) {
					diff := w.Diff()
					checkDiff(t, root, w, diff)
					if !strings.HasSuffix(string(w.ID), "(not run)") && !strings.Contains(name, "attribute") {
						checkGreen(t, root, w)
					}
					want = append(want, txtar.File{Name: "want-" + string(rune('a'+i)) + " " + string(w.ID), Data: []byte(strings.ReplaceAll(diff, "\r", "␍"))})
				}
			}
			compareWants(t, path, a, want)
		})
		if findings[name] == nil {
			t.Errorf("%s: there are no findings for it", path)
		}
		seen++
	}
	if seen != len(findings) {
		t.Errorf("%d archives, and findings for %d", seen, len(findings))
	}
}

func compareWants(t *testing.T, path string, a *txtar.Archive, got []txtar.File) {
	t.Helper()
	is := func(f txtar.File) bool { return strings.HasPrefix(f.Name, "want-") }
	if *update {
		a.Files = append(slices.DeleteFunc(a.Files, is), got...)
		if err := os.WriteFile(path, txtar.Format(a), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	shown := func(list []txtar.File) string {
		return string(txtar.Format(&txtar.Archive{Files: list}))
	}
	want := slices.DeleteFunc(slices.Clone(a.Files), func(f txtar.File) bool { return !is(f) })
	if d := cmp.Diff(shown(want), shown(got)); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
}

// checkDiff has git apply a diff, and PHP read what comes of it.
func checkDiff(t *testing.T, root string, w Test, diff string) {
	t.Helper()
	git, php := need(t, "git"), need(t, "php")
	dir := t.TempDir()
	at := filepath.Join(dir, filepath.FromSlash(w.Path))
	if err := os.MkdirAll(filepath.Dir(at), 0o755); err != nil {
		t.Fatal(err)
	}
	if w.Old != nil {
		if err := os.WriteFile(at, w.Old, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	cmd := osexec.Command(git, "apply", "--whitespace=nowarn", "-")
	cmd.Dir, cmd.Stdin = dir, strings.NewReader(diff)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("git apply: %v\n%s\n%s", err, out, diff)
	}
	got, err := os.ReadFile(at)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(w.New), string(got)); d != "" {
		t.Errorf("what git makes of the diff is another text (-ours +git):\n%s", d)
	}
	if out, err := osexec.Command(php, "-n", "-l", at).CombinedOutput(); err != nil {
		t.Errorf("php -l: %s\n%s", out, w.New)
	}
}

// checkGreen runs the file as PHPUnit does.
func checkGreen(t *testing.T, root string, w Test) {
	t.Helper()
	at := filepath.Join(root, filepath.FromSlash(w.Path))
	if err := os.WriteFile(at, w.New, 0o644); err != nil {
		t.Fatal(err)
	}
	defer func() {
		if w.Old == nil {
			os.Remove(at)
		} else {
			os.WriteFile(at, w.Old, 0o644)
		}
	}()
	cmd := osexec.Command(need(t, "phpunit"), "--bootstrap", "tests/bootstrap.php", "--fail-on-risky", "--fail-on-warning", "--testdox", "tests")
	cmd.Dir = root
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Errorf("PHPUnit: %v\n%s\n%s", err, out, w.New)
	}
}
