package exec

import (
	"context"
	"errors"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"

	"assay/exec/sandbox"
	"assay/mutate"
)

// TestUnknownMajor: a PHPUnit that is newer than any that was known is tried.
// Where what it is hooked by is not there, or its run never says that it
// begins, it is refused in words.
func TestUnknownMajor(t *testing.T) {
	const version = `<?php
namespace PHPUnit\Runner;
final class Version { public static function id(): string { return '99.1.0'; } }
`
	t.Run("without hooks", func(t *testing.T) {
		err := recordWith(t, version)
		var pe *ProjectError
		if !errors.As(err, &pe) || !strings.Contains(err.Error(), `PHPUnit 99.1.0 cannot be hooked: it has no PHPUnit\Event\Tracer\Tracer::trace(). PHPUnit 9.6 to 13 can`) {
			t.Errorf("%v", err)
		}
	})
	if lookMajor(t) < 10 {
		return // the rest needs a PHPUnit with events to disguise: .ci/run matrix has some
	}
	real := strings.ReplaceAll(version, "}\n", `
    public static function series(): string { return '99.1'; }
    public static function majorVersionNumber(): int { return 99; }
    public static function getVersionString(): string { return 'PHPUnit 99.1.0'; }
}
require '`+realAutoload(t)+"';\n")
	t.Run("with hooks", func(t *testing.T) {
		if err := recordWith(t, real); err != nil {
			t.Error(err)
		}
	})
	t.Run("silent", func(t *testing.T) {
		err := recordWith(t, real+`
\spl_autoload_register(static function (string $class): void {
    if ($class === 'PHPUnit\\TextUI\\Application') {
        eval('namespace PHPUnit\\TextUI; final class Application { public function run(array $argv): int { return 0; } }');
    }
}, true, true);
`)
		if err == nil || !strings.Contains(err.Error(), "PHPUnit 99.1.0 cannot be hooked: its run does not say when it begins.") {
			t.Errorf("%v", err)
		}
	})
}

// recordWith records a fixture with a PHPUnit whose loader has this text.
func recordWith(t *testing.T, loader string) error {
	t.Helper()
	dir := t.TempDir()
	for name, text := range map[string]string{"vendor/bin/phpunit": "#!/usr/bin/env php\n<?php\n", "vendor/autoload.php": loader} {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	root := copyFixture(t, filepath.Join(fixtures, "providers"))
	e, err := Open(context.Background(), Settings{Root: root, PHP: lookPHP(t), PHPUnit: filepath.Join(dir, "vendor/bin/phpunit"),
		Config: filepath.Join(root, "phpunit.xml"), Jobs: 1, View: sandbox.Auto})
	if err != nil {
		return err
	}
	defer e.Close()
	points, _, _ := layOut(t, root)
	all := make([]*mutate.Points, 0, len(points))
	for _, p := range points {
		all = append(all, p)
	}
	_, err = e.Record(context.Background(), all, nil)
	return err
}

// realAutoload asks the harness where PHPUnit's classes are.
func realAutoload(t *testing.T) string {
	t.Helper()
	out, err := osexec.Command(lookPHP(t), "-r", `require 'harness/Loader.php'; echo (new ReflectionMethod('PHPUnit\AssayHarness\Loader', 'autoload'))->invoke(null, $argv[1]);`,
		lookPHPUnit(t)).Output()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	return string(out)
}
