package project

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"assay/mutate"
)

// Options are what the user asked for. The zero value asks for nothing.
type Options struct {
	Exact         bool     // dir is the root itself; do not look upwards
	PHP           string   // the PHP to use: a path, or a name on PATH
	PHPUnit       string   // the PHPUnit to use: a script or phar
	PHPUnitConfig string   // the configuration file, instead of phpunit.xml
	Paths         []string // only these files, directories or patterns ("src/**/*Fare.php")
	Exclude       []string // patterns, relative to the root, of files and directories to leave out
	MaxFileSize   int64    // bytes; larger files are left out with a note; 0 means DefaultMaxFileSize
	Chosen        bool     // the user wants certain tests, and no word of others
	SourceOnly    bool     // only the source is wanted: need no PHP, PHPUnit or tests
}

// DefaultMaxFileSize is the size in bytes above which a file is taken to be
// data or generated code.
const DefaultMaxFileSize = 2 << 20

// A Project is what Find found. It is not changed afterwards.
type Project struct {
	Root      string    // absolute, symbolic links resolved
	Name      string    // from composer.json, else the directory's
	Composer  *Composer // nil when there is no composer.json
	Config    *Config   // nil when there is no PHPUnit configuration
	VendorDir string    // absolute; need not exist
	Above     string    // a directory outside of Root, most often above it, that the project needs; or ""
	Autoload  string    // absolute path of Composer's autoload.php, or ""
	Bootstrap string    // absolute path that the configuration names, or ""
	PHP       string    // absolute path
	PHPUnit   PHPUnit
	Files     []string // source files, relative to Root, with "/", sorted
	Tests     []string // test files, likewise; those outside the root are absolute
	// TestPath is what PHPUnit must be given as its argument because the
	// configuration names no test suite: absolute, or "".
	TestPath string
	Notes    []mutate.Note
}

// Read gives the bytes of a file, named as in Files.
func (p *Project) Read(path string) (*mutate.Source, error) {
	text, err := ReadFile(filepath.Join(p.Root, filepath.FromSlash(path)))
	if err != nil {
		return nil, err
	}
	return &mutate.Source{Path: path, Text: text}, nil
}

// Find looks at the project that dir belongs to: the nearest directory, from
// dir upwards, that has a composer.json or a PHPUnit configuration.
//
// An error joins every fault that was seen, each an *Error. The project is
// then still given, as far as it could be known, unless there is no root.
func Find(dir string, opts Options) (*Project, error) {
	f := &finder{opts: opts}
	if err := f.findRoot(dir); err != nil {
		return nil, err
	}
	if f.opts.MaxFileSize <= 0 {
		f.opts.MaxFileSize = DefaultMaxFileSize
	}
	f.readComposer()
	f.readConfig()
	f.lookAbove()
	if !opts.SourceOnly {
		f.findTools()
	}
	f.findTests()
	f.findSource()
	slices.SortStableFunc(f.Notes, func(a, b mutate.Note) int { return strings.Compare(a.Path, b.Path) })
	return &f.Project, errors.Join(f.faults...)
}

// finder is a project in the making.
type finder struct {
	Project
	opts   Options
	dir    string // absolute; what the user's relative paths are relative to
	faults []error
	tests  testSet
	// packages is the composer.json that VendorDir belongs to; nil when there is none.
	packages *Composer
	found    string // the configuration that was found below the root by its name, or ""
}

func (f *finder) fail(e *Error) { f.faults = append(f.faults, e) }

// failed reports whether a file that says where things are could not be used:
// that nothing was found is then no news.
func (f *finder) failed() bool {
	return slices.ContainsFunc(Faults(errors.Join(f.faults...)), func(e *Error) bool {
		return e.Kind == BadXML || e.Kind == BadJSON || e.Kind == MissingPath || e.Kind == NoMatch
	})
}

