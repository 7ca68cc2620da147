package project

import (
	"cmp"
	"path/filepath"
	"slices"
	"strings"
)

// A Config holds what a PHPUnit configuration says, as far as it matters here.
// Paths are absolute unless it is said otherwise.
type Config struct {
	Path       string            // of the file
	Attributes map[string]string // of <phpunit>, as written: "bootstrap", "processIsolation", "cacheDirectory", ...
	Suites     []Suite
	Include    []Place // what it names as source
	Exclude    []Place // what it takes away from that
	// SourceElement is the element that named the source: "source",
	// "coverage", "filter/whitelist", or "".
	SourceElement string
	Extensions    []Extension
	Settings      []Setting // the <php> section, in order
	Reports       bool      // a plain run writes coverage reports or logs
}

// A Suite is one <testsuite>.
type Suite struct {
	Name    string
	Line    int
	Include []Place
	Exclude []Place // left out by the beginning of the path, as PHPUnit does
}

// A Place is a <directory> or <file>.
type Place struct {
	Path           string // may hold "*"
	File           bool
	Prefix, Suffix string // of file names; for directories
	Line           int    // in the configuration
}

// An Extension is an <extension>, <bootstrap> below <extensions>, or
// <listener>.
type Extension struct {
	Element string // "extension", "bootstrap" or "listener"
	Class   string
	File    string // as written, or ""
	Line    int
}

// A Setting is one entry of <php>: <ini name="x" value="y"/>.
type Setting struct {
	Element, Name, Value string
	Force                bool
}

// readConfig reads the configuration that the option names, or the root's.
func (f *finder) readConfig() {
	path := cmp.Or(f.found, f.configIn(f.Root))
	if f.opts.PHPUnitConfig != "" {
		path = f.userPath(f.opts.PHPUnitConfig)
		if isDir(path) {
			path = f.configIn(path) // PHPUnit takes a directory as well
		}
		if !isFile(path) {
			f.fail(&Error{Kind: NoMatch, Path: f.opts.PHPUnitConfig, Fault: "there is no such PHPUnit configuration", Advice: "correct --phpunit-config"})
			return
		}
	}
	if path == "" {
		if path = f.onlyConfig(); path == "" {
			return
		}
	}
	c, err := LoadConfig(path)
	if err != nil {
		err.Path = f.rel(err.Path)
		f.fail(err)
		return
	}
	f.Config = c
	if name := c.Attributes["bootstrap"]; name != "" {
		f.Bootstrap = c.abs(name)
		if !isFile(f.Bootstrap) {
			f.fail(&Error{Kind: MissingPath, Path: f.rel(path), Fault: "its bootstrap " + f.rel(f.Bootstrap) + " does not exist", Advice: missingBootstrap(f.Bootstrap, f.VendorDir)})
		}
	}
}

func missingBootstrap(path, vendor string) string {
	if _, ok := below(vendor, path); ok {
		return "run `composer install` first"
	}
	return "correct the attribute or add the file"
}

// LoadConfig reads a PHPUnit configuration. The error's Path is the file's.
func LoadConfig(path string) (*Config, *Error) {
	text, err := ReadFile(path)
	if err != nil {
		return nil, &Error{Kind: BadXML, Path: path, Fault: "cannot be read: " + reason(err), Advice: "make it readable"}
	}
	root, err := readXML(text)
	if err != nil {
		e := Faults(err)[0]
		e.Path = path
		return nil, e
	}
	if root.name != "phpunit" {
		return nil, &Error{Kind: BadXML, Path: path, Line: root.line, Fault: "its root element is <" + root.name + ">, not <phpunit>", Advice: "name a PHPUnit configuration"}
	}
	c := &Config{Path: path, Attributes: root.attrs}
	suites := append(root.at("testsuites", "testsuite"), root.at("testsuite")...)
	for _, s := range suites {
		c.Suites = append(c.Suites, c.suite(s))
	}
	c.readSource(root)
	for _, e := range slices.Concat(root.at("extensions", "extension"), root.at("extensions", "bootstrap"), root.at("listeners", "listener")) {
		c.Extensions = append(c.Extensions, Extension{Element: e.name, Class: e.attr("class", ""), File: e.attr("file", ""), Line: e.line})
	}
	for _, e := range root.at("php") {
		for _, s := range e.children {
			value := s.attr("value", s.value())
			c.Settings = append(c.Settings, Setting{Element: s.name, Name: s.attr("name", ""), Value: value, Force: s.attr("force", "") == "true"})
		}
	}
	c.Reports = len(root.at("coverage", "report"))+len(root.at("logging")) > 0
	return c, nil
}

func (c *Config) suite(e *element) Suite {
	s := Suite{Name: e.attr("name", ""), Line: e.line}
	for _, d := range e.all("directory") {
		s.Include = c.add(s.Include, d, "Test.php")
	}
	for _, file := range e.all("file") {
		s.Include = c.add(s.Include, file, "")
	}
	for _, x := range e.all("exclude") {
		s.Exclude = c.add(s.Exclude, x, "")
	}
	return s
}

// readSource takes the newest form that is there; PHPUnit 9.6 lets the oldest
// win, and reads <source> not at all, but nobody writes two that differ.
func (c *Config) readSource(root *element) {
	forms := []struct {
		name             string
		include, exclude []string
	}{
		{"source", []string{"source", "include"}, []string{"source", "exclude"}},
		{"coverage", []string{"coverage", "include"}, []string{"coverage", "exclude"}},
		{"filter/whitelist", []string{"filter", "whitelist"}, []string{"filter", "whitelist", "exclude"}},
	}
	for _, form := range forms {
		for _, at := range root.at(form.include...) {
			c.Include = append(c.Include, c.placesBelow(at)...)
		}
		if len(c.Include) == 0 {
			continue
		}
		c.SourceElement = form.name
		for _, at := range root.at(form.exclude...) {
			c.Exclude = append(c.Exclude, c.placesBelow(at)...)
		}
		return
	}
}

func (c *Config) placesBelow(e *element) []Place {
	var out []Place
	for _, d := range e.at("directory") {
		out = c.add(out, d, ".php")
	}
	for _, file := range e.at("file") {
		out = c.add(out, file, "")
	}
	return out
}

// add appends the place that an element names; empty ones are passed over, as
// PHPUnit does.
func (c *Config) add(to []Place, e *element, suffix string) []Place {
	if e.value() == "" {
		return to
	}
	return append(to, Place{
		Path: c.abs(e.value()), File: e.name == "file", Line: e.line,
		Prefix: e.attr("prefix", ""), Suffix: e.attr("suffix", suffix),
	})
}

// abs resolves a path of the configuration against its directory.
func (c *Config) abs(path string) string {
	path = strings.TrimSpace(path)
	if filepath.IsAbs(path) {
		return filepath.Clean(path)
	}
	return filepath.Join(filepath.Dir(c.Path), path)
}
