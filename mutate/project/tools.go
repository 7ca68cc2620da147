package project

import (
	"bytes"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"github.com/bmatcuk/doublestar/v4"
)

// PHPUnit is the PHPUnit that runs the project's tests.
type PHPUnit struct {
	Path string   // absolute
	Phar bool     // an archive, not a script
	Env  []string // NAME=VALUE, what the script that starts it puts into its environment
}

func (f *finder) findTools() {
	f.findPHP()
	f.findPHPUnit()
}

func (f *finder) findPHP() {
	name := f.opts.PHP
	if name == "" {
		name = "php"
	}
	if strings.ContainsRune(name, filepath.Separator) {
		name = f.userPath(name)
	}
	path, err := osexec.LookPath(name)
	if err == nil {
		f.PHP, err = filepath.Abs(path)
	}
	switch {
	case err == nil:
	case f.opts.PHP != "":
		f.fail(&Error{Kind: NoMatch, Path: f.opts.PHP, Fault: "is not a program that can be run", Advice: "correct --php"})
	default:
		f.fail(&Error{Kind: NoPHP, Path: "php", Fault: "is not on PATH", Advice: "install PHP's command line (Debian: php-cli), or name it with --php"})
	}
}

// findPHPUnit takes the option; then the project's own: Composer's, one that is
// installed apart, a phar at one of the usual places, that of Symfony's bridge; then the
// machine's.
func (f *finder) findPHPUnit() {
	if name := f.opts.PHPUnit; name != "" {
		path := f.userPath(name)
		if !isFile(path) && !strings.ContainsRune(name, filepath.Separator) {
			path, _ = osexec.LookPath(name)
		}
		if !isFile(path) {
			f.fail(&Error{Kind: NoMatch, Path: name, Fault: "there is no such file", Advice: "correct --phpunit"})
			return
		}
		if !f.handsOver(path) || !f.takeBridge(path) {
			f.takePHPUnit(path)
		}
		return
	}
	bin := f.binDir()
	for _, pattern := range []string{
		filepath.Join(bin, "phpunit"),
		filepath.Join(f.VendorDir, "phpunit", "phpunit", "phpunit"),
		filepath.Join(f.Root, "phpunit*.phar"),
		filepath.Join(f.Root, "tools", "phpunit"),
		filepath.Join(f.Root, "tools", "phpunit*.phar"),
		filepath.Join(f.Root, "tools", "phpunit", "vendor", "bin", "phpunit"),
		filepath.Join(f.Root, "vendor-bin", "phpunit", "vendor", "bin", "phpunit"),
		filepath.Join(f.Root, "bin", "phpunit*.phar"),
	} {
		if path := newestOf(pattern); path != "" {
			f.takePHPUnit(path)
			return
		}
	}
	if f.takeBridge("") {
		return
	}
	if path, err := osexec.LookPath("phpunit"); err == nil {
		f.takePHPUnit(path)
		return
	}
	f.fail(&Error{Kind: NoPHPUnit, Path: "phpunit", Fault: "is neither in " + f.rel(bin) + " nor on PATH",
		Advice: "run `composer install`, or `composer require --dev phpunit/phpunit`, or name it with --phpunit"})
}

func (f *finder) binDir() string {
	if f.packages != nil {
		return f.packages.binDir()
	}
	return filepath.Join(f.VendorDir, "bin")
}

// newestOf gives the file of a pattern; of several, which differ by version, the last.
func newestOf(pattern string) string {
	found := []string{pattern}
	if strings.Contains(pattern, "*") {
		found, _ = doublestar.FilepathGlob(escaped(filepath.Dir(pattern)) + "/" + filepath.Base(pattern))
		slices.SortFunc(found, compareVersions)
	}
	for _, path := range slices.Backward(found) {
		if isFile(path) {
			return path
		}
	}
	return ""
}

// escaped makes a pattern of a path that stands for the path alone.
func escaped(path string) string {
	return regexp.MustCompile(`[*?\[\]{}\\]`).ReplaceAllString(path, `\$0`)
}

var digits = regexp.MustCompile(`\d+`)

// compareVersions compares two names, numbers in them by their value.
func compareVersions(a, b string) int {
	pad := func(number string) string { return strings.Repeat("0", max(0, 12-len(number))) + number }
	return strings.Compare(digits.ReplaceAllStringFunc(a, pad), digits.ReplaceAllStringFunc(b, pad))
}

func (f *finder) takePHPUnit(path string) {
	abs, err := filepath.Abs(path)
	if err != nil {
		abs = path
	}
	script, phar, err := inspectScript(abs)
	switch {
	case err != nil:
		f.fail(&Error{Kind: NoPHPUnit, Path: f.rel(path), Fault: "cannot be read: " + reason(err), Advice: "make it readable, or name another with --phpunit"})
	case !script:
		f.fail(&Error{Kind: NoPHPUnit, Path: f.rel(path), Fault: "is not a PHP script", Advice: "name the script or phar itself with --phpunit"})
	default:
		f.PHPUnit.Path, f.PHPUnit.Phar = abs, phar
	}
}

// inspectScript reports whether a file is PHP, and whether it is an archive: a
// phar is a PHP stub that ends in __HALT_COMPILER, whatever the file's name.
func inspectScript(path string) (script, phar bool, err error) {
	head, err := headOf(path)
	if err != nil {
		return false, false, err
	}
	script = bytes.Contains(head, []byte("<?php"))
	phar = script && bytes.Contains(head, []byte("Phar")) && bytes.Contains(head, []byte("__HALT_COMPILER"))
	return script, phar || (script && strings.HasSuffix(path, ".phar")), nil
}

// headOf reads the beginning of a file.
func headOf(path string) ([]byte, error) {
	in, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	head := make([]byte, 64<<10)
	n, _ := in.Read(head)
	return head[:n], nil
}
