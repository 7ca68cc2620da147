//go:build linux

package supervisor

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// TestDigests: what is remembered of files is what a first look at them says, whatever was
// done to them and how soon behind the last look.
func TestDigests(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "made", "log.txt")
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(os.Mkdir(filepath.Dir(path), 0o755))
	must(os.WriteFile(path, []byte("a"), 0o644))
	d := digests{}
	look := func(what string) map[string]string {
		t.Helper()
		got, want := map[string]string{}, map[string]string{}
		d.add(got, "temp/made", filepath.Dir(path))
		digests{}.add(want, "temp/made", filepath.Dir(path))
		if !maps.Equal(got, want) {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
		return got
	}
	for i := range 200 { // many within one tick of the kernel's clock, all of one size
		must(os.WriteFile(path, fmt.Appendf(nil, "%03d", i), 0o644))
		look("written again at once")
	}
	old := func() {
		t.Helper()
		time.Sleep(2 * settled)
		look("left alone")
		if len(d) == 0 {
			t.Fatal("nothing is remembered of a file that was left alone")
		}
	}
	old()
	before := look("as it was")
	info, err := os.Stat(path)
	must(err)
	must(os.WriteFile(path, []byte("xyz"), 0o644))
	must(os.Chtimes(path, info.ModTime(), info.ModTime()))
	if maps.Equal(before, look("written, with the times put back")) {
		t.Error("another text has the same digest")
	}
	old()
	must(os.Chmod(path, 0o600))
	look("another mode")
	old()
	other := filepath.Join(dir, "other")
	must(os.WriteFile(other, []byte("XYZ"), 0o600))
	must(os.Chtimes(other, info.ModTime(), info.ModTime()))
	must(os.Rename(other, path))
	look("another file in its place")
	must(os.Remove(path))
	must(os.Symlink("nowhere", path))
	look("a link in its place")
	must(os.Remove(path))
	look("gone")
}
