package syntax_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"

	"assay/mutate/syntax"
	"assay/mutate/syntax/syntaxtest"
)

func tokenizer(t testing.TB) *syntaxtest.Tokenizer {
	php, err := syntaxtest.NewTokenizer(t.TempDir())
	if err != nil {
		t.Fatalf("these tests need PHP: %v", err)
	}
	t.Cleanup(func() {
		if err := php.Close(); err != nil {
			t.Error(err)
		}
	})
	return php
}

// TestMasks reads each text of testdata/syntax/masks.txtar with the tokens of
// the PHP on this machine. The grammar alone misreads every one of them; with
// the masks nothing is left unread. "want" is the tree, mended, and what is not to
// be changed. The lines "newer:" name the texts that PHP 8.2 does not know yet.
func TestMasks(t *testing.T) {
	const path = "../../testdata/syntax/masks.txtar"
	arch, err := txtar.ParseFile(path)
	if err != nil {
		t.Fatal(err)
	}
	newer := map[string]bool{}
	for line := range strings.Lines(string(arch.Comment)) {
		if names, ok := strings.CutPrefix(line, "newer: "); ok {
			for _, n := range strings.Fields(names) {
				newer[n] = true
			}
		}
	}
	php := tokenizer(t)
	wants := map[string]*txtar.File{}
	for i, f := range arch.Files {
		if strings.HasSuffix(f.Name, "/want") {
			wants[strings.TrimSuffix(f.Name, "/want")] = &arch.Files[i]
		}
	}
	var out []txtar.File
	for _, f := range arch.Files {
		name, ok := strings.CutSuffix(f.Name, "/in.php")
		if !ok {
			continue
		}
		src := unescape(f.Data)
		got := maskCase(t, php, name, src, newer[name])
		out = append(out, f, txtar.File{Name: name + "/want", Data: []byte(got)})
		want := wants[name]
		if os.Getenv("UPDATE") == "1" {
			continue
		}
		if want == nil {
			t.Errorf("%s: no want", name)
		} else if d := cmp.Diff(string(want.Data), got); d != "" {
			t.Errorf("%s: -want +got:\n%s", name, d)
		}
	}
	if os.Getenv("UPDATE") == "1" {
		arch.Files = out
		if err := os.WriteFile(path, txtar.Format(arch), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// unescape puts in the bytes that an archive cannot hold.
func unescape(text []byte) []byte {
	return []byte(strings.NewReplacer("␀", "\x00", "«latin1»", "\xe4\xf6").Replace(strings.TrimSuffix(string(text), "\n")))
}

func maskCase(t *testing.T, php *syntaxtest.Tokenizer, name string, src []byte, newer bool) string {
	r, err := php.Read(src)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	if (r.Error != "") != newer {
		t.Errorf("%s: PHP says %q", name, r.Error)
	}
	plain, err := syntax.Parse(name, src)
	if err != nil {
		t.Fatal(err)
	}
	if len(plain.Damage) == 0 && len(plain.CheckTokens(r.Tokens)) == 0 {
		t.Errorf("%s: the grammar reads it as it is: the mask is not needed", name)
	}
	f, err := syntax.ParseTokens(name, src, r.Tokens)
	if err != nil {
		t.Fatal(err)
	}
	if string(f.Src) != string(src) {
		t.Errorf("%s: Src is not the text that was given", name)
	}
	checkTree(t, f, src)
	return dumped(f)
}

// dumped is a file's tree, and what is not to be changed in it.
func dumped(f *syntax.File) string {
	out := f.Dump(f.Root)
	for _, d := range f.Damage {
		line, col := f.Position(d.Start)
		out += fmt.Sprintf("damage %d:%d %s\n", line, col, d.Reason)
	}
	for _, d := range f.Doubts {
		line, col := f.Position(d.Start)
		out += fmt.Sprintf("doubt %d:%d %s\n", line, col, d.Reason)
	}
	return out
}

// TestDumps compares the trees of testdata/syntax/trees.txtar with their
// dumps, so that a change of grammar or of what is doubted shows in review.
func TestDumps(t *testing.T) {
	paths, err := filepath.Glob("../../testdata/syntax/trees*.txtar")
	if err != nil || len(paths) == 0 {
		t.Fatalf("no archives: %v", err)
	}
	for _, path := range paths {
		arch, err := txtar.ParseFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for i := 0; i < len(arch.Files); i++ {
			name, ok := strings.CutSuffix(arch.Files[i].Name, "/in.php")
			if !ok {
				continue
			}
			f, err := syntax.Parse(name, unescape(arch.Files[i].Data))
			if err != nil {
				t.Fatal(err)
			}
			checkTree(t, f, unescape(arch.Files[i].Data))
			got := dumped(f)
			switch {
			case os.Getenv("UPDATE") == "1":
				if i+1 == len(arch.Files) || arch.Files[i+1].Name != name+"/want" {
					arch.Files = append(arch.Files[:i+1], append([]txtar.File{{Name: name + "/want"}}, arch.Files[i+1:]...)...)
				}
				arch.Files[i+1].Data = []byte(got)
			case i+1 == len(arch.Files) || arch.Files[i+1].Name != name+"/want":
				t.Errorf("%s: no want behind it", name)
			default:
				if d := cmp.Diff(string(arch.Files[i+1].Data), got); d != "" {
					t.Errorf("%s: -want +got:\n%s", name, d)
				}
			}
		}
		if os.Getenv("UPDATE") == "1" {
			if err := os.WriteFile(path, txtar.Format(arch), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
}
