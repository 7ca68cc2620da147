//go:build linux

package sandbox

import (
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// TestOpens says what is noticed of opening, and what is not.
func TestOpens(t *testing.T) {
	root := t.TempDir()
	for _, name := range []string{"src/Tide.php", "vendor/acme/Keel.php", "vendor/autoload.php", "gone/old.php"} {
		p := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, nil, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	w := WatchOpens(root)
	read := func(name string) {
		t.Helper()
		if _, err := os.ReadFile(filepath.Join(root, name)); err != nil {
			t.Fatal(err)
		}
	}
	want := func(names ...string) {
		t.Helper()
		if got := w.Take(); !slices.Equal(got, names) {
			t.Errorf("opened: %q, want %q", got, names)
		}
	}
	want()
	read("vendor/autoload.php")
	read("src/Tide.php")
	read("src/Tide.php")
	read("vendor/acme/Keel.php") // other records stand for it
	want("src/Tide.php", "vendor/autoload.php")
	want()
	for range 20_000 { // more than the kernel keeps
		read("src/Tide.php")
	}
	if got := w.Count(); got["src/Tide.php"] != 20_000 {
		t.Errorf("counted: %v", got)
	}
	for range 3 { // one after the other, which the kernel would take for one
		read("src/Tide.php")
	}
	read("vendor/autoload.php")
	if got := w.Count(); got["src/Tide.php"] != 3 || got["vendor/autoload.php"] != 1 || len(got) != 2 {
		t.Errorf("counted: %v", got)
	}
	if _, err := os.ReadDir(filepath.Join(root, "src")); err != nil {
		t.Fatal(err)
	}
	want("src/")
	if _, err := os.Stat(filepath.Join(root, "src/Tide.php")); err != nil {
		t.Fatal(err)
	}
	want()
	read("src/Tide.php")
	w.Settle()
	want()

	// A directory that is another one now is watched again after Settle.
	if err := os.RemoveAll(filepath.Join(root, "gone")); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(root, "gone"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(root, "gone/new.php"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	w.Settle()
	read("gone/new.php")
	want("gone/new.php")

	w.fd = -1 // as where there is no watching
	want(Everything)
	want(Everything)
}
