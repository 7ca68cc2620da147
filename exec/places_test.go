package exec

import (
	"os"
	"path/filepath"
	"testing"

	"assay/exec/sandbox"
)

// TestPlacesThatAreNotPutBack: a suite keeps what it has made in a place that it may write
// to, and takes it away when it begins. What the unchanged code has left there must not
// spare a mutant its work.
func TestPlacesThatAreNotPutBack(t *testing.T) {
	root := copyFixture(t, filepath.Join(fixtures, "named-alike"))
	place := t.TempDir()
	for path, text := range map[string]string{
		"src/Label.php": `<?php
namespace Seeds;
final class Label {
	public static function of(string $kind): string {
		$file = '` + place + `/' . md5($kind);
		if (!is_file($file)) {
			file_put_contents($file, self::text($kind));
		}
		return file_get_contents($file);
	}
	private static function text(string $kind): string {
		return 'label of ' . $kind;
	}
}
`,
		"tests/LabelTest.php": `<?php
namespace Seeds\Tests;
final class LabelTest extends \PHPUnit\Framework\TestCase {
	public static function setUpBeforeClass(): void {
		array_map('unlink', glob('` + place + `/*'));
	}
	public function testItNamesTheKind(): void {
		$this->assertSame('label of rye', \Seeds\Label::of('rye'));
	}
}
`} {
		if err := os.WriteFile(filepath.Join(root, path), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	set := Settings{Root: root, PHP: lookPHP(t), PHPUnit: lookPHPUnit(t), Config: filepath.Join(root, "phpunit.xml"),
		View: sandbox.Overlay, AllowWrite: []string{place}}
	claims := []claim{
		{File: "src/Label.php", Before: "'label of '", After: "''", Status: "killed"},
		{File: "src/Label.php", Before: "!is_file($file)", After: "true", Status: "survived"},
		{File: "src/Label.php", Before: "!is_file($file)", After: "false", Status: "killed"},
	}
	for i, v := range judgeClaims(t, set, claims) {
		if v.Status.String() != claims[i].Status {
			t.Errorf("%s: %v by %s (%s), want %s", claims[i].After, v.Status, v.Killer, v.Detail, claims[i].Status)
		}
	}
}
