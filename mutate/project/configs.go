package project

import (
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
)

// PHPUnit takes phpunit.xml of the directory that it is started in. Projects have
// others besides or instead: in a folder of the tests, or one for unit tests and one
// for functional ones, which people name with --configuration.

// deepestConfig is how many folders below the root configurations are looked for.
const deepestConfig = 3

// onlyConfig gives the configuration below a root that has no phpunit.xml; "" where
// there is none, or several, among which somebody must choose.
func (f *finder) onlyConfig() string {
	found := f.configsBelow()
	switch {
	case len(found) == 0:
		return ""
	case len(found) == 1:
		f.note("config", found[0].Path, 0, "is the only PHPUnit configuration with tests here, so it is taken")
		return found[0].Path
	case f.opts.SourceOnly:
		return ""
	}
	f.fail(&Error{Kind: WhichConfig, Path: f.Root, Fault: "there is no phpunit.xml, but there are " + f.namesOf(found),
		Advice: "name one of them with --phpunit-config"})
	return ""
}

// noteOthers tells of configurations besides the one that was taken which have tests
// that it has not.
func (f *finder) noteOthers() {
	if f.Config == nil || f.found != "" || f.opts.PHPUnitConfig != "" || f.opts.SourceOnly || f.opts.Chosen {
		return
	}
	var others []*Config
	for _, c := range f.configsBelow() {
		if c.Path == f.Config.Path || slices.ContainsFunc(f.tests.dirs, func(dir string) bool { _, in := below(dir, c.Path); return in && dir != f.Root }) {
			continue // what lies among its tests is for them
		}
		for path := range f.testsOf(c) {
			if !f.tests.files[path] {
				others = append(others, c)
				break
			}
		}
	}
	if len(others) > 0 {
		f.note("config", f.Config.Path, 0, "is taken; other tests, which are not run, are in %s (--phpunit-config names another)", f.namesOf(others))
	}
}

func (f *finder) namesOf(configs []*Config) string {
	var names []string
	for _, c := range configs {
		names = append(names, f.rel(c.Path))
	}
	if len(names) > 5 {
		names = append(names[:5], fmt.Sprintf("%d more", len(names)-5))
	}
	if n := len(names); n > 1 {
		return strings.Join(names[:n-1], ", ") + " and " + names[n-1]
	}
	return names[0]
}

// configsBelow gives the configurations with tests, by path: what is called phpunit*.xml,
// or *.dist. Of two of one name in a folder PHPUnit takes the first of configNames.
// Packages with a composer.json of their own are other projects.
func (f *finder) configsBelow() []*Config {
	paths := map[string]string{} // by folder and stem
	filepath.WalkDir(f.Root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return fs.SkipDir // what cannot be read has nothing for us
		}
		name := d.Name()
		if d.IsDir() {
			rel, _ := below(f.Root, path)
			if rel != "." && (strings.HasPrefix(name, ".") || name == "node_modules" || path == f.VendorDir || isFile(filepath.Join(path, "composer.json")) ||
				strings.Count(rel, string(filepath.Separator)) >= deepestConfig) {
				return fs.SkipDir
			}
			return nil
		}
		stem, rank := configStem(name)
		if rank >= 0 {
			at := filepath.Join(filepath.Dir(path), stem)
			if _, old := configStem(filepath.Base(paths[at])); paths[at] == "" || rank < old {
				paths[at] = path
			}
		}
		return nil
	})
	var out []*Config
	for _, path := range paths {
		if c, err := LoadConfig(path); err == nil && len(f.testsOf(c)) > 0 {
			out = append(out, c)
		}
	}
	slices.SortFunc(out, func(a, b *Config) int { return strings.Compare(a.Path, b.Path) })
	return slices.DeleteFunc(out, func(c *Config) bool { // what lies among the tests of another is for them
		return slices.ContainsFunc(out, func(other *Config) bool { return other != c && f.holds(other, c.Path) })
	})
}

// configStem takes the ending off the name of a configuration, and says which of
// configNames has it; -1: it is none.
func configStem(name string) (stem string, rank int) {
	if !strings.HasPrefix(name, "phpunit") {
		return "", -1
	}
	for _, ending := range []string{".dist.xml", ".xml.dist", ".xml"} {
		if stem, is := strings.CutSuffix(name, ending); is {
			return stem, slices.Index(configNames, "phpunit"+ending)
		}
	}
	return "", -1
}

// holds reports whether a path lies in a folder of a configuration's tests, which does
// not hold that configuration as well.
func (f *finder) holds(c *Config, path string) bool {
	for _, s := range c.Suites {
		for _, p := range s.Include {
			_, in := below(p.Path, path)
			if _, itself := below(p.Path, c.Path); in && !itself {
				return true
			}
		}
	}
	return false
}

// testsOf gives the test files of a configuration.
func (f *finder) testsOf(c *Config) map[string]bool {
	other := &finder{Project: Project{Root: f.Root, Config: c}, opts: Options{SourceOnly: true}, tests: testSet{files: map[string]bool{}}}
	for _, s := range c.Suites {
		other.suiteFiles(s)
	}
	return other.tests.files
}
