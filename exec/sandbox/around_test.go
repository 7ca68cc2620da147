//go:build linux

package sandbox

import (
	"os"
	"path/filepath"
	"testing"

	"assay/exec/sandbox/sandboxtest"
)

func init() { cases["around"] = caseAround }

// TestAround copies a project together with what it lies in, and finds all at its place.
func TestAround(t *testing.T) {
	for _, c := range []struct {
		name string
		with Confinement
		arg  string
	}{
		{"open", Confinement{}, "watched"},
		{"by Landlock", Confinement{Landlock: 1}, "not watched"}, // what makes it read-only is a Guard's, for tests
	} {
		t.Run(c.name, func(t *testing.T) {
			whole := filepath.Join(t.TempDir(), "all of it")
			sampleProject(t, whole)
			before := sandboxtest.Snapshot(t, whole)
			runInside(t, Spec{Mode: Copy, Root: filepath.Join(whole, "src"), Around: whole, Dir: t.TempDir(), Confinement: c.with}, "around "+c.arg, nil)
			if after := sandboxtest.Snapshot(t, whole); after != before {
				t.Errorf("the original was changed:\n%s\nwas\n%s", after, before)
			}
		})
	}
	if _, err := Command(Spec{Mode: Copy, Root: t.TempDir(), Around: t.TempDir(), Dir: t.TempDir()}, "probe", ""); err == nil {
		t.Error("a project outside of what is around it was taken")
	}
}

func caseAround(k insideT, arg string) {
	const text = "<?php // swapped\n"
	k.must(k.v.Swap(map[string][]byte{"Tide.php": []byte(text)}))
	for _, p := range []string{"Tide.php", "Link.php", "../src/Tide.php", "../absolute/Tide.php", "loop/src/Tide.php"} {
		got, err := os.ReadFile(k.path(p))
		k.must(err)
		if string(got) != text {
			k.fatalf("%s reads %q", p, got)
		}
	}
	k.must(k.v.Restore())
	k.wantDamage()
	got, err := os.ReadFile(k.path("../vendor/acme/Keel.php"))
	k.must(err)
	if string(got) != "<?php class Keel {}\n" {
		k.fatalf("what is around reads %q", got)
	}
	k.must(os.WriteFile(k.path("../vendor/acme/New.php"), nil, 0o644))
	k.must(os.WriteFile(k.path("Deep/New.php"), nil, 0o644))
	list, err := k.v.Damage()
	k.must(err)
	around := false
	for _, c := range list {
		around = around || c.Path == "vendor/acme/New.php"
		if c.Place != "project" && (c.Path == "src" || filepath.Dir(c.Path) == "src") {
			k.fatalf("the project's own is told of twice: %v", c)
		}
	}
	if around != (arg == "watched") {
		k.fatalf("%v is told of", list)
	}
	k.must(k.v.Repair())
	k.wantDamage()
	if _, err := os.Lstat(k.path("../vendor/acme/New.php")); (err == nil) == (arg == "watched") {
		k.fatalf("what was written around: %v", err)
	}
}
