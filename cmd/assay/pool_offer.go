//go:build linux

package main

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"assay/exec"
	"assay/exec/pool"
	"assay/mutate"
)

// An offer is what a run has for a pool.
type offer struct {
	c        *runCommand
	env      *environment
	code     *codebase
	engine   *exec.Engine
	baseline *exec.Baseline
	memory   *memory
	chosen   []*mutate.Mutant
	tasks    []exec.Task
	bar      *progress
}

// Roles of a run's files.
const (
	roleDescription = "description"
	roleArchive     = "archive"
)

// described says what a worker has to run, and what has to be the same where it runs.
type described struct {
	Root    string         `json:"root"` // of the host's project
	Dir     string         `json:"dir"`  // the last part of it
	Options offeredOptions `json:"options"`
	Chosen  []string       `json:"chosen"` // IDs of mutants, in order
	Agreed  agreement      `json:"agreed"`
	Seen    seenThere      `json:"seen"`
}

// offeredOptions are those that mutants, tests and verdicts depend on. Paths are relative to the
// project.
type offeredOptions struct {
	Paths, Exclude, Enable, Disable, Only []string
	Breadth                               string
	PHPUnit, PHPUnitConfig                string
	TestSuite, Group                      []string
	MemoryLimit                           int64
	Cold, NoObserve, AllKills             bool
	Confine                               confineOptions
}

func (o *offer) options() (offeredOptions, error) {
	c := o.c
	out := offeredOptions{Paths: c.inProject(o.code), Exclude: c.Exclude, Enable: c.Enable, Disable: c.Disable, Only: c.Only, Breadth: c.Breadth,
		TestSuite: c.TestSuite, Group: c.Group, MemoryLimit: int64(c.MemoryLimit), Cold: c.Cold, NoObserve: c.NoObserve, AllKills: c.AllKills, Confine: c.confineOptions}
	for _, p := range out.Paths {
		if !filepath.IsLocal(p) {
			return out, usagef("%s lies outside of the project, and is not given to a pool", p)
		}
	}
	if o.code.Above != "" {
		return out, usagef("the project needs %s, which lies outside of it, and is not given to a pool", o.code.Above)
	}
	if rel, err := filepath.Rel(o.code.Root, o.code.PHPUnit.Path); err == nil && filepath.IsLocal(rel) {
		out.PHPUnit = rel
	}
	if c.PHPUnitConfig != "" {
		abs, err := filepath.Abs(c.PHPUnitConfig)
		if err == nil {
			out.PHPUnitConfig, err = filepath.Rel(o.code.Root, abs)
		}
		if err != nil || !filepath.IsLocal(out.PHPUnitConfig) {
			return out, usagef("--phpunit-config %s: it lies outside of the project, and is not given to a pool", c.PHPUnitConfig)
		}
	}
	return out, nil
}

// describe makes the files of a run.
func (o *offer) describe() (*pool.Run, func(pool.File) (io.ReadCloser, error), error) {
	if o.memory.now == nil {
		return nil, nil, errors.New("what verdicts rest on cannot be told, and so cannot be compared with what workers have")
	}
	dir, err := workFolder(o.engine)
	if err != nil {
		return nil, nil, err
	}
	d := described{Root: o.code.Root, Dir: filepath.Base(o.code.Root)}
	if d.Options, err = o.options(); err != nil {
		return nil, nil, err
	}
	for _, m := range o.chosen {
		d.Chosen = append(d.Chosen, m.ID)
	}
	if d.Agreed, err = agreementOf(o.code.PHP, o.code.PHPUnit.Path); err != nil {
		return nil, nil, err
	}
	d.Seen = seenHere(o.code, o.engine.Facts(), o.baseline, o.memory.now, o.tasks, os.Environ())
	run := &pool.Run{Name: o.code.Name, Patience: time.Duration(o.c.PoolPatience)}
	if run.Host, err = os.Hostname(); err != nil {
		return nil, nil, err
	}
	paths := map[string]string{}
	add := func(role string, write func(io.Writer) error) error {
		f, err := makeFile(dir, role, write)
		if err == nil {
			run.Files = append(run.Files, f)
			paths[f.Sum] = filepath.Join(dir, f.Sum)
		}
		return err
	}
	if err := add(roleDescription, func(w io.Writer) error { return json.NewEncoder(w).Encode(d) }); err != nil {
		return nil, nil, err
	}
	list, err := o.files()
	if err != nil {
		return nil, nil, err
	}
	for _, names := range [][]string{list.packages, list.rest} {
		if err := add(roleArchive, func(w io.Writer) error { return pool.Pack(w, o.code.Root, names, pool.Usual) }); err != nil {
			return nil, nil, usagef("the project is not given to a pool: %v", err)
		}
	}
	return run, func(f pool.File) (io.ReadCloser, error) { return os.Open(paths[f.Sum]) }, nil
}

