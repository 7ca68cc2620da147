//go:build linux

package main

import (
	"bytes"
	"io"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"

	"assay/exec"
	"assay/mutate"
)

// ferry is a project in which each kind of thing that a verdict may rest on
// concerns some mutants and not others. Tests that read files are always run
// together, for one may read what another wrote.
const ferry = `
-- phpunit.xml --
<?xml version="1.0"?>
<phpunit cacheResult="false" bootstrap="tests/bootstrap.php">
    <php><env name="FERRY_SEASON" value="summer"/></php>
    <coverage><include><directory>src</directory></include></coverage>
    <testsuites><testsuite name="ferry"><directory>tests</directory></testsuite></testsuites>
</phpunit>
-- composer.lock --
{}
-- README --
A ferry line.
-- tests/bootstrap.php --
<?php
spl_autoload_register(static function (string $class): void {
    if (in_array($class, ['Quay', 'Berth', 'Table', 'Signals', 'Lamp', 'Pier'])) {
        require __DIR__ . '/../src/' . $class . '.php';
    }
});
-- src/Quay.php --
<?php
final class Quay
{
    public static function depth(): int
    {
        return 4 + 3;
    }
}
-- src/Berth.php --
<?php
final class Berth
{
    public function fits(int $draught): bool
    {
        return $draught < Quay::depth();
    }
}
-- src/Table.php --
<?php
final class Table
{
    public function first(bool $night): string
    {
        return trim((string) file_get_contents(__DIR__ . '/../data/' . ($night ? 'night' : 'day') . '.txt'));
    }
}
-- src/Signals.php --
<?php
final class Signals
{
    public function known(): int
    {
        return count(glob(__DIR__ . '/../signals/*.php')) + 1;
    }
}
-- src/Lamp.php --
<?php
final class Lamp
{
    public function lit(int $hour): bool
    {
        return $hour > 18 || ($hour > 30 && class_exists('Eclipse'));
    }
}
-- src/Pier.php --
<?php
final class Pier
{
    public function long(int $boats): int
    {
        return $boats * 12;
    }
}
-- data/day.txt --
07:10
-- data/night.txt --
23:40
-- signals/Horn.php --
<?php
-- tests/fixtures/boats.csv --
5
-- tests/BerthTest.php --
<?php
final class BerthTest extends PHPUnit\Framework\TestCase
{
    public function testFits(): void
    {
        $this->assertTrue((new Berth())->fits(5));
        $this->assertFalse((new Berth())->fits(8));
    }
}
-- tests/LampTest.php --
<?php
final class LampTest extends PHPUnit\Framework\TestCase
{
    const DUSK = 20;
    public function testLit(): void
    {
        $this->assertTrue((new Lamp())->lit(self::DUSK));
        $this->assertFalse((new Lamp())->lit(3));
    }
}
-- tests/PierTest.php --
<?php
final class PierTest extends PHPUnit\Framework\TestCase
{
    public function testLong(): void
    {
        $this->assertSame(60, (new Pier())->long((int) file_get_contents(__DIR__ . '/fixtures/boats.csv')));
    }
}
-- tests/SignalsTest.php --
<?php
final class SignalsTest extends PHPUnit\Framework\TestCase
{
    public function testKnown(): void
    {
        $this->assertGreaterThan(1, (new Signals())->known());
    }
}
-- tests/TableTest.php --
<?php
final class TableTest extends PHPUnit\Framework\TestCase
{
    public function testFirst(): void
    {
        $this->assertSame('07:10', (new Table())->first(LampTest::DUSK > 22));
    }
}
`

// unpack writes the files of an archive to a new directory.
func unpack(t *testing.T, archive string) string {
	t.Helper()
	dir := t.TempDir()
	for _, f := range txtar.Parse([]byte(archive)).Files {
		put(t, filepath.Join(dir, f.Name), string(f.Data))
	}
	return dir
}

