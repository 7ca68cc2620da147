//go:build linux

package main

import (
	"fmt"
	"io/fs"
	"maps"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// A layout is a way in which projects lay out their code and find PHPUnit. The
// code and the tests are the same in each, so the verdicts are.
type layout struct {
	name     string
	composer string            // composer.json; "" for a project without
	dump     []string          // more options of composer dump-autoload
	files    map[string]string // besides or instead of the usual; "" to leave one out
	prepare  func(t *testing.T, root string)
	below    string // where the user stands, below the root
	args     []string
	source   string // where the class lies, below the project; src/Fare.php
}

const (
	fareClass = `<?php

namespace Ferry;

final class Fare
{
    public static function isChild(int $age): bool
    {
        return $age < 12;
    }

    public static function isPensioner(int $age): bool
    {
        return $age > 64;
    }
}
`
	fareTest = `<?php

namespace Ferry\Tests;

use Ferry\Fare;

final class FareTest extends \PHPUnit\Framework\TestCase
{
    public function testChildren(): void
    {
        $this->assertTrue(Fare::isChild(11));
        $this->assertFalse(Fare::isChild(12));
        $this->assertFalse(Fare::isChild(13));
    }

    public function testPensioners(): void
    {
        $this->assertTrue(Fare::isPensioner(80));
        $this->assertFalse(Fare::isPensioner(20));
    }
}
`
	fareConfig = `<phpunit bootstrap="%s" cacheResult="false">
    <testsuites><testsuite name="fare"><directory>tests</directory></testsuite></testsuites>
    <coverage><include><directory>%s</directory></include></coverage>
</phpunit>
`
)

func layouts() []layout {
	flat := map[string]string{"src/Fare.php": "", "src/ferry.php": fareClass, "phpunit.xml": configured("vendor/autoload.php", "src")}
	// Composer does not work in such a place.
	latin := map[string]string{"tests/FareTest.php": "", "tests/\xfcber/FareTest.php": fareTest,
		"src/Fare.php": "", "src/F\xe4hre.php": fareClass, "tests/bootstrap.php": "<?php require __DIR__ . '/../src/F\xe4hre.php';", "phpunit.xml": configured("tests/bootstrap.php", "src")}
	return []layout{
		{name: "psr-4", composer: `{"autoload": {"psr-4": {"Ferry\\": "src"}}}`},
		{name: "psr-4 authoritative", composer: `{"autoload": {"psr-4": {"Ferry\\": "src"}}}`, dump: []string{"--classmap-authoritative"}},
		{name: "psr-4 for an APCu that is not there", composer: `{"autoload": {"psr-4": {"Ferry\\": "src"}}}`, dump: []string{"--apcu"}},
		{name: "psr-0", composer: `{"autoload": {"psr-0": {"Ferry\\": "lib"}}}`, source: "lib/Ferry/Fare.php",
			files: map[string]string{"src/Fare.php": "", "lib/Ferry/Fare.php": fareClass, "phpunit.xml": configured("vendor/autoload.php", "lib")}},
		{name: "classmap", composer: `{"autoload": {"classmap": ["src"]}}`, files: flat, source: "src/ferry.php"},
		{name: "classmap authoritative", composer: `{"autoload": {"classmap": ["src"]}}`, files: flat, source: "src/ferry.php",
			dump: []string{"--classmap-authoritative"}},
		{name: "files", composer: `{"autoload": {"files": ["src/ferry.php"]}}`, files: flat, source: "src/ferry.php"},
		{name: "bootstrap with require", files: map[string]string{"tests/bootstrap.php": "<?php require __DIR__ . '/../src/Fare.php';",
			"phpunit.xml": configured("tests/bootstrap.php", "src")}},
		{name: "test files that require", files: map[string]string{"phpunit.xml": strings.Replace(configured("", "src"), ` bootstrap=""`, "", 1),
			"tests/FareTest.php": strings.Replace(fareTest, "use Ferry", "require __DIR__ . '/../src/Fare.php';\nuse Ferry", 1)}},
		{name: "monorepo, from a package", below: "packages/ferry", composer: `{"autoload": {"psr-4": {"Ferry\\": "packages/ferry/src"}}}`, prepare: monorepo},
		{name: "monorepo, from its root", composer: `{"autoload": {"psr-4": {"Ferry\\": "packages/ferry/src"}}}`, prepare: monorepo,
			args: []string{"--phpunit-config", "packages/ferry/phpunit.xml"}, source: "packages/ferry/src/Fare.php"},
		{name: "monorepo in a copy, from a package", below: "packages/ferry", composer: `{"autoload": {"psr-4": {"Ferry\\": "packages/ferry/src"}}}`, prepare: monorepo,
			args: []string{"--view", "copy"}},
		{name: "monorepo in an open copy, from a package", below: "packages/ferry", composer: `{"autoload": {"psr-4": {"Ferry\\": "packages/ferry/src"}}}`, prepare: monorepo,
			args: []string{"--view", "copy", "--no-confine"}},
		{name: "package with packages above", below: "packages/ferry/src", composer: packagesAbove, prepare: monorepoWithPHPUnit},
		{name: "package with packages above, in a copy", below: "packages/ferry/src", composer: packagesAbove, prepare: monorepoWithPHPUnit,
			args: []string{"--view", "copy"}},
		{name: "phar", composer: `{"autoload": {"psr-4": {"Ferry\\": "src"}}}`, prepare: phar},
		{name: "phar elsewhere", composer: `{"autoload": {"psr-4": {"Ferry\\": "src"}}}`, prepare: pharElsewhere, args: []string{"--phpunit", "../tools/phpunit"}},
		{name: "phar under tools", composer: `{"autoload": {"psr-4": {"Ferry\\": "src"}}}`, prepare: pharInTools},
		{name: "bridge", composer: `{"autoload": {"psr-4": {"Ferry\\": "src"}}}`, prepare: bridge},
		{name: "bridge in a copy", composer: `{"autoload": {"psr-4": {"Ferry\\": "src"}}}`, prepare: bridge, args: []string{"--view", "copy"}},
		{name: "vendor", composer: vendored, prepare: vendorPHPUnit},
		{name: "vendor in a copy", composer: vendored, prepare: vendorPHPUnit, args: []string{"--view", "copy"}},
		{name: "symlinked vendor package", composer: linked, prepare: linkPackage, source: "packages/fare/src/Fare.php"},
		{name: "symlinked vendor package in a copy", composer: linked, prepare: linkPackage, source: "packages/fare/src/Fare.php",
			args: []string{"--view", "copy"}},
		{name: "tr\xe4ge f\xe4hre in Latin-1", files: latin, source: `src/F\xE4hre.php`},
		{name: "tr\xe4ge f\xe4hre in Latin-1, in a copy", files: latin, source: `src/F\xE4hre.php`, args: []string{"--view", "copy"}},
		{name: "träge fähre no. 1", composer: `{"autoload": {"psr-4": {"Ferry\\": "src"}}}`},
		{name: "träge fähre no. 2", composer: `{"autoload": {"psr-4": {"Ferry\\": "src"}}}`, args: []string{"--view", "copy"}},
	}
}

func configured(bootstrap, source string) string {
	return fmt.Sprintf(fareConfig, bootstrap, source)
}

// TestLayouts judges the same code in every layout.
func TestLayouts(t *testing.T) {
	t.Parallel()
	needTools(t, "php", "phpunit", "composer")
	if testing.Short() {
		t.Skip("the layouts are all alike to the race detector")
	}
	want := map[string]string{}
	for _, edit := range []string{"isChild: < => <=", "isChild: < => !=", "isChild: $age < 12 => false", "isPensioner: > => !=", "isPensioner: $age > 64 => false"} {
		want[edit] = "killed"
	}
	want["isPensioner: > => >="] = "survived"
	for _, l := range layouts() {
		t.Run(l.name, func(t *testing.T) {
			t.Parallel()
			root := filepath.Join(t.TempDir(), l.name)
			l.lay(t, root)
			before := fingerprint(t, root)
			got := map[string]string{}
			result, _ := runAssay(t, filepath.Join(root, l.below), "", append([]string{"--only", "relational", "--jobs", "1"}, l.args...)...)
			for _, m := range result.Mutants {
				got[fmt.Sprintf("%s: %s => %s", m.Function, m.Before, m.After)] = m.Status
				if want := l.source; m.File != want && (want != "" || m.File != "src/Fare.php") {
					t.Errorf("%s lies in %s", m.ID, m.File)
				}
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("-want +got:\n%s", d)
			}
			if after := fingerprint(t, root); after != before {
				t.Errorf("the tree was changed: %s", firstDifference(before, after))
			}
		})
	}
}

func (l *layout) lay(t *testing.T, root string) {
	t.Helper()
	files := map[string]string{"src/Fare.php": fareClass, "tests/FareTest.php": fareTest, "phpunit.xml": configured("vendor/autoload.php", "src")}
	maps.Copy(files, l.files)
	if l.composer != "" {
		files["composer.json"] = l.composer
	}
	for name, text := range files {
		if text != "" {
			write(t, filepath.Join(root, name), text)
		}
	}
	if l.prepare != nil {
		l.prepare(t, root)
	}
	if l.composer == "" {
		return
	}
	cmd := osexec.Command("composer", append([]string{"dump-autoload", "--dev", "--quiet"}, l.dump...)...)
	cmd.Dir = root
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("composer: %v: %s", err, out)
	}
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o755); err != nil {
		t.Fatal(err)
	}
}