// makeFile writes a file that is named by its sum.
func makeFile(dir, role string, write func(io.Writer) error) (pool.File, error) {
	f, err := os.CreateTemp(dir, "making-")
	if err != nil {
		return pool.File{}, err
	}
	h := sha256.New()
	err = write(io.MultiWriter(f, h))
	size, fault := f.Seek(0, io.SeekEnd)
	made := pool.File{Role: role, Sum: hex.EncodeToString(h.Sum(nil)), Size: size}
	if err = errors.Join(err, fault, f.Close()); err != nil {
		return made, err
	}
	return made, os.Rename(f.Name(), filepath.Join(dir, made.Sum))
}

// sendable are the files of a project that are sent: those of packages, which are the same for
// most runs, and the rest.
type sendable struct{ packages, rest []string }

// files lists what of the project is sent: what its tests may need, and so all but version
// control, what assay and PHPUnit write, and what git ignores; of that only packages, and what
// the tests were seen to use.
func (o *offer) files() (sendable, error) {
	use, err := o.used()
	if err != nil {
		return sendable{}, err
	}
	written := map[string]bool{}
	for _, p := range o.memory.now.outputs {
		written[p] = true
	}
	vendor := "vendor"
	if rel, err := filepath.Rel(o.code.Root, o.code.VendorDir); err == nil && filepath.IsLocal(rel) && rel != "." {
		vendor = filepath.ToSlash(rel)
	}
	return listFiles(o.code.Root, vendor, ignoredIn(o.code.Root), written, use)
}

func listFiles(root, vendor string, ignored, written map[string]bool, use *uses) (out sendable, err error) {
	skipped := "" // the folder that git ignores in which the walk is
	err = filepath.WalkDir(root, func(abs string, d fs.DirEntry, err error) error {
		rel, fault := filepath.Rel(root, abs)
		if err = errors.Join(err, fault); err != nil || rel == "." {
			return err
		}
		rel = filepath.ToSlash(rel)
		isPackage := rel == vendor || strings.HasPrefix(rel, vendor+"/")
		isIgnored := ignored[rel] || skipped != "" && strings.HasPrefix(rel, skipped+"/")
		switch {
		case d.Name() == ".git", written[abs], !isPackage && strings.HasPrefix(d.Name(), ".phpunit"),
			!isPackage && isIgnored && !use.has(rel) && !(d.IsDir() && use.dirs[rel]):
			if d.IsDir() {
				return filepath.SkipDir
			}
		case isPackage:
			out.packages = append(out.packages, rel)
		default:
			out.rest = append(out.rest, rel)
			if ignored[rel] && d.IsDir() {
				skipped = rel
			}
		}
		return nil
	})
	return out, err
}

// uses are paths that the tests use, below the project.
type uses struct {
	all   bool
	paths map[string]bool // files; folders that are listed have "/" at the end
	dirs  map[string]bool // folders that such lie in
}

// has reports whether a file, or a name in a folder, is used.
func (u *uses) has(rel string) bool {
	return u.all || u.paths[rel] || u.paths[rel+"/"] || u.paths[path.Dir(rel)+"/"]
}

// add takes in a path that is used.
func (u *uses) add(p string) {
	u.all = u.all || p == "*"
	u.paths[p] = true
	for dir := path.Dir(strings.TrimSuffix(p, "/")); dir != "." && dir != "/"; dir = path.Dir(dir) {
		u.dirs[dir] = true
	}
}

// used gives what the recording has seen to be used.
func (o *offer) used() (*uses, error) {
	u := &uses{paths: map[string]bool{}, dirs: map[string]bool{}}
	deps := o.baseline.Dependencies()
	lists := [][]string{deps.Common, o.code.Files, o.code.Tests}
	for _, paths := range deps.Class {
		lists = append(lists, paths)
	}
	for _, p := range slices.Concat(lists...) {
		if p == ".git" || strings.HasPrefix(p, ".git/") {
			return nil, usagef("the tests read %s, and version control is not given to a pool", p)
		}
		if !filepath.IsAbs(p) {
			u.add(p)
		}
	}
	u.add("composer.json")
	u.add("composer.lock")
	for _, abs := range []string{o.code.Bootstrap, o.code.Autoload, configPath(o.code), o.code.PHPUnit.Path} {
		if rel, err := filepath.Rel(o.code.Root, abs); abs != "" && err == nil && filepath.IsLocal(rel) {
			u.add(filepath.ToSlash(rel))
		}
	}
	return u, nil
}

func configPath(c *codebase) string {
	if c.Config == nil {
		return ""
	}
	return c.Config.Path
}

// ignoredIn lists what git ignores below a folder; nothing where git does not say, or ignores
// the folder itself.
func ignoredIn(root string) map[string]bool {
	if _, err := git(root, "check-ignore", "-q", "."); err == nil {
		return nil
	}
	out, err := git(root, "ls-files", "-z", "--others", "--ignored", "--exclude-standard", "--directory")
	if err != nil {
		return nil
	}
	ignored := map[string]bool{}
	for name := range strings.SplitSeq(string(out), "\x00") {
		if name != "" {
			ignored[strings.TrimSuffix(name, "/")] = true
		}
	}
	return ignored
}
