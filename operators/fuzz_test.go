package operators_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"

	"assay/mutate"
	"assay/mutate/syntax"
	"assay/operators"
)

// FuzzMutate: whatever the bytes, making mutants and probes does not panic;
// each mutant differs from the original, in its span only; and the same text
// gives the same mutants.
func FuzzMutate(f *testing.F) {
	for _, src := range phpTexts(f) {
		f.Add(src)
	}
	ops := operators.All()
	f.Fuzz(func(t *testing.T, src []byte) {
		before := bytes.Clone(src)
		file, err := syntax.Parse("fuzz.php", src)
		if err != nil {
			return
		}
		source := &mutate.Source{Path: "fuzz.php", Text: src}
		points := mutate.Layout(file, source, 1)
		ms := mutate.Generate(file, source, ops, points)
		if !bytes.Equal(src, before) {
			t.Fatal("the text was written to")
		}
		seen := map[string]bool{}
		for _, m := range ms {
			checkMutant(t, src, m)
			if seen[m.ID] {
				t.Fatalf("two mutants are called %s", m.ID)
			}
			seen[m.ID] = true
		}
		again := mutate.Generate(file, source, ops, points)
		if len(again) != len(ms) {
			t.Fatalf("%d mutants, then %d", len(ms), len(again))
		}
		for i := range ms {
			if ms[i].ID != again[i].ID || ms[i].Edit != again[i].Edit {
				t.Fatalf("mutant %d is %s %+v, then %s %+v", i, ms[i].ID, ms[i].Edit, again[i].ID, again[i].Edit)
			}
		}
		points.Probed()
	})
}

func checkMutant(t *testing.T, src []byte, m *mutate.Mutant) {
	e := m.Edit
	if e.Start < 0 || e.End < e.Start || e.End > len(src) {
		t.Fatalf("%s: span %+v of %d bytes", m.Op.ID, e.Span, len(src))
	}
	got := e.Apply(src)
	if bytes.Equal(got, src) {
		t.Fatalf("%s at %d: nothing is changed", m.Op.ID, e.Start)
	}
	if len(got) != len(src)-e.Len()+len(e.New) ||
		!bytes.HasPrefix(got, src[:e.Start]) || !bytes.HasSuffix(got, src[e.End:]) {
		t.Fatalf("%s at %d: bytes outside the span are changed", m.Op.ID, e.Start)
	}
}

// phpTexts gives every PHP text of testdata: files, and the PHP sections of
// archives.
func phpTexts(f *testing.F) (out [][]byte) {
	f.Helper()
	err := filepath.WalkDir("../testdata", func(path string, d os.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		text, err := os.ReadFile(path)
		switch {
		case err != nil:
			return err
		case strings.HasSuffix(path, ".php"):
			out = append(out, text)
		case strings.HasSuffix(path, ".txtar"):
			for _, file := range txtar.Parse(text).Files {
				if strings.HasSuffix(file.Name, ".php") {
					out = append(out, file.Data)
				}
			}
		}
		return nil
	})
	if err != nil || len(out) == 0 {
		f.Fatalf("%d texts: %v", len(out), err)
	}
	return out
}
