package exec

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"assay/exec/sandbox"
	"assay/mutate"
)

// TestNamesOfBytes: tests and data sets whose names are not UTF-8 keep names of
// their own, and the same ones wherever they are named; and they are run. What they are was worked out
// by hand from PHP's manual ("Strings": \x and two digits is a byte).
func TestNamesOfBytes(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and nothing in it runs in parallel that others do not have")
	}
	root := t.TempDir()
	writeFiles(t, root, map[string]string{
		"src/Sign.php": "<?php\nfinal class Sign { public static function of(int $n): int { return $n >= 0 ? 1 : -1; } }\n",
		"tests/bootstrap.php": "<?php\nspl_autoload_register(static function (string $class): void {\n" +
			"    $class === 'Sign' && require __DIR__ . '/../src/Sign.php';\n});\n",
		"tests/early.php": "<?php\nrequire __DIR__ . '/../src/Sign.php';\n",
		"tests/SignTest.php": `<?php
use PHPUnit\Framework\Attributes\DataProvider;
final class SignTest extends PHPUnit\Framework\TestCase
{
    /** @dataProvider numbers */
    #[DataProvider('numbers')]
    public function testOf(int $sign, int $n): void { $this->assertSame($sign, Sign::of($n)); }
    public static function numbers(): array
    {
        return ["\xff" => [1, 5], "\xfe" => [1, 0], "caf\xe9 \"\$\\" => [-1, -5], 'b"\xFF"' => [1, 6], '\xFF' => [1, 7], "caf\u{e9}" => [1, 8], '#' => [1, 9], [1, 3]];
    }
}
`,
		"tests/LatinTest.php": "<?php\nnamespace Caf\xe9;\nfinal class LatinTest extends \\PHPUnit\\Framework\\TestCase\n{\n" +
			"    public function testNumb\xe9(): void { $this->assertSame(-1, \\Sign::of(-3)); }\n" +
			"    public function testNumb\xe8(): void { $this->assertSame(-1, \\Sign::of(-4)); }\n}\n",
		"phpunit.xml": `<phpunit bootstrap="tests/bootstrap.php"><testsuites><testsuite name="all"><directory>tests</directory></testsuite></testsuites></phpunit>`,
		"early.xml":   `<phpunit bootstrap="tests/early.php"><testsuites><testsuite name="all"><directory>tests</directory></testsuite></testsuites></phpunit>`,
	})
	want := []mutate.TestID{`b"Caf\xE9\\LatinTest"::b"testNumb\xE9"`, `b"Caf\xE9\\LatinTest"::b"testNumb\xE8"`}
	for _, name := range []string{`b"\xFF"`, `b"\xFE"`, `b"caf\xE9 \"\$\\"`, `b"b\"\\xFF\""`, `\xFF`, "caf\u00e9", "#", "0"} {
		want = append(want, mutate.TestID("SignTest::testOf#"+name))
	}
	for _, config := range []string{"phpunit.xml", "early.xml"} {
		for _, cold := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s cold=%v", config, cold), func(t *testing.T) {
				set := Settings{Root: root, PHP: lookPHP(t), PHPUnit: lookPHPUnit(t), Config: filepath.Join(root, config), Jobs: 1, View: sandbox.Auto, Cold: cold}
				got := judgeClaims(t, set, []claim{{File: "src/Sign.php", Before: ">=", After: ">"}, {File: "src/Sign.php", Before: "-1", After: "-2"}})
				for i, killers := range [][]mutate.TestID{{want[3]}, {want[0], want[1], want[4]}} {
					v := got[i]
					if v.Status != mutate.Killed || !slices.Contains(killers, v.Killer) {
						t.Errorf("%v by %q, want killed by one of %q", v.Status, v.Killer, killers)
					}
					if !slices.Equal(v.Reaching, want) {
						t.Errorf("reached by %q\nwant %q", v.Reaching, want)
					}
				}
			})
		}
	}
}

// TestPathsOfBytes: a source whose path is not UTF-8 is known to be loaded where
// it is, by the bootstrap or by a data provider, and is changed all the same.
func TestPathsOfBytes(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and nothing in it runs in parallel that others do not have")
	}
	root := t.TempDir()
	const loads = `require_once __DIR__ . "/../src/Sign\xe9.php";`
	writeFiles(t, root, map[string]string{
		"src/Sign\xe9.php":    "<?php\nfinal class Sign\xe9 { public static function of(int $n): int { return $n >= 0 ? 1 : -1; } }\n",
		"tests/bootstrap.php": "<?php\nspl_autoload_register(static function (string $class): void { if ($class === \"Sign\\xe9\") { " + loads + " } });\n",
		"tests/early.php":     "<?php\n" + loads + "\n",
		"tests/SignTest.php": "<?php\nuse PHPUnit\\Framework\\Attributes\\DataProvider;\nfinal class SignTest extends PHPUnit\\Framework\\TestCase\n{\n" +
			"    /** @dataProvider numbers */\n    #[DataProvider('numbers')]\n" +
			"    public function testOf(int $sign, int $n): void { $this->assertSame($sign, Sign\xe9::of($n)); }\n" +
			"    public static function numbers(): array { return [[1, 0 * Sign\xe9::of(7)], [-1, -2]]; }\n}\n",
		"phpunit.xml": `<phpunit bootstrap="tests/bootstrap.php"><testsuites><testsuite name="all"><directory>tests</directory></testsuite></testsuites></phpunit>`,
		"early.xml":   `<phpunit bootstrap="tests/early.php"><testsuites><testsuite name="all"><directory>tests</directory></testsuite></testsuites></phpunit>`,
	})
	for _, config := range []string{"phpunit.xml", "early.xml"} {
		t.Run(config, func(t *testing.T) {
			set := Settings{Root: root, PHP: lookPHP(t), PHPUnit: lookPHPUnit(t), Config: filepath.Join(root, config), Jobs: 1, View: sandbox.Auto}
			claims := []claim{{Before: ">=", After: ">"}, {Before: "? 1 :", After: "? 2 :"}, {Before: "-1;", After: "- 1;"}}
			for i := range claims {
				claims[i].File = "src/Sign\xe9.php"
			}
			for i, v := range judgeClaims(t, set, claims) {
				if want := []mutate.Status{mutate.Killed, mutate.Killed, mutate.Survived}[i]; v.Status != want {
					t.Errorf("%s: %v, want %v", claims[i].After, v.Status, want)
				}
			}
		})
	}
}

// writeFiles writes texts to files below a folder, by their names there.
func writeFiles(t *testing.T, root string, files map[string]string) {
	t.Helper()
	for name, text := range files {
		path := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
