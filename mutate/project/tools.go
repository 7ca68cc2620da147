package project

import (
	"bytes"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
)

// PHPUnit is the PHPUnit that runs the project's tests.
type PHPUnit struct {
	Path string // absolute
	Phar bool   // an archive, not a script
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

// findPHPUnit takes the option; then the project's own: Composer's, a phar at
// one of the usual places; then the machine's.
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
		f.takePHPUnit(path)
		return
	}
	bin := filepath.Join(f.VendorDir, "bin")
	if f.Composer != nil {
		bin = f.Composer.binDir()
	}
	for _, path := range []string{
		filepath.Join(bin, "phpunit"),
		filepath.Join(f.VendorDir, "phpunit", "phpunit", "phpunit"),
		filepath.Join(f.Root, "phpunit.phar"),
		filepath.Join(f.Root, "tools", "phpunit.phar"),
		filepath.Join(f.Root, "tools", "phpunit"),
	} {
		if isFile(path) {
			f.takePHPUnit(path)
			return
		}
	}
	if path, err := osexec.LookPath("phpunit"); err == nil {
		f.takePHPUnit(path)
		return
	}
	f.fail(&Error{Kind: NoPHPUnit, Path: "phpunit", Fault: "is neither in " + f.rel(bin) + " nor on PATH",
		Advice: "run `composer install`, or `composer require --dev phpunit/phpunit`, or name it with --phpunit"})
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
		f.PHPUnit = PHPUnit{Path: abs, Phar: phar}
	}
}

// inspectScript reports whether a file is PHP, and whether it is an archive: a
// phar is a PHP stub that ends in __HALT_COMPILER, whatever the file's name.
func inspectScript(path string) (script, phar bool, err error) {
	in, err := os.Open(path)
	if err != nil {
		return false, false, err
	}
	defer in.Close()
	head := make([]byte, 64<<10)
	n, _ := in.Read(head)
	head = head[:n]
	script = bytes.Contains(head, []byte("<?php"))
	phar = script && bytes.Contains(head, []byte("Phar")) && bytes.Contains(head, []byte("__HALT_COMPILER"))
	return script, phar || (script && strings.HasSuffix(path, ".phar")), nil
}