func put(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// reuseCase is one change and what it concerns.
type reuseCase struct {
	name string
	do   func(t *testing.T, dir string, x *reuseInput)
	want []string // source files and test classes: what is in these or run by them is judged again; "all"
	// of these only mutants that make the program print this, if it is not ""
	only  string
	suite bool // the suite has other tests than before; in the other cases it behaves as it did
}

// reuseInput is what a case may change besides files.
type reuseInput struct {
	facts   func(*exec.Facts)
	command *runCommand
	code    func(*codebase)
}

// appended adds a line to a file that ends in code or data; it changes nothing
// that a test sees.
func appended(path, line string) func(*testing.T, string, *reuseInput) {
	return func(t *testing.T, dir string, _ *reuseInput) {
		b, err := os.ReadFile(filepath.Join(dir, path))
		if err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
		put(t, filepath.Join(dir, path), string(b)+line)
	}
}

func reuseCases() []reuseCase {
	file := func(path, line string, want ...string) reuseCase {
		return reuseCase{name: path, do: appended(path, line), want: want}
	}
	all := "all"
	return []reuseCase{
		{name: "nothing", do: func(*testing.T, string, *reuseInput) {}},
		file("README", "By the hour.\n"),
		file("src/Lamp.php", "\n", "src/Lamp.php"),
		file("src/Quay.php", "\n", "BerthTest"),
		file("tests/BerthTest.php", "\n", "BerthTest"),
		file("tests/LampTest.php", "\n", "LampTest", "TableTest"), // TableTest uses its constant
		file("tests/fixtures/boats.csv", " ", "PierTest"),
		file("data/day.txt", "\n", "TableTest"),
		{name: "a file that only changed code opens", do: appended("data/night.txt", "\n"), want: []string{"src/Table.php"}, only: "23:40"},
		file("tests/bootstrap.php", "\n", all),
		file("phpunit.xml", "\n", all),
		file("composer.lock", "\n", all),
		file("vendor/composer/installed.json", "{}", all),
		file("data/winter.txt", "new", all),
		file("src/Buoy.php", "<?php class Buoy {}"),
		file("src/Eclipse.php", "<?php class Eclipse {}", "LampTest"), // which may look for it
		file("signals/Bell.php", "<?php", "SignalsTest"),
		{name: "another test", suite: true, do: appended("tests/BuoyTest.php", "<?php final class BuoyTest extends PHPUnit\\Framework\\TestCase { public function testNothing(): void { $this->assertTrue(true); } }")},
		{name: "PHP", do: func(_ *testing.T, _ string, x *reuseInput) { x.facts = func(f *exec.Facts) { f.PHP = "8.99.0" } }, want: []string{all}},
		{name: "PHPUnit", do: func(_ *testing.T, _ string, x *reuseInput) { x.facts = func(f *exec.Facts) { f.PHPUnit = "9.99.0" } }, want: []string{all}},
		{name: "the environment", do: func(t *testing.T, _ string, _ *reuseInput) { t.Setenv("FERRY_SEASON", "winter") }, want: []string{all}},
		{name: "a variable of a session", do: func(t *testing.T, _ string, _ *reuseInput) { t.Setenv("SSH_CLIENT", "elsewhere") }},
		{name: "an option", do: func(_ *testing.T, _ string, x *reuseInput) { x.command.MemoryLimit = 512 << 20 }, want: []string{all}},
		{name: "an operator's version", do: func(_ *testing.T, _ string, x *reuseInput) {
			x.code = func(c *codebase) {
				for _, m := range c.mutants {
					if m.Source.Path == "src/Berth.php" {
						op := *m.Op
						op.Version++
						m.Op = &op
					}
				}
			}
		}, want: []string{"src/Berth.php"}},
		{name: "--fresh", do: func(_ *testing.T, _ string, x *reuseInput) { x.command.Fresh = true }, want: []string{all}},
	}
}

// TestReuse changes, one at a time, what verdicts may rest on, and looks at
// which mutants would be judged again: those that it concerns, and no others.
func TestReuse(t *testing.T) {
	needTools(t, "php", "phpunit")
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	t.Setenv("FERRY_SEASON", "summer")
	t.Setenv("SSH_CLIENT", "here")
	dir := unpack(t, ferry)
	tool(t, "run", "--project", dir)
	base := recordingOf(t, commandOf(t, "run", "--project", dir).(*runCommand))
	for _, c := range reuseCases() {
		t.Run(c.name, func(t *testing.T) {
			defer restore(t, dir)
			x := &reuseInput{command: commandOf(t, "run", "--project", dir).(*runCommand)}
			c.do(t, dir, x)
			s := base
			if c.suite {
				s = recordingOf(t, x.command)
			}
			tasks, classes, left := leftToJudge(t, s, x)
			wanted := 0
			for _, task := range tasks {
				m := task.Mutant
				concerns := func(i int) bool { return slices.Contains(c.want, classes[i]) }
				want := len(c.want) > 0 && (c.want[0] == "all" || slices.Contains(c.want, m.Source.Path) || slices.ContainsFunc(task.Reach, concerns)) &&
					(c.only == "" || strings.Contains(printed(t, dir, m), c.only))
				if want {
					wanted++
				}
				if got := left[m.ID]; got != want {
					t.Errorf("%s (%q): judged again: %v, want %v", m.ID, m.Edit.New, got, want)
				}
			}
			if len(c.want) > 0 && (wanted == 0 || (wanted == len(tasks)) != (c.want[0] == "all")) {
				t.Errorf("%d of %d mutants are concerned: the case says nothing", wanted, len(tasks))
			}
		})
	}
}

// TestReuseLooksFresh compares the result files of runs that reuse with those
// of runs that do not, after edits that change verdicts.
func TestReuseLooksFresh(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and nothing in it runs in parallel that others do not have")
	}
	needTools(t, "php", "phpunit")
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	dir, out := unpack(t, ferry), t.TempDir()
	reusing, fresh := filepath.Join(out, "reusing.json"), filepath.Join(out, "fresh.json")
	tool(t, "run", "--project", dir)
	for _, edit := range []struct{ path, old, new string }{
		{"tests/BerthTest.php", "fits(8)", "fits(7)"}, // a boundary
		{"data/night.txt", "23:40", "07:10"},          // what only changed code reads
		{"src/Signals.php", "+ 1", "+ 2"},
	} {
		path := filepath.Join(dir, edit.path)
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		put(t, path, strings.Replace(string(b), edit.old, edit.new, 1))
		said := tool(t, "run", "--project", dir, "--write", "json="+reusing)
		if !strings.Contains(said, "reused from the run of") {
			t.Errorf("%s: nothing is reused: %s", edit.path, said)
		}
		tool(t, "run", "--project", dir, "--fresh", "--write", "json="+fresh)
		compareFiles(t, fresh, reusing)
	}
}

