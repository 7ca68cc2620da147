package exec

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"assay/exec/sandbox"
	"assay/mutate"
)

// TestFailsByChance: a test that fails the first time that it is run, in the first
// recording, and passes when the suite is run once more, does not have the project
// refused, and neither kills a mutant nor keeps others from doing so.
func TestFailsByChance(t *testing.T) {
	for _, c := range []struct {
		name, fails string
		want        map[string]string // text that is put in place => status
	}{
		{"in the first recording", "$n === 1", map[string]string{"'seed of'": "killed", "'seed of ' . \\strtolower($kind)": "survived"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			root := copyFixture(t, filepath.Join(fixtures, "named-alike"))
			count := filepath.Join(t.TempDir(), "runs")
			if err := os.WriteFile(count, nil, 0o666); err != nil {
				t.Fatal(err)
			}
			text := `<?php
namespace Seeds\Tests;
final class WeatherTest extends \PHPUnit\Framework\TestCase {
	public function testItIsDry(): void {
		\Seeds\Drawer::put('barley', 1);
		file_put_contents('` + count + `', '.', FILE_APPEND | LOCK_EX);
		clearstatcache();
		$n = filesize('` + count + `');
		$this->assertFalse(` + c.fails + `);
	}
}
`
			if err := os.WriteFile(filepath.Join(root, "tests/WeatherTest.php"), []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
			var claims []claim
			for after, status := range c.want {
				claims = append(claims, claim{File: "src/Drawer.php", Before: "'seed of ' . $kind", After: after, Status: status})
			}
			set := Settings{Root: root, PHP: lookPHP(t), PHPUnit: lookPHPUnit(t), Config: filepath.Join(root, "phpunit.xml"),
				View: sandbox.Overlay, AllowWrite: []string{count}}
			for i, v := range judgeClaims(t, set, claims) {
				if v.Status.String() != claims[i].Status || strings.Contains(string(v.Killer), "Weather") {
					t.Errorf("%s: %v by %s (%s), want %s", claims[i].After, v.Status, v.Killer, v.Detail, claims[i].Status)
				}
			}
			if n, err := os.ReadFile(count); err != nil || len(n) < 4 {
				t.Errorf("the test was run %d times, %v", len(n), err)
			}
		})
	}
}

// TestKillsOnlyOnce: what a test that starts processes fails for one time, and not when it is
// run again, is no kill.
func TestKillsOnlyOnce(t *testing.T) {
	root := copyFixture(t, filepath.Join(fixtures, "named-alike"))
	flag := filepath.Join(t.TempDir(), "failed")
	if err := os.WriteFile(flag, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	text := `<?php
namespace Seeds\Tests;
final class AWeatherTest extends \PHPUnit\Framework\TestCase {
	public function testItIsDry(): void {
		exec('true');
		try {
			\Seeds\Drawer::count('barley');
		} catch (\OutOfBoundsException $e) {
			if ($e->getMessage() !== 'There is no drawer for barley.' && filesize('` + flag + `') === 0) {
				file_put_contents('` + flag + `', 'once');
				$this->fail('it took too long');
			}
		}
		$this->assertTrue(true);
	}
}
`
	if err := os.WriteFile(filepath.Join(root, "tests/AWeatherTest.php"), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	set := Settings{Root: root, PHP: lookPHP(t), PHPUnit: lookPHPUnit(t), Config: filepath.Join(root, "phpunit.xml"),
		View: sandbox.Overlay, AllowWrite: []string{flag}}
	v := judgeClaims(t, set, []claim{{File: "src/Drawer.php", Before: "There is no drawer", After: "There is no packet"}})[0]
	if v.Status != mutate.Survived {
		t.Errorf("%v by %s (%s), want survived", v.Status, v.Killer, v.Detail)
	}
	if b, err := os.ReadFile(flag); err != nil || string(b) != "once" {
		t.Errorf("it did not fail: %q, %v", b, err)
	}
}
