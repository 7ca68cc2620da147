package operators_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"

	"assay/mutate"
	"assay/mutate/syntax"
	"assay/operators"
)

// TestWideRepeatsNothing: of a corpus and of the cases of all families, no operator that is in
// the breadth wide alone makes the text that another operator makes. (Between operators of the
// breadth core that happens where two rules come to the same in the end; the first by ID has it.)
func TestWideRepeatsNothing(t *testing.T) {
	for path, src := range mutatedTexts(t) {
		f, err := syntax.Parse(path, src)
		if err != nil {
			t.Fatal(err)
		}
		made := map[mutate.Edit]*mutate.Operator{}
		for _, op := range operators.All() {
			for _, x := range mutate.EditsOf(f, op) {
				e := withoutSame(src, x.Edit)
				if first := made[e]; first != nil && first != op && (first.Wide || op.Wide) {
					line, column := f.Position(x.Edit.Start)
					t.Errorf("%s:%d:%d: %s makes what %s does: %q -> %q", path, line, column, op.ID, first.ID, src[x.Edit.Start:x.Edit.End], x.Edit.New)
				}
				made[e] = op
			}
		}
	}
}

// withoutSame gives an edit without the bytes at its ends that it leaves as they are.
func withoutSame(src []byte, e mutate.Edit) mutate.Edit {
	for e.Len() > 0 && e.New != "" && src[e.Start] == e.New[0] {
		e.Start, e.New = e.Start+1, e.New[1:]
	}
	for e.Len() > 0 && e.New != "" && src[e.End-1] == e.New[len(e.New)-1] {
		e.End, e.New = e.End-1, e.New[:len(e.New)-1]
	}
	return e
}

// mutatedTexts gives PHP texts by path: the cases of the families, and files of testdata and
// of the corpus.
func mutatedTexts(t *testing.T) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	archives, err := filepath.Glob("../testdata/operators/*.txtar")
	if err != nil || len(archives) == 0 {
		t.Fatalf("%d archives: %v", len(archives), err)
	}
	for _, path := range archives {
		archive, err := txtar.ParseFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, file := range archive.Files {
			if strings.HasSuffix(file.Name, "/in.php") {
				out[filepath.Base(path)+"/"+file.Name] = file.Data
			}
		}
	}
	fixtures, others := corpus(t)
	for _, path := range append(fixtures, others[:min(len(others), 300)]...) {
		if out[path], err = os.ReadFile(path); err != nil {
			t.Fatal(err)
		}
	}
	return out
}
