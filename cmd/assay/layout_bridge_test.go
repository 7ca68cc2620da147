//go:build linux

package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Two more places in which projects have PHPUnit: where simple-phpunit of Symfony's
// bridge installs it, and below tools.

// bridged is a test that passes only under the command that simple-phpunit's script runs.
var bridged = strings.Replace(fareTest, "public function testChildren(): void\n    {", `public function testChildren(): void
    {
        $this->assertSame('heard', $GLOBALS['ferry'] ?? 'nobody listens');
        $this->assertSame('composer.json', getenv('COMPOSER'));
        $this->assertDirectoryExists(getenv('SYMFONY_SIMPLE_PHPUNIT_BIN_DIR'));
        $this->assertStringStartsWith(dirname(__DIR__), getenv('SYMFONY_SIMPLE_PHPUNIT_BIN_DIR'));`, 1)

// bridge lays PHPUnit out as simple-phpunit does, below vendor/bin/.phpunit: the package
// with its script, and the packages that it needs in a vendor of its own. The script that
// 5.4 and 7.0 of symfony/phpunit-bridge write was looked at, and the command that it
// runs, which adds a listener to PHPUnit's.
func bridge(t *testing.T, root string) {
	home := filepath.Join(root, "vendor/bin/.phpunit/phpunit-9.6-0")
	phpunitTree(t, filepath.Join(home, "vendor"), "__DIR__ . '/../", "__DIR__ . '/../../")
	for from, to := range map[string]string{"PHPUnit": "src", "data": "data"} {
		if err := os.Rename(filepath.Join(home, "vendor", from), filepath.Join(home, to)); err != nil {
			t.Fatal(err)
		}
	}
	loader := filepath.Join(home, "src/Autoload.php")
	text, err := os.ReadFile(loader)
	if err != nil {
		t.Fatal(err)
	}
	write(t, loader, strings.ReplaceAll(string(text), "__DIR__ . '/../", "__DIR__ . '/../vendor/"))
	write(t, filepath.Join(home, "vendor/autoload.php"), `<?php
require __DIR__ . '/../src/Autoload.php';
spl_autoload_register(function ($class) {
    if ($class === 'Symfony\Bridge\PhpUnit\TextUI\Command') {
        require __DIR__ . '/../../../../symfony/phpunit-bridge/Command.php';
    }
});
`)
	write(t, filepath.Join(home, "phpunit"), `<?php
define('PHPUNIT_COMPOSER_INSTALL', __DIR__.'/vendor/autoload.php');
require PHPUNIT_COMPOSER_INSTALL;

Symfony\Bridge\PhpUnit\TextUI\Command::main();
`)
	bridge := filepath.Join(root, "vendor/symfony/phpunit-bridge")
	write(t, filepath.Join(bridge, "Command.php"), `<?php
namespace Symfony\Bridge\PhpUnit\TextUI;

class Command extends \PHPUnit\TextUI\Command
{
    protected function createRunner(): \PHPUnit\TextUI\TestRunner
    {
        $this->arguments['listeners'][] = new class implements \PHPUnit\Framework\TestListener {
            use \PHPUnit\Framework\TestListenerDefaultImplementation;

            public function startTest(\PHPUnit\Framework\Test $test): void
            {
                $GLOBALS['ferry'] = 'heard';
            }
        };

        return parent::createRunner();
    }
}
`)
	write(t, filepath.Join(bridge, "bin/simple-phpunit.php"), `<?php
$set = ['COMPOSER' => 'composer.json', 'SYMFONY_SIMPLE_PHPUNIT_BIN_DIR' => __DIR__];
`)
	write(t, filepath.Join(root, "tests/FareTest.php"), bridged)
}

// pharInTools has phars of two versions below tools, of which the older is broken.
func pharInTools(t *testing.T, root string) {
	makePhar(t, filepath.Join(root, "phpunit.phar"))
	write(t, filepath.Join(root, "tools/phpunit-9.5.phar"), "#!/usr/bin/env php\n<?php Phar::mapPhar(); exit(9); __HALT_COMPILER();\n")
	if err := os.Rename(filepath.Join(root, "phpunit.phar"), filepath.Join(root, "tools/phpunit-9.6.phar")); err != nil {
		t.Fatal(err)
	}
}

const packagesAbove = `{"autoload": {"psr-4": {"Ferry\\": "packages/ferry/src"}}, "autoload-dev": {"files": ["vendor/phpunit/phpunit/src/PHPUnit/Autoload.php"]}}`

// monorepoWithPHPUnit has a package with a composer.json of its own, whose packages, and
// PHPUnit among them, are installed above.
func monorepoWithPHPUnit(t *testing.T, root string) {
	monorepo(t, root)
	vendorPHPUnit(t, root)
	write(t, filepath.Join(root, "packages/ferry/composer.json"), `{"name": "pier/ferry", "autoload": {"psr-4": {"Ferry\\": "src"}}}`)
	write(t, filepath.Join(root, "packages/ferry/phpunit.xml"), strings.Replace(configured("", "src"), ` bootstrap=""`, "", 1))
}
