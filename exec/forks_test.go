//go:build linux

package exec

import (
	"context"
	"maps"
	"path/filepath"
	"slices"
	"testing"

	"assay/exec/sandbox"
)

// TestForkHasReadNothing: a fork of the process that runs the tests has the files that were
// loaded before it; it has not read them, so mutants in them can be selected. What it loads
// itself counts as read.
func TestForkHasReadNothing(t *testing.T) {
	root := copyFixture(t, filepath.Join(fixtures, "forks-itself"))
	points, _, _ := layOut(t, root)
	e, err := Open(context.Background(), Settings{Root: root, PHP: lookPHP(t), PHPUnit: lookPHPUnit(t), Jobs: 1,
		Config: filepath.Join(root, "phpunit.xml"), View: sandbox.Overlay})
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	b, err := e.Record(context.Background(), slices.Collect(maps.Values(points)), nil)
	if err != nil {
		t.Fatal(err)
	}
	if got := slices.Sorted(maps.Keys(b.readers)); !slices.Equal(got, []string{"src/Baton.php"}) {
		t.Errorf("read without being loaded: %v", got)
	}
}
