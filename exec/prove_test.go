package exec

import (
	"bytes"
	"context"
	"fmt"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"assay/exec/proving"
	"assay/exec/sandbox"
	"assay/mutate"
	"assay/mutate/syntax"
)

// edit is one change of a source; what it changes stands once in the file.
type edit struct{ file, before, after string }

// prove looks for findings for some edits of a project.
func prove(t *testing.T, root string, s ProveSettings, edits []edit) []mutate.Search {
	t.Helper()
	points, sources, files := layOut(t, root)
	var ms []*mutate.Mutant
	for i, ed := range edits {
		src := sources[ed.file]
		if src == nil || bytes.Count(src.Text, []byte(ed.before)) != 1 {
			t.Fatalf("%s: %q does not stand there once", ed.file, ed.before)
		}
		at := bytes.Index(src.Text, []byte(ed.before))
		m := &mutate.Mutant{ID: fmt.Sprint("m", i), Op: &mutate.Operator{ID: "claim/edit"}, Source: src,
			Edit: narrowed(mutate.Edit{Span: syntax.Span{Start: at, End: at + len(ed.before)}, New: ed.after}, src.Text)}
		points[ed.file].Locate(files[ed.file], m)
		ms = append(ms, m)
	}
	ctx := context.Background()
	e, err := Open(ctx, Settings{Root: root, PHP: lookPHP(t), PHPUnit: lookPHPUnit(t), Config: filepath.Join(root, "phpunit.xml"), View: sandbox.Overlay, Jobs: 2})
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	var all []*mutate.Points
	for _, p := range points {
		all = append(all, p)
	}
	slices.SortFunc(all, func(a, b *mutate.Points) int { return a.First - b.First })
	b, err := e.Record(ctx, all, nil)
	if err != nil {
		t.Fatal(err)
	}
	var out []mutate.Search
	if err := e.Prove(ctx, b, Plan(ms, b), s, func(s mutate.Search) { out = append(out, s) }); err != nil {
		t.Fatal(err)
	}
	if len(out) != len(edits) {
		t.Fatalf("%d searches for %d edits", len(out), len(edits))
	}
	return out
}

// told writes what came of a search on some lines.
func told(s mutate.Search) string {
	var b strings.Builder
	fmt.Fprintf(&b, "tried %d, reached %d, differed %d", s.Tried, s.Reached, s.Differed)
	if s.Why != "" {
		fmt.Fprintf(&b, "; %s", s.Why)
	}
	for _, f := range s.Findings {
		fmt.Fprintf(&b, "\n  changed %v, from %s", f.Changed, f.From)
		for _, c := range f.Calls {
			fmt.Fprintf(&b, "\n  %s", proving.CallText(c))
		}
		for _, l := range f.Looks {
			fmt.Fprintf(&b, "\n  look %d %v: %s, and not %s", l.Kind, l.Path, l.Original.Text, l.Mutant.Text)
		}
	}
	return b.String()
}

// TestProveDemo: the demo's gap at the last early day is found.
func TestProveDemo(t *testing.T) {
	root := copyFixture(t, filepath.Join("..", "testdata", "demo"))
	cmd := osexec.Command(look(t, "composer", "ASSAY_COMPOSER"), "dump-autoload", "--quiet")
	cmd.Dir = root
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("composer: %v: %s", err, out)
	}
	found := prove(t, root, ProveSettings{}, []edit{{"src/SeasonPrices.php", "$on <= $this", "$on < $this"}})[0]
	if len(found.Findings) != 1 || !found.Findings[0].Changed || found.Findings[0].Looks[0].Kind != mutate.LookResult {
		t.Error(told(found))
	}
}