// monorepo moves code and tests into one package of two, each with a
// configuration of its own. The other's tests fail.
func monorepo(t *testing.T, root string) {
	for _, dir := range []string{"packages/ferry", "packages/other/src", "packages/other/tests"} {
		if err := os.MkdirAll(filepath.Join(root, dir), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range []string{"src", "tests", "phpunit.xml"} {
		if err := os.Rename(filepath.Join(root, name), filepath.Join(root, "packages/ferry", name)); err != nil {
			t.Fatal(err)
		}
	}
	write(t, filepath.Join(root, "packages/ferry/phpunit.xml"), configured("../../vendor/autoload.php", "src"))
	write(t, filepath.Join(root, "packages/other/phpunit.xml"), configured("../../vendor/autoload.php", "src"))
	write(t, filepath.Join(root, "packages/other/tests/FareTest.php"), strings.ReplaceAll(fareTest, "isChild(11)", "isChild(99)"))
}

const vendored = `{"autoload": {"psr-4": {"Ferry\\": "src"}}, "autoload-dev": {"files": ["vendor/phpunit/phpunit/src/PHPUnit/Autoload.php"]}}`

// vendorPHPUnit lays PHPUnit out as Composer does: the package with its script,
// and in vendor/bin a script of Composer's own that includes it. What Composer
// 2.5 writes there was looked at; the package is Debian's.
func vendorPHPUnit(t *testing.T, root string) {
	phpunitTree(t, filepath.Join(root, "vendor/phpunit/phpunit/src"), "__DIR__ . '/../", "__DIR__ . '/../../")
	write(t, filepath.Join(root, "vendor/phpunit/phpunit/phpunit"), `#!/usr/bin/env php
<?php
if (isset($GLOBALS['_composer_autoload_path'])) {
    define('PHPUNIT_COMPOSER_INSTALL', $GLOBALS['_composer_autoload_path']);
} else {
    define('PHPUNIT_COMPOSER_INSTALL', dirname(__DIR__, 2) . '/autoload.php');
}
require PHPUNIT_COMPOSER_INSTALL;
PHPUnit\TextUI\Command::main();
`)
	write(t, filepath.Join(root, "vendor/bin/phpunit"), `#!/usr/bin/env php
<?php
namespace Composer;
$GLOBALS['_composer_bin_dir'] = __DIR__;
$GLOBALS['_composer_autoload_path'] = __DIR__ . '/..' . '/autoload.php';
return include __DIR__ . '/..' . '/phpunit/phpunit/phpunit';
`)
}

// phpunitTree copies Debian's PHPUnit 9.6 with what it needs. Its loaders
// count on PHP's include path; here they name each other.
func phpunitTree(t *testing.T, to, near, far string) {
	t.Helper()
	if phpunitMajor(t) != 9 {
		t.Skip("the package is taken apart for PHPUnit 9.6 only")
	}
	for _, part := range []string{"PHPUnit", "SebastianBergmann", "DeepCopy", "PharIo", "TheSeer", "Doctrine/Instantiator", "PhpParser", "data/PHPUnit"} {
		from := filepath.Join("/usr/share/php", part)
		if !isThere(from) {
			continue
		}
		err := filepath.WalkDir(from, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			text, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			rel, _ := filepath.Rel("/usr/share/php", path)
			prefix := far
			if part == "PHPUnit" || part == "DeepCopy" {
				prefix = near
			}
			if strings.EqualFold(filepath.Base(path), "autoload.php") {
				text = []byte(strings.ReplaceAll(string(text), "require_once '", "require_once "+prefix))
			}
			write(t, filepath.Join(to, rel), string(text))
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}

// phar puts the project's own phar into its root. PHPUnit's published ones
// begin in the same way (from memory): they run only what is started as a
// script, and load their classes from within.
func phar(t *testing.T, root string) { makePhar(t, filepath.Join(root, "phpunit.phar")) }

func pharElsewhere(t *testing.T, root string) {
	makePhar(t, filepath.Join(root, "phpunit.phar"))
	tools := filepath.Join(filepath.Dir(root), "tools")
	if err := os.Mkdir(tools, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(root, "phpunit.phar"), filepath.Join(tools, "phpunit")); err != nil {
		t.Fatal(err)
	}
}

func makePhar(t *testing.T, file string) {
	t.Helper()
	tree := t.TempDir()
	phpunitTree(t, tree, "'phar://phpunit.phar/", "'phar://phpunit.phar/")
	packPhar(t, tree, file)
}

// packPhar makes a phar of a tree of PHPUnit.
func packPhar(t *testing.T, tree, file string) {
	t.Helper()
	schema, err := os.ReadFile("/usr/share/php/data/PHPUnit/phpunit.xsd")
	if err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(tree, "phpunit.xsd"), string(schema))
	out, err := osexec.Command("php", "-d", "phar.readonly=0", "-r", `
		$phar = new Phar($argv[1], 0, 'phpunit.phar');
		$phar->buildFromDirectory($argv[2]);
		$phar->setStub($argv[3]);`, file, tree, `#!/usr/bin/env php
<?php
$execute = __FILE__ === realpath($_SERVER['SCRIPT_NAME']);
define('__PHPUNIT_PHAR__', str_replace(DIRECTORY_SEPARATOR, '/', __FILE__));
define('__PHPUNIT_PHAR_ROOT__', 'phar://phpunit.phar');
Phar::mapPhar('phpunit.phar');
require 'phar://phpunit.phar/PHPUnit/Autoload.php';
if ($execute) {
    PHPUnit\TextUI\Command::main();
}
__HALT_COMPILER();
`).CombinedOutput()
	if err != nil {
		t.Fatalf("phar: %v: %s", err, out)
	}
}

const linked = `{"autoload": {"psr-4": {"Ferry\\": "vendor/ferry/fare/src"}}}`

// linkPackage has the code in a package that vendor only links to, as Composer
// does with repositories of type "path".
func linkPackage(t *testing.T, root string) {
	if err := os.MkdirAll(filepath.Join(root, "packages/fare"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(root, "src"), filepath.Join(root, "packages/fare/src")); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(root, "vendor/ferry"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("../../packages/fare", filepath.Join(root, "vendor/ferry/fare")); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(root, "phpunit.xml"), configured("vendor/autoload.php", "packages/fare/src"))
}
