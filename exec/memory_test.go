//go:build linux

package exec

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"assay/exec/sandbox"
	"assay/mutate"
)

// TestMemoryBeside: a suite that needs all the memory that PHP may have is recorded with
// more; one that needs more than that is refused, as by PHPUnit itself.
func TestMemoryBeside(t *testing.T) {
	root := copyFixture(t, filepath.Join(fixtures, "named-alike"))
	text := `<?php
namespace Seeds\Tests;
final class HarvestTest extends \PHPUnit\Framework\TestCase {
	public function testItIsLarge(): void {
		$grains = range(1, 1000000);
		$this->assertCount(1000000, $grains);
	}
}
`
	if err := os.WriteFile(filepath.Join(root, "tests/HarvestTest.php"), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	peak := peakOf(t, root)
	points, _, _ := layOut(t, root)
	for _, c := range []struct {
		limit  int64
		own    int64 // that the project sets itself; 0: none
		raised bool
		fits   bool
	}{{peak, 0, true, true}, {peak - 8<<20, 0, false, false}, {peak + 200<<20, 0, false, true}, {peak + 200<<20, peak + 24<<20, false, true}} {
		t.Run(fmt.Sprintf("%+d,%d", c.limit-peak, c.own), func(t *testing.T) {
			root := root
			if c.own > 0 {
				root = copyFixture(t, root)
				config := filepath.Join(root, "phpunit.xml")
				text := strings.Replace(readFile(t, config), "</phpunit>", fmt.Sprintf(`<php><ini name="memory_limit" value="%d"/></php></phpunit>`, c.own), 1)
				if err := os.WriteFile(config, []byte(text), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			dir := t.TempDir()
			if err := os.Chmod(dir, 0o755); err != nil {
				t.Fatal(err)
			}
			php := filepath.Join(dir, "php")
			script := fmt.Sprintf("#!/bin/sh\nexec %s -d memory_limit=%d \"$@\"\n", lookPHP(t), c.limit)
			if err := os.WriteFile(php, []byte(script), 0o755); err != nil {
				t.Fatal(err)
			}
			e, err := Open(context.Background(), Settings{Root: root, PHP: php, PHPUnit: lookPHPUnit(t), Jobs: 1,
				Config: filepath.Join(root, "phpunit.xml"), View: sandbox.Overlay})
			if err != nil {
				t.Fatal(err)
			}
			defer e.Close()
			_, err = e.Record(context.Background(), slices.Collect(maps.Values(points)), nil)
			var bad *ProjectError
			if errors.As(err, &bad) && !strings.Contains(bad.What, "Allowed memory size") || (err == nil) != c.fits {
				t.Fatalf("with a limit of %d bytes: %v", c.limit, err)
			}
			told := strings.Contains(strings.Join(e.Remarks(), " "), "memory_limit")
			if (e.Facts().Raised > 0) != c.raised || told != c.raised {
				t.Errorf("with a limit of %d bytes PHP has %d, and the remarks are %q", c.limit, e.Facts().Raised, e.Remarks())
			}
		})
	}
}

// peakOf gives what PHP takes from the system for PHPUnit's own run of a suite, in bytes,
// by memory_get_peak_usage(true), which is what memory_limit is held against.
func peakOf(t *testing.T, root string) int64 {
	t.Helper()
	dir := t.TempDir()
	before, out := filepath.Join(dir, "before.php"), filepath.Join(dir, "peak")
	if err := os.WriteFile(before, []byte("<?php register_shutdown_function(static function () { file_put_contents('"+out+"', memory_get_peak_usage(true)); });"), 0o644); err != nil {
		t.Fatal(err)
	}
	cmd := osexec.Command(lookPHP(t), "-d", "memory_limit=-1", "-d", "auto_prepend_file="+before, lookPHPUnit(t), "-c", filepath.Join(root, "phpunit.xml"))
	cmd.Dir = root
	if text, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	text, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	peak, err := strconv.ParseInt(string(text), 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return peak
}

// TestQuantity: the shorthand of PHP's manual, "Shorthand byte values".
func TestQuantity(t *testing.T) {
	for setting, want := range map[string]int64{"128M": 128 << 20, "1g": 1 << 30, "64K": 64 << 10, "134217728": 128 << 20, "-1": 0, "": 0, " 2M ": 2 << 20, "M": 0, "99999999999G": 0} {
		if got := quantity(setting); got != want {
			t.Errorf("%q: %d, want %d", setting, got, want)
		}
	}
}

// TestMemoryLaunchedAhead: what was launched ahead has the lower limit, and serves no
// recording that is made with the higher one.
func TestMemoryLaunchedAhead(t *testing.T) {
	root := copyFixture(t, filepath.Join(fixtures, "named-alike"))
	points, _, _ := layOut(t, root)
	e, err := Open(context.Background(), Settings{Root: root, PHP: lookPHP(t), PHPUnit: lookPHPUnit(t), Jobs: 1,
		Config: filepath.Join(root, "phpunit.xml"), Sources: func() []*mutate.Points { return slices.Collect(maps.Values(points)) }})
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	if e.Facts().View == sandbox.Overlay && len(e.launched) == 0 {
		t.Fatal("nothing was launched ahead, so that this shows nothing")
	}
	more, err := e.moreMemory(context.Background(), &ProjectError{What: "Allowed memory size of 134217728 bytes exhausted (tried to allocate 8192 bytes)"})
	if !more || err != nil {
		t.Fatalf("a suite that is green by itself: %v, %v", more, err)
	}
	if len(e.launched) > 0 {
		t.Errorf("%d supervisors with the lower limit are still to serve", len(e.launched))
	}
	w, err := e.supervisor(context.Background(), forProbed, 2, false)
	if err != nil {
		t.Fatal(err)
	}
	w.Kill()
}
