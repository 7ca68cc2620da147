package exec

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"assay/exec/sandbox"
)

// TestLateStage: a file that data providers load is changed in a fork of a
// stage that lacks it, and the rows that come from it are those of the change.
func TestLateStage(t *testing.T) {
	root := copyFixture(t, filepath.Join(fixtures, "provider-loads-class"))
	ctx := context.Background()
	e, err := Open(ctx, Settings{Root: root, PHP: lookPHP(t), PHPUnit: lookPHPUnit(t),
		Config: filepath.Join(root, "phpunit.xml"), View: sandbox.Copy})
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	w, err := e.startWorker(ctx, 1)
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(root, "src/Level.php"))
	if err != nil {
		t.Fatal(err)
	}
	all := make([]int, len(w.facts.Tests))
	for i := range all {
		all[i] = i
	}
	for range 2 { // the second child finds the stage as the first left it
		o, err := w.run(ctx, runRequest{Path: "src/Level.php", Text: text, Classes: []string{`tide\level`}, Mode: "survey", Tests: all})
		if err != nil {
			t.Fatal(err)
		}
		if o.Stage != 2 || !o.Done || o.Exit != 0 || o.Started != len(all) {
			t.Fatalf("stage %d, done %v, status %d, %d of %d tests: %v", o.Stage, o.Done, o.Exit, o.Started, len(all), o.Events)
		}
		for i, r := range o.Tests {
			if r.Test != i {
				t.Errorf("test %d came as number %d", r.Test, i)
			}
		}
	}
}
