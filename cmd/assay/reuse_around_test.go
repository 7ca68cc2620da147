//go:build linux

package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/txtar"
)

// slipway is a project whose code asks for things without opening them.
const slipway = `
-- phpunit.xml --
<?xml version="1.0"?>
<phpunit cacheResult="false" bootstrap="tests/bootstrap.php">
    <coverage><include><directory>src</directory></include></coverage>
    <testsuites><testsuite name="slipway"><directory>tests</directory></testsuite></testsuites>
</phpunit>
-- README --
A slipway.
-- .git/HEAD --
ref: refs/heads/main
-- .git/refs/heads/main --
0000000000000000000000000000000000000001
-- vendor/acme/tides/table.txt --
07:10
-- tests/bootstrap.php --
<?php
spl_autoload_register(static function (string $class): void {
    if (in_array($class, ['Gate', 'Age', 'Mark', 'Ramp'])) {
        require __DIR__ . '/../src/' . $class . '.php';
    }
});
-- src/Gate.php --
<?php
final class Gate
{
    public function open(int $hour): bool
    {
        return $hour > 5 && !is_dir(__DIR__ . '/../storm');
    }
}
-- src/Age.php --
<?php
final class Age
{
    public function known(int $days): bool
    {
        return filemtime(__DIR__ . '/../README') > $days;
    }
}
-- src/Mark.php --
<?php
final class Mark
{
    public function text(int $length): string
    {
        return substr((string) shell_exec('echo mark'), 0, $length + 1);
    }
}
-- src/Ramp.php --
<?php
final class Ramp
{
    public function angle(int $height): int
    {
        return $height * 2;
    }
}
-- tests/AgeTest.php --
<?php
final class AgeTest extends PHPUnit\Framework\TestCase
{
    public function testKnown(): void
    {
        $this->assertTrue((new Age())->known(1));
    }
}
-- tests/GateTest.php --
<?php
final class GateTest extends PHPUnit\Framework\TestCase
{
    public function testOpen(): void
    {
        $this->assertTrue((new Gate())->open(7));
    }
}
-- tests/MarkTest.php --
<?php
final class MarkTest extends PHPUnit\Framework\TestCase
{
    public function testText(): void
    {
        $this->assertSame('mark', (new Mark())->text(3));
    }
}
-- tests/RampTest.php --
<?php
final class RampTest extends PHPUnit\Framework\TestCase
{
    public static function heights(): array
    {
        return [[2, 4, count(scandir(__DIR__))]];
    }

    /** @dataProvider heights */
    #[PHPUnit\Framework\Attributes\DataProvider('heights')]
    public function testAngle(int $height, int $angle, int $files): void
    {
        $this->assertSame($angle, (new Ramp())->angle($height));
    }
}
`

// keel is another test.
const keel = "<?php final class KeelTest extends PHPUnit\\Framework\\TestCase { public function testNothing(): void { $this->assertTrue(true); } }"

// then is when all files of the slipway were written.
var then = time.Date(2020, 5, 17, 6, 0, 0, 0, time.UTC)

func laySlipway(t *testing.T, dir string) {
	t.Helper()
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	for _, f := range txtar.Parse([]byte(slipway)).Files {
		path := filepath.Join(dir, f.Name)
		put(t, path, string(f.Data))
		if err := os.Chtimes(path, then, then); err != nil {
			t.Fatal(err)
		}
	}
}

// TestReuseOfWhatIsAsked changes what code can find out without opening a file, and looks at
// which mutants would be judged again.
func TestReuseOfWhatIsAsked(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and nothing in it runs in parallel that others do not have")
	}
	needTools(t, "php", "phpunit")
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	dir := filepath.Join(t.TempDir(), "slipway")
	laySlipway(t, dir)
	tool(t, "run", "--project", dir)
	base := recordingOf(t, commandOf(t, "run", "--project", dir).(*runCommand))
	in := func(name string) string { return filepath.Join(dir, name) }
	for name, c := range map[string]struct {
		do   func() error
		want []string // test classes; "all"
	}{
		"data of a provider that lists tests": {func() error { put(t, in("tests/KeelTest.php"), keel); return nil }, []string{"AgeTest", "MarkTest", "RampTest"}},
		"nothing":                             {func() error { return nil }, nil},
		"a directory with PHP files only":     {func() error { put(t, in("storm/Surge.php"), "<?php"); return nil }, []string{"AgeTest", "GateTest", "MarkTest"}},
		"a mode":                              {func() error { return os.Chmod(in("README"), 0o755) }, []string{"GateTest"}},
		"a time":                              {func() error { return os.Chtimes(in("README"), then, then.Add(time.Hour)) }, []string{"AgeTest", "MarkTest"}},
		"a commit":                            {func() error { put(t, in(".git/refs/heads/main"), strings.Repeat("2", 40)); return nil }, []string{"AgeTest", "MarkTest"}},
		"data of a package":                   {func() error { put(t, in("vendor/acme/tides/table.txt"), "07:20"); return nil }, []string{"all"}},
		"another file of a package":           {func() error { put(t, in("vendor/acme/tides/more.txt"), ""); return nil }, []string{"all"}},
	} {
		t.Run(name, func(t *testing.T) {
			defer laySlipway(t, dir)
			if err := c.do(); err != nil {
				t.Fatal(err)
			}
			now, command := base, commandOf(t, "run", "--project", dir).(*runCommand)
			if strings.Contains(name, "provider") {
				now = recordingOf(t, command)
			}
			tasks, classes, left := leftToJudge(t, now, &reuseInput{command: command})
			for _, task := range tasks {
				want := slices.Contains(c.want, "all") || slices.ContainsFunc(task.Reach, func(i int) bool { return slices.Contains(c.want, classes[i]) })
				if got := left[task.Mutant.ID]; got != want {
					t.Errorf("%s: judged again: %v, want %v", task.Mutant.ID, got, want)
				}
			}
		})
	}
}

// TestPHPSum gives PHP a key of nobody's in its ini file, as get_cfg_var() reads it.
func TestPHPSum(t *testing.T) {
	needTools(t, "php")
	dir := t.TempDir()
	t.Setenv("PHPRC", dir)
	sum := func(value string) string {
		put(t, filepath.Join(dir, "php.ini"), "slipway.length="+value+"\n")
		s, err := phpSum("php")
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	if a, again, b := sum("12"), sum("12"), sum("13"); a != again || a == b {
		t.Errorf("%s, %s, %s", a, again, b)
	}
}
