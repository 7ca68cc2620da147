//go:build linux

package sandbox

import (
	"os"
	"path/filepath"
	"testing"
)

// TestWorkDir: a work directory goes when it is not locked, and only then; others' folders of
// such a name stay.
func TestWorkDir(t *testing.T) {
	top := t.TempDir()
	t.Setenv("TMPDIR", top)
	foreign, empty := filepath.Join(top, "assay-123"), filepath.Join(top, "assay-456")
	for _, dir := range []string{filepath.Join(foreign, "x"), empty} {
		if err := os.MkdirAll(dir, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	var dirs []*WorkDir
	for _, keep := range []bool{false, true, false} {
		w, err := MakeWorkDir(keep)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.MkdirAll(filepath.Join(w.Path, "a", "b"), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(filepath.Join(w.Path, "a"), 0); err != nil { // as a test may leave it
			t.Fatal(err)
		}
		dirs = append(dirs, w)
	}
	there := func(w *WorkDir) bool { return isThere(w.Path) }
	removeAbandoned(top)
	if isThere(empty) {
		t.Error("a directory whose process was killed at once is still there")
	}
	if !there(dirs[0]) || !there(dirs[1]) || !there(dirs[2]) {
		t.Fatal("a directory that is held was removed")
	}
	// As when their process is killed.
	dirs[0].lock.Close()
	dirs[1].lock.Close()
	removeAbandoned(top)
	if there(dirs[0]) {
		t.Error("a directory that nobody holds is still there")
	}
	if !there(dirs[1]) || !there(dirs[2]) || !isThere(foreign) {
		t.Error("a directory that is kept, held or another's was removed")
	}
	for range 2 {
		if err := dirs[2].Remove(); err != nil || there(dirs[2]) {
			t.Errorf("%v", err)
		}
	}
	os.Chmod(filepath.Join(dirs[1].Path, "a"), 0o700)
}
