package exec

import (
	"bytes"
	"context"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"assay/exec/sandbox"
	"assay/mutate"
	"assay/mutate/syntax"
)

// TestTrySuspect: a mutant whose loop, in another file, goes round much longer
// than usual is tried, and its loops counted, like any other.
func TestTrySuspect(t *testing.T) {
	root := copyFixture(t, filepath.Join(fixtures, "gallery"))
	points, sources, files := layOut(t, root)
	src := sources["src/Spring.php"]
	at := bytes.Index(src.Text, []byte("2.0;"))
	if at < 0 {
		t.Fatal("src/Spring.php has no 2.0")
	}
	m := &mutate.Mutant{ID: "slow", Op: &mutate.Operator{ID: "claim/edit"}, Source: src,
		Edit: mutate.Edit{Span: syntax.Span{Start: at, End: at + len("2.0")}, New: "0.0005"}}
	points[src.Path].Locate(files[src.Path], m)
	ctx := context.Background()
	e, err := Open(ctx, Settings{Root: root, PHP: lookPHP(t), PHPUnit: lookPHPUnit(t),
		Config: filepath.Join(root, "phpunit.xml"), View: sandbox.Overlay})
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	var all []*mutate.Points
	for _, p := range points {
		all = append(all, p)
	}
	slices.SortFunc(all, func(a, b *mutate.Points) int { return a.First - b.First })
	s, err := e.Record(ctx, all, nil)
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	v, err := e.Try(ctx, s, Plan([]*mutate.Mutant{m}, s)[0], &out)
	if err != nil {
		t.Fatal(err)
	}
	if v.Status != mutate.Survived || !strings.Contains(out.String(), "OK") {
		t.Errorf("%v (%s), want survived; PHPUnit says:\n%s", v.Status, v.Detail, out.String())
	}
}
