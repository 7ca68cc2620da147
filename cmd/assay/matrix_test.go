//go:build linux

package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"
)

// lighthouse has what makes tests that follow each other in one process differ
// from tests run apart: code that exits, loops and keeps state, tests that
// depend on others, fixtures and data providers that use what is changed.
const lighthouse = `
-- phpunit.xml --
<?xml version="1.0"?>
<phpunit cacheResult="false" bootstrap="tests/bootstrap.php">
    <coverage><include><directory>src</directory></include></coverage>
    <testsuites><testsuite name="lighthouse"><directory>tests</directory></testsuite></testsuites>
</phpunit>
-- tests/bootstrap.php --
<?php
spl_autoload_register(static function (string $class): void {
    if (in_array($class, ['Lamp', 'Log', 'Stairs'])) {
        require __DIR__ . '/../src/' . $class . '.php';
    }
});
-- src/Lamp.php --
<?php
final class Lamp
{
    public function flashes(int $seconds): int
    {
        if ($seconds > 600) {
            exit(0);
        }
        $n = 0;
        while ($seconds > 0) {
            $seconds -= 10;
            $n++;
        }

        return $n;
    }
}
-- src/Log.php --
<?php
final class Log
{
    private static int $entries = 0;

    public function add(): int
    {
        return self::$entries += 1;
    }

    public function clear(): void
    {
        self::$entries = 0;
    }
}
-- src/Stairs.php --
<?php
final class Stairs
{
    public static function count(int $floors): int
    {
        return $floors * 17;
    }
}
-- tests/LampTest.php --
<?php
use PHPUnit\Framework\TestCase;

final class LampTest extends TestCase
{
    public function testDark(): void
    {
        $this->assertSame(0, (new Lamp())->flashes(0));
    }

    public function testShort(): void
    {
        $this->assertSame(1, (new Lamp())->flashes(10));
    }

    public function testLong(): void
    {
        $this->assertSame(60, (new Lamp())->flashes(600));
    }

    public function testNothing(): void
    {
        (new Lamp())->flashes(25);
        $this->assertTrue(true);
    }
}
-- tests/LogTest.php --
<?php
use PHPUnit\Framework\TestCase;

final class LogTest extends TestCase
{
    public function testFirst(): void
    {
        (new Log())->clear();
        $this->assertSame(1, (new Log())->add());
    }

    public function testSecond(): void
    {
        (new Log())->clear();
        (new Log())->add();
        $this->assertSame(2, (new Log())->add());
    }
}
-- tests/StairsTest.php --
<?php
use PHPUnit\Framework\TestCase;

final class StairsTest extends TestCase
{
    private static int $ground;

    public static function setUpBeforeClass(): void
    {
        self::$ground = Stairs::count(0);
        if (self::$ground > 3) {
            throw new LogicException('no ground');
        }
    }

    public static function houses(): array
    {
        return ['low' => [1, Stairs::count(1)], 'high' => [2, 34]];
    }

    /** @dataProvider houses */
    public function testCount(int $floors, int $steps): void
    {
        $this->assertSame($steps, Stairs::count($floors));
    }

    public function testOne(): int
    {
        $this->assertGreaterThan(9, Stairs::count(1));

        return Stairs::count(1);
    }

    /** @depends testOne */
    public function testTwo(int $one): void
    {
        $this->assertSame(2 * $one, Stairs::count(2));
    }
}
`

