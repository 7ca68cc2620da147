//go:build linux

package sandbox

import (
	"os"
	"testing"
)

// caseAdd adds files, which are damage and nothing else.
func caseAdd(k insideT, _ string) {
	for _, name := range []string{"tests/NewTest.php", "new.php", "src/loop/tests/Other.php", "absolute/Third.php"} {
		k.must(k.v.Add(name, []byte("<?php // "+name)))
		got, err := os.ReadFile(k.path(name))
		k.must(err)
		if string(got) != "<?php // "+name {
			k.fatalf("%s has %q", name, got)
		}
		if err := k.v.Add(name, nil); err == nil {
			k.fatalf("%s is added twice", name)
		}
		if list := k.damage(); len(list) != 1 {
			k.fatalf("after adding %s: damage %v", name, list)
		}
		k.mended()
		if _, err := os.Lstat(k.path(name)); err == nil {
			k.fatalf("%s is there after Repair", name)
		}
	}
	for _, bad := range []string{"src/Tide.php", "nowhere/X.php", "../x", "/etc/x", "src", "dangling", "src/Link.php"} {
		if err := k.v.Add(bad, nil); err == nil {
			k.fatalf("%q is added", bad)
		}
	}
}

func init() { cases["add"] = caseAdd }

func TestViewAdd(t *testing.T) { everyView(t, "add") }