// tool runs the program in this process and gives what it says on standard
// error.
func tool(t *testing.T, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	if status := run(&out, &errs, args); status != statusFine {
		t.Fatalf("%v: status %d\n%s", args, status, &errs)
	}
	return errs.String()
}

func commandOf(t *testing.T, args ...string) command {
	t.Helper()
	c, err := parse(&environment{ctx: t.Context(), stdout: io.Discard, stderr: io.Discard}, args)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// restore makes the project what it was again, but for times.
func restore(t *testing.T, dir string) {
	t.Helper()
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	for _, f := range txtar.Parse([]byte(ferry)).Files {
		put(t, filepath.Join(dir, f.Name), string(f.Data))
	}
}

// recorded is what a recording gave.
type recorded struct {
	baseline *exec.Baseline
	facts    exec.Facts
}

func recordingOf(t *testing.T, c *runCommand) recorded {
	t.Helper()
	env := &environment{ctx: t.Context(), stdout: io.Discard, stderr: io.Discard}
	code, err := load(t.Context(), c.sourceOptions, &c.suiteOptions, nil)
	if err != nil {
		t.Fatal(err)
	}
	engine, err := c.open(env, code)
	if err != nil {
		t.Fatal(err)
	}
	defer engine.Close()
	baseline, err := engine.Record(t.Context(), code.points, nil)
	if err != nil {
		t.Fatal(err)
	}
	return recorded{baseline, engine.Facts()}
}

// leftToJudge gives what a run that knows nothing would judge, the classes of
// its tests, and which mutants this run would.
func leftToJudge(t *testing.T, s recorded, x *reuseInput) ([]exec.Task, []string, map[string]bool) {
	t.Helper()
	env := &environment{ctx: t.Context(), stdout: io.Discard, stderr: io.Discard}
	code, err := load(t.Context(), x.command.sourceOptions, &x.command.suiteOptions, nil)
	if err != nil {
		t.Fatal(err)
	}
	if x.code != nil {
		x.code(code)
	}
	if x.facts != nil {
		x.facts(&s.facts)
	}
	tasks := exec.Plan(code.mutants, s.baseline)
	again, _, err := x.command.remember(env, code, s.facts, s.baseline, tasks, nil).settle(tasks, s.baseline, func(mutate.Verdict) {})
	if err != nil {
		t.Fatal(err)
	}
	left := map[string]bool{}
	for _, task := range again {
		left[task.Mutant.ID] = true
	}
	return tasks, s.baseline.Dependencies().Of, left
}

// printed gives what the changed table prints by day.
func printed(t *testing.T, dir string, m *mutate.Mutant) string {
	t.Helper()
	copied := t.TempDir()
	if err := os.CopyFS(copied, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(copied, m.Source.Path)
	put(t, path, string(m.Edit.Apply(m.Source.Text)))
	out, _ := osexec.Command("php", "-r", "require '"+path+"'; echo (new Table())->first(false);").CombinedOutput() // it may fail
	return string(out)
}