// TestAllKills holds every pair of a mutant and a test that reaches it against
// PHPUnit itself: the change is made in a copy and the one test is run there,
// cold, with what it depends on. A test that fails only behind others is run in the
// whole suite.
//
//	KILLS_PROJECT=dir  this project, and not the one above
//	KILLS_ARGS=...     for assay run, as --sample 40
func TestAllKills(t *testing.T) {
	needTools(t, "php", "phpunit")
	if testing.Short() {
		t.Skip("a cold run for each pair takes its time")
	}
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	root := ""
	if dir := os.Getenv("KILLS_PROJECT"); dir != "" {
		root = prepared(t, dir)
	} else {
		root = unpack(t, lighthouse)
	}
	out := t.TempDir()
	file, matrix := filepath.Join(out, "result.json"), filepath.Join(out, "matrix.csv")
	tool(t, append([]string{"run", "--project", root, "--all-kills", "--write", "json=" + file, "--write", "matrix=" + matrix},
		strings.Fields(os.Getenv("KILLS_ARGS"))...)...)
	var result resultFile
	text, err := os.ReadFile(file)
	if err == nil {
		err = json.Unmarshal(text, &result)
	}
	if err != nil {
		t.Fatal(err)
	}
	pairs := matrixOf(t, matrix)
	checked, failed := 0, 0
	for _, tests := range pairs {
		for _, outcome := range tests {
			checked++
			if outcome == "failed" {
				failed++
			}
		}
	}
	g := new(errgroup.Group)
	g.SetLimit(2)
	for worker := range 2 {
		copied := filepath.Join(t.TempDir(), "copy")
		if err := os.CopyFS(copied, os.DirFS(root)); err != nil {
			t.Fatal(err)
		}
		g.Go(func() error {
			unchanged := map[string]string{} // some code ends otherwise when only one test is run
			for _, tests := range pairs {
				for test := range tests {
					if unchanged[test] == "" {
						unchanged[test] = coldOutcome(t, copied, test)
					}
				}
			}
			for i, m := range result.Mutants {
				if i%2 != worker {
					continue
				}
				path := filepath.Join(copied, m.File)
				before, err := os.ReadFile(path)
				if err != nil {
					return err
				}
				changed := string(before[:m.Start]) + m.After + string(before[m.End:])
				if err := os.WriteFile(path, []byte(changed), 0o644); err != nil {
					return err
				}
				for test, outcome := range pairs[m.ID] {
					if unchanged[test] != "passed" {
						continue // PHPUnit says nothing about the change
					}
					if got := coldOutcome(t, copied, test); got != outcome && outcome != outcomeInSuite(t, copied, test) {
						t.Errorf("%s (%s -> %s), %s: %s, but cold it is %s", m.ID, m.Before, m.After, test, outcome, got)
					}
				}
				if err := os.WriteFile(path, before, 0o644); err != nil {
					return err
				}
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d pairs, %d of them failed", checked, failed)
	if failed == 0 || failed == checked {
		t.Error("one outcome only: the test says nothing")
	}
}

// matrixOf reads a matrix: mutant, test, outcome.
func matrixOf(t *testing.T, file string) map[string]map[string]string {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(rows[0], ","); got != "mutant,status,test,outcome" {
		t.Fatalf("columns: %s", got)
	}
	pairs := map[string]map[string]string{}
	for _, row := range rows[1:] {
		if pairs[row[0]] == nil {
			pairs[row[0]] = map[string]string{}
		}
		pairs[row[0]][row[2]] = row[3]
	}
	return pairs
}

// dependent are the tests of lighthouse that need another one.
var dependent = map[string]string{"StairsTest::testTwo": "StairsTest::testOne"}

// coldOutcome runs one test, as PHPUnit 9.6 names it in --filter, with what it
// depends on, and says whether it fails. What makes the process end with
// another status than 0 counts, but for the failure of what it depends on.
func coldOutcome(t *testing.T, dir, test string) string {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	names := filterOf(test)
	if first := dependent[test]; first != "" {
		names += "|" + filterOf(first)
	}
	cmd, log := coldPHPUnit(ctx, dir, "--filter", "/^("+names+")$/")
	text, err := cmd.CombinedOutput()
	var exit *osexec.ExitError
	switch {
	case err == nil && strings.Contains(string(text), "No tests executed!"):
		// The change takes the row from the data provider, or makes that fail,
		// which --filter does not show.
		all, _ := coldPHPUnit(ctx, dir)
		text, _ := all.CombinedOutput() // red, if so
		method, _, _ := strings.Cut(test, "#")
		if strings.Contains(string(text), "The data provider specified for "+method+" is invalid") {
			return "failed"
		}
		return "passed"
	case err == nil && !strings.Contains(string(text), "OK"):
		return "failed" // it ended too early
	case err == nil:
		return "passed"
	case !errors.As(err, &exit):
		t.Errorf("phpunit: %v", err)
	case dependent[test] != "" && ctx.Err() == nil:
		if loggedAs(log, test, "skipped") {
			return "passed"
		}
	}
	return "failed"
}

// coldPHPUnit runs PHPUnit in a project, and names the file that it will write its log
// to. An endless loop uses up three seconds of the processor, however busy it is.
func coldPHPUnit(ctx context.Context, dir string, args ...string) (cmd *osexec.Cmd, log string) {
	log = filepath.Join(dir, "..", filepath.Base(filepath.Dir(dir))+".xml")
	os.Remove(log)
	cmd = osexec.CommandContext(ctx, "sh", append([]string{"-c", `ulimit -t 3; exec phpunit "$@"`, "phpunit", "--log-junit", log}, args...)...)
	cmd.Dir, cmd.Env = dir, append(os.Environ(), "TMPDIR="+filepath.Dir(dir)) // suites use fixed names in it
	return cmd, log
}

// outcomeInSuite runs the whole suite and says whether a test fails there.
func outcomeInSuite(t *testing.T, dir, test string) string {
	cmd, log := coldPHPUnit(t.Context(), dir)
	cmd.Run()
	if loggedAs(log, test, "failure") || loggedAs(log, test, "error") {
		return "failed"
	}
	return "passed"
}

// loggedAs reports whether the log says something of a test; there is none when the
// process died.
func loggedAs(log, test, what string) bool {
	text, _ := os.ReadFile(log)
	return regexp.MustCompile(`name="` + regexp.QuoteMeta(test[strings.Index(test, "::")+2:]) + `"[^>]*>\s*<` + what).Match(text)
}

func filterOf(test string) string {
	name, data, ok := strings.Cut(test, "#")
	name = regexp.QuoteMeta(name)
	if !ok {
		return name
	}
	if _, err := strconv.Atoi(data); err == nil {
		return name + " with data set #" + data
	}
	return name + ` with data set "` + strings.ReplaceAll(regexp.QuoteMeta(data), "/", `\/`) + `"`
}
