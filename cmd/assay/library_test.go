//go:build linux

package main

import (
	"io/fs"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// sharedLibrary lays out a project whose class is one that PHPUnit itself uses, and has
// loaded before anything of the project: the parser of its own command line.
func sharedLibrary(t *testing.T) string {
	root := filepath.Join(t.TempDir(), "library")
	space := strings.NewReplacer("namespace Ferry;", `namespace SebastianBergmann\CliParser;`, "class Fare", "class Parser",
		`Ferry\Fare;`, `SebastianBergmann\CliParser\Parser;`, "Fare::", "Parser::")
	l := layout{composer: `{"autoload": {"psr-4": {"SebastianBergmann\\CliParser\\": "src"}}}`, files: map[string]string{
		"src/Fare.php": "", "src/Parser.php": space.Replace(fareClass),
		"tests/FareTest.php": `<?php
use SebastianBergmann\CliParser\Parser;

final class FareTest extends PHPUnit\Framework\TestCase
{
    public function testParser(): void
    {
        $this->assertTrue(!method_exists(Parser::class, 'isChild') || Parser::isChild(11) && !Parser::isChild(12));
    }
}
`}}
	l.lay(t, root)
	return root
}

// TestLibraryOfPHPUnit: where PHPUnit's own copy of a class is loaded first, no test runs
// the project's, and that is said, with what to do.
func TestLibraryOfPHPUnit(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("long, and nothing in it runs in parallel that others do not have")
	}
	needTools(t, "php", "phpunit", "composer")
	if phpunitMajor(t) != 9 {
		t.Skip("which classes are loaded first differs by version")
	}
	root := sharedLibrary(t)
	for _, c := range []struct {
		args   []string
		status int
		want   string
	}{
		{[]string{"run"}, statusProject, "Parser comes from /usr/share/php/SebastianBergmann/CliParser/Parser.php). Run the tests with a PHPUnit whose own classes have other names"},
		{[]string{"check"}, statusProject, "no test reaches any of the mutants"},
	} {
		cmd := osexec.Command("assay", c.args...)
		cmd.Dir = root
		out, _ := cmd.CombinedOutput()
		if cmd.ProcessState.ExitCode() != c.status || !strings.Contains(string(out), c.want) {
			t.Errorf("%v: status %d: %s", c.args, cmd.ProcessState.ExitCode(), out)
		}
	}
	// A file whose mutants tests reach is judged as any, and the other is named.
	write(t, filepath.Join(root, "src/Fare.php"), strings.Replace(fareClass, "namespace Ferry;", `namespace SebastianBergmann\CliParser;`, 1))
	write(t, filepath.Join(root, "tests/ChildTest.php"), `<?php
final class ChildTest extends PHPUnit\Framework\TestCase
{
    public function testChildren(): void
    {
        $this->assertTrue(SebastianBergmann\CliParser\Fare::isChild(11));
    }
}
`)
	result, _ := runAssay(t, root, "", "--only", "relational")
	if n := len(result.Mutants); n != 6 || result.LeftOut != 6 {
		t.Errorf("%d mutants, %d left out; want 6 of src/Fare.php, and those of src/Parser.php left out", n, result.LeftOut)
	}
}

// TestLibraryWithPhar does what the message says.
func TestLibraryWithPhar(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("long, and nothing in it runs in parallel that others do not have")
	}
	needTools(t, "php", "phpunit", "composer")
	root := sharedLibrary(t)
	phar := filepath.Join(root, "tools/phpunit.phar")
	if err := os.MkdirAll(filepath.Dir(phar), 0o755); err != nil {
		t.Fatal(err)
	}
	scopedPhar(t, phar)
	result, _ := runAssay(t, root, "", "--only", "relational")
	killed := 0
	for _, m := range result.Mutants {
		if m.Function == "isChild" && m.Status == "killed" {
			killed++
		}
	}
	if killed == 0 || len(result.Notes) > 0 {
		t.Errorf("%d mutants were killed; notes %v", killed, result.Notes)
	}
}

// scopedPhar makes a phar in which the names of the libraries that PHPUnit is made of have
// a namespace in front, as those of PHPUnit's published phars have (from memory).
func scopedPhar(t *testing.T, file string) {
	t.Helper()
	tree := t.TempDir()
	phpunitTree(t, tree, "'phar://phpunit.phar/", "'phar://phpunit.phar/")
	name := regexp.MustCompile(`(?i)\b(SebastianBergmann|DeepCopy|TheSeer|PharIo|PhpParser)(\\+)`)
	top := regexp.MustCompile(`namespace (SebastianBergmann|DeepCopy|TheSeer|PharIo|PhpParser);`)
	err := filepath.WalkDir(tree, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, ".php") {
			return err
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		text = top.ReplaceAll(text, []byte(`namespace PHPUnitPHAR\${1};`))
		return os.WriteFile(path, name.ReplaceAllFunc(text, func(found []byte) []byte {
			prefix, slashes := "PHPUnitPHAR", string(found[len(strings.TrimRight(string(found), `\`)):])
			if found[0] >= 'a' { // in the lists of loaders all is in lower case
				prefix = "phpunitphar"
			}
			return append([]byte(prefix+slashes), found...)
		}), 0o644)
	})
	if err != nil {
		t.Fatal(err)
	}
	packPhar(t, tree, file)
}
