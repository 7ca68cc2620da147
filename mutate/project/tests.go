package project

import (
	"path/filepath"
	"slices"
	"strings"

	"github.com/bmatcuk/doublestar/v4"
)

// testSet is what belongs to the tests, by real path.
type testSet struct {
	files map[string]bool
	dirs  []string // of the suites and of autoload-dev
}

// owns reports whether a source file found below start is a test or a helper
// of tests. A test directory counts only when it lies within start: suites
// whose directory holds the whole source own no more than their test files.
func (t *testSet) owns(file, start string) bool {
	if t.files[file] {
		return true
	}
	for _, dir := range t.dirs {
		_, holds := below(dir, start)
		if _, in := below(dir, file); in && !holds {
			return true
		}
	}
	return false
}

func (f *finder) findTests() {
	f.tests.files = map[string]bool{}
	if f.Composer != nil {
		for _, p := range f.Composer.places(f.Composer.AutoloadDev) {
			if real, err := filepath.EvalSymlinks(p.path); err == nil && isDir(real) {
				f.tests.dirs = append(f.tests.dirs, real)
			}
		}
	}
	suites := f.Config != nil && len(f.Config.Suites) > 0
	if suites {
		for _, s := range f.Config.Suites {
			f.suiteFiles(s)
		}
	} else {
		f.guessTests()
	}
	for path := range f.tests.files {
		f.Tests = append(f.Tests, f.rel(path))
	}
	slices.Sort(f.Tests)
	f.noteOthers()
	if len(f.Tests) > 0 || f.opts.SourceOnly || f.failed() {
		return
	}
	e := &Error{Kind: NoTests, Path: f.Root, Fault: "no test is found: there are no test suites in a phpunit.xml, and no *Test.php below tests/ or what autoload-dev names",
		Advice: "write a test, or name the suites in phpunit.xml"}
	if suites {
		e.Path = f.rel(f.Config.Path)
		e.Line = f.Config.Suites[0].Line
		e.Fault, e.Advice = "its test suites hold no test file", "correct the directories and suffixes, or write a test"
	}
	f.fail(e)
}

// suiteFiles finds the files of one suite by PHPUnit's rules.
func (f *finder) suiteFiles(s Suite) {
	var exclude []string
	for _, x := range s.Exclude {
		exclude = append(exclude, glob(x.Path)...)
	}
	missing := func(p Place, what string) {
		if f.opts.SourceOnly {
			f.note("config", f.Config.Path, p.Line, "the %s %s does not exist", what, f.rel(p.Path))
			return
		}
		f.fail(&Error{Kind: MissingPath, Path: f.rel(f.Config.Path), Line: p.Line, Fault: "the " + what + " " + f.rel(p.Path) + " does not exist",
			Advice: "correct the configuration; PHPUnit does not start like this"})
	}
	for _, p := range s.Include {
		if p.File {
			if real, err := filepath.EvalSymlinks(p.Path); err == nil && isFile(real) {
				f.tests.files[real] = true
			} else {
				missing(p, "test file")
			}
			continue
		}
		dirs := glob(p.Path)
		if len(dirs) == 0 && !strings.Contains(p.Path, "*") {
			missing(p, "test directory")
		}
		for _, dir := range dirs {
			f.tests.dirs = append(f.tests.dirs, dir)
			f.testFiles(dir, p.Prefix, p.Suffix, exclude)
		}
	}
}

// testFiles adds the test files below a directory and says how many they are.
func (f *finder) testFiles(dir, prefix, suffix string, exclude []string) (n int) {
	w := &walker{within: string(filepath.Separator), entered: map[string]bool{}}
	w.problem = func(path, what string) { f.note("unreadable", path, 0, "%s, so the tests there are not known", what) }
	takes := func(path string) bool {
		name := filepath.Base(path)
		// PHPUnit compares strings, not path components.
		excluded := slices.ContainsFunc(exclude, func(x string) bool { return strings.HasPrefix(path, x) })
		return strings.HasPrefix(name, prefix) && strings.HasSuffix(name, suffix) && !excluded
	}
	w.file = func(path string) {
		if takes(path) {
			f.tests.files[path] = true
			n++
		}
	}
	w.odd = func(path, what string) {
		switch {
		case !takes(path):
		case f.opts.SourceOnly:
			f.note("unreadable", path, 0, "is %s and no file, so it holds no test", what)
		default: // PHPUnit would wait for the pipe without end
			f.fail(&Error{Kind: NoFile, Path: f.rel(path), Fault: "is " + what + " and no file, and PHPUnit would load it as a test", Advice: "take it away, or exclude it from the test suites"})
		}
	}
	if isDir(dir) {
		w.walk(dir)
	} else if isFile(dir) {
		w.file(dir)
	}
	return n
}

// guessTests is for projects whose configuration names no suites: people then
// type "phpunit tests".
func (f *finder) guessTests() {
	dirs := slices.Clone(f.tests.dirs)
	for _, name := range []string{"tests", "test", "Tests"} {
		dirs = append(dirs, filepath.Join(f.Root, name))
	}
	for _, dir := range dirs {
		if !isDir(dir) || f.testFiles(dir, "", "Test.php", nil) == 0 {
			continue
		}
		if !slices.Contains(f.tests.dirs, dir) {
			f.tests.dirs = append(f.tests.dirs, dir)
		}
		f.TestPath = dir
		f.note("config", dir, 0, "no configuration names test suites, so the tests in %s are taken", f.rel(dir))
		return
	}
}

// glob gives the real paths that a configuration's path stands for, sorted.
// PHPUnit 9 knows PHP's glob, later versions "**" as well.
func glob(pattern string) []string {
	found := []string{pattern}
	if !exists(pattern) {
		if !strings.ContainsAny(pattern, "*?[") {
			return nil
		}
		var err error
		if found, err = doublestar.FilepathGlob(pattern); err != nil {
			return nil
		}
	}
	var out []string
	for _, path := range found {
		if real, err := filepath.EvalSymlinks(path); err == nil {
			out = append(out, real)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