func (f *finder) note(kind, path string, line int, format string, args ...any) {
	n := mutate.Note{Kind: kind, Line: line, Text: fmt.Sprintf(format, args...)}
	if path != "" {
		n.Path = f.rel(path)
	}
	if !slices.Contains(f.Notes, n) { // two places may lead to the same trouble
		f.Notes = append(f.Notes, n)
	}
}

// rel names an absolute path for people: relative to the root where it is
// below, else as it is.
func (f *finder) rel(path string) string {
	if r, ok := below(f.Root, path); ok {
		return filepath.ToSlash(r)
	}
	return path
}

// configNames are tried in this order. The second is known to PHPUnit 10 and
// later, the others to all.
var configNames = []string{"phpunit.xml", "phpunit.dist.xml", "phpunit.xml.dist"}

func (f *finder) findRoot(dir string) error {
	abs, err := filepath.Abs(dir)
	if err == nil {
		abs, err = filepath.EvalSymlinks(abs)
	}
	if err != nil {
		return &Error{Kind: NotDirectory, Path: dir, Fault: reason(err), Advice: "give the directory of a PHP project"}
	}
	if info, err := os.Stat(abs); err != nil || !info.IsDir() {
		return &Error{Kind: NotDirectory, Path: dir, Fault: "is not a directory", Advice: "give the directory of a PHP project"}
	}
	f.dir, f.Root = abs, abs
	if f.opts.Exact && f.opts.PHPUnitConfig != "" {
		return nil
	}
	for at := abs; ; at = filepath.Dir(at) {
		if isFile(filepath.Join(at, "composer.json")) || f.configIn(at) != "" {
			f.Root = at
			f.goUp()
			return nil
		}
		if f.opts.Exact || at == filepath.Dir(at) {
			break
		}
	}
	if f.opts.PHPUnitConfig != "" {
		return nil
	}
	where := "here or in any directory above"
	if f.opts.Exact {
		where = "here"
	}
	return &Error{Kind: NoProject, Path: dir, Fault: "there is no composer.json and no phpunit.xml " + where,
		Advice: "run this inside a PHP project, or name its PHPUnit configuration with --phpunit-config"}
}

// goUp takes the directory of the nearest composer.json above for the root where the
// configuration that was found is about code there: it lies in a folder of the tests.
func (f *finder) goUp() {
	path := f.configIn(f.Root)
	if f.opts.Exact || f.opts.PHPUnitConfig != "" || path == "" || isFile(filepath.Join(f.Root, "composer.json")) {
		return
	}
	c, err := LoadConfig(path)
	if err != nil {
		return // and that is told when it is read
	}
	for _, p := range c.Include {
		if _, in := below(f.Root, p.Path); in {
			return
		}
	}
	for at := filepath.Dir(f.Root); at != filepath.Dir(at); at = filepath.Dir(at) {
		if isFile(filepath.Join(at, "composer.json")) {
			f.Root, f.found = at, path
			return
		}
	}
}

// configIn gives the PHPUnit configuration in a directory, or "".
func (f *finder) configIn(dir string) string {
	for _, name := range configNames {
		if path := filepath.Join(dir, name); isFile(path) {
			return path
		}
	}
	return ""
}

// userPath makes a path from the command line or the config file absolute: it
// is relative to where the user stands, else to the root.
func (f *finder) userPath(path string) string {
	if filepath.IsAbs(path) {
		return filepath.Clean(path)
	}
	here := filepath.Join(f.dir, path)
	if _, err := os.Lstat(here); err != nil {
		if there := filepath.Join(f.Root, path); exists(there) {
			return there
		}
	}
	return here
}

// reason is the operating system's part of an error, without the path.
func reason(err error) string {
	var pe *os.PathError
	if errors.As(err, &pe) {
		return pe.Err.Error()
	}
	return err.Error()
}

func exists(path string) bool { _, err := os.Stat(path); return err == nil }

func isFile(path string) bool { i, err := os.Stat(path); return err == nil && i.Mode().IsRegular() }

func isDir(path string) bool { i, err := os.Stat(path); return err == nil && i.IsDir() }
