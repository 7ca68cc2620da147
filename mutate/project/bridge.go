package project

import (
	"bytes"
	"cmp"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Symfony's bridge to PHPUnit has a script, simple-phpunit, that installs a PHPUnit in a
// folder of its own, .phpunit, and runs that. What is known of it here was read in the
// script, bin/simple-phpunit.php of symfony/phpunit-bridge 5.4 and 7.0.

// handsOver reports whether a script runs simple-phpunit, as the one does that Symfony's
// recipe puts into bin; where PHPUnit is among the packages, that one runs it instead.
func (f *finder) handsOver(path string) bool {
	head, err := headOf(path)
	if err != nil || !bytes.Contains(head, []byte("simple-phpunit")) || bytes.Contains(head, []byte("SymfonyExcludeList")) && filepath.Base(path) == "phpunit" {
		return false
	}
	packaged := "/phpunit/phpunit/phpunit"
	return !bytes.Contains(head, []byte(packaged)) || !isFile(f.VendorDir+packaged)
}

// takeBridge takes the PHPUnit that simple-phpunit has installed, and reports whether the
// project has that script, or one that was named runs it. Where it has installed none yet
// that is a fault: any other PHPUnit might be of another version.
func (f *finder) takeBridge(named string) bool {
	script := cmp.Or(f.bridgeScript(), named)
	version := f.bridgeSetting("SYMFONY_PHPUNIT_VERSION")
	if most := f.bridgeSetting("SYMFONY_MAX_PHPUNIT_VERSION"); most != "" && version != "" && compareVersions(most, version) < 0 {
		version = most
	}
	installed := f.bridgeInstalled(f.bridgeDirs(named), version)
	if script == "" && len(installed) == 0 {
		return false
	}
	fail := func(fault, advice string) {
		f.fail(&Error{Kind: NoPHPUnit, Path: f.rel(cmp.Or(named, script, f.Root)), Fault: fault, Advice: advice})
	}
	switch {
	case len(installed) == 0 && version != "":
		fail("has not installed PHPUnit "+version+" yet", "run `simple-phpunit install`, or name another with --phpunit")
	case len(installed) == 0:
		fail("has not installed its PHPUnit yet", "run `simple-phpunit install`, or name another with --phpunit")
	case len(installed) > 1:
		var names []string
		for _, path := range installed {
			names = append(names, f.rel(path))
		}
		fail("has installed several PHPUnits: "+strings.Join(names, ", "), "set SYMFONY_PHPUNIT_VERSION, or name one with --phpunit")
	default:
		path, err := filepath.EvalSymlinks(installed[0])
		if err != nil {
			path = installed[0]
		}
		f.takePHPUnit(path)
		f.PHPUnit.Env = f.bridgeEnv(script)
	}
	return true
}

// bridgeInstalled gives the scripts of PHPUnit that are installed in some folders, of a
// version; of any without one, unless a link says which was used last.
func (f *finder) bridgeInstalled(dirs []string, version string) []string {
	var installed []string
	for _, dir := range dirs {
		if path := filepath.Join(dir, "phpunit", "phpunit"); version == "" && isFile(path) {
			return []string{path}
		}
		installed = append(installed, scriptsIn(dir, "phpunit-"+cmp.Or(version, "*")+"-[01]")...)
	}
	return installed
}

// bridgeScript gives the bridge's own script; "" for none.
func (f *finder) bridgeScript() string {
	for _, path := range []string{
		filepath.Join(f.VendorDir, "symfony", "phpunit-bridge", "bin", "simple-phpunit.php"),
		filepath.Join(f.VendorDir, "symfony", "phpunit-bridge", "bin", "simple-phpunit"),
		filepath.Join(f.binDir(), "simple-phpunit"),
	} {
		if isFile(path) {
			return path
		}
	}
	return ""
}

// bridgeDirs gives the folders that the script may have installed into: the one that is
// set, or its own and those that scripts in front of it set.
func (f *finder) bridgeDirs(named string) []string {
	if dir := f.bridgeSetting("SYMFONY_PHPUNIT_DIR"); dir != "" {
		if !filepath.IsAbs(dir) {
			dir = filepath.Join(f.Root, dir)
		}
		return []string{filepath.Clean(dir)}
	}
	dirs := []string{filepath.Join(f.Root, ".phpunit"), filepath.Join(f.Root, "bin", ".phpunit"), filepath.Join(f.binDir(), ".phpunit"),
		filepath.Join(f.VendorDir, "bin", ".phpunit")}
	if named != "" {
		dirs = slices.Insert(dirs, 0, filepath.Join(filepath.Dir(named), ".phpunit"))
	}
	slices.Sort(dirs)
	return slices.Compact(dirs)
}

// scriptsIn gives PHPUnit's scripts in the folders of a name.
func scriptsIn(dir, pattern string) []string {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil
	}
	var out []string
	for _, e := range entries {
		if ok, _ := filepath.Match(pattern, e.Name()); ok && isFile(filepath.Join(dir, e.Name(), "phpunit")) {
			out = append(out, filepath.Join(dir, e.Name(), "phpunit"))
		}
	}
	return out
}

// bridgeSetting gives a variable of the environment, or what the configuration puts
// there: the script looks at both.
func (f *finder) bridgeSetting(name string) string {
	if value, is := os.LookupEnv(name); is {
		return value
	}
	if f.Config == nil {
		return ""
	}
	for _, element := range []string{"server", "env"} {
		for _, s := range f.Config.Settings {
			if s.Element == element && s.Name == name {
				return s.Value
			}
		}
	}
	return ""
}

// bridgeEnv gives what the script puts into the environment, of what it knows.
func (f *finder) bridgeEnv(script string) []string {
	text, err := ReadFile(script)
	if err != nil {
		return nil
	}
	env := []string{"COMPOSER=composer.json", "COMPOSER_VENDOR_DIR=vendor", "COMPOSER_BIN_DIR=bin", "SYMFONY_SIMPLE_PHPUNIT_BIN_DIR=" + filepath.Dir(script)}
	if f.bridgeSetting("SYMFONY_DEPRECATIONS_HELPER") == "disabled" {
		env = append(env, "SYMFONY_DEPRECATIONS_HELPER=disabled")
	}
	if f.bridgeSetting("DOCTRINE_DEPRECATIONS") == "" {
		env = append(env, "DOCTRINE_DEPRECATIONS=trigger")
	}
	return slices.DeleteFunc(env, func(v string) bool {
		name, _, _ := strings.Cut(v, "=")
		return !bytes.Contains(text, []byte("'"+name+"'")) && !bytes.Contains(text, []byte("putenv('"+name+"="))
	})
}
