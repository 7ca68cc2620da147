//go:build linux

package sandbox

import (
	"errors"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// openCopy makes a private copy of the project below spec.Dir and a temp
// directory next to it.
func openCopy(spec Spec) (*View, error) {
	whole, below := spec.whole()
	top := filepath.Join(spec.Dir, "copy", filepath.Base(whole))
	root := filepath.Join(top, below)
	temp := filepath.Join(spec.Dir, "tmp")
	kept := filepath.Join(spec.Dir, "kept")
	for _, d := range []string{root, temp, kept} {
		if err := os.MkdirAll(d, 0o700); err != nil {
			return nil, fmt.Errorf("copy view: %w", err)
		}
	}
	store, err := openPath(kept)
	if err != nil {
		return nil, err
	}
	from, err := openPath(spec.Root)
	if err != nil {
		return nil, err
	}
	to, err := openPath(root)
	if err != nil {
		return nil, err
	}
	c := &copier{from: whole, to: top, below: below, skip: map[string]bool{}, owner: mayChown()}
	for _, s := range spec.Skip {
		c.skip[path.Clean(s)] = true
	}
	base := newPristine(from, store)
	base.prefix, base.root = "project-", root
	base.link, base.omit = c.link, c.omit
	t := newTree("project", base, to, to)
	c.known = t.known
	if err := c.dir(from, to, "."); err != nil {
		return nil, fmt.Errorf("copy of %s: %w", spec.Root, err)
	}
	t.owner = c.owner
	// What the copier copied is verified by its stat; the directories still are to be.
	if list, err := t.changes(); err != nil {
		return nil, err
	} else if len(list) > 0 {
		return nil, fmt.Errorf("copy of %s: %v; the project changed while it was copied, or its file system keeps less than ours", spec.Root, list[0])
	}
	scratch, err := openTempTree(temp, temp, store)
	if err != nil {
		return nil, err
	}
	v := newView(Copy, root, temp, t, []*tree{scratch})
	if below != "." {
		err = v.copyAround(c, spec, store)
	}
	v.notes = append(v.notes, c.notes...)
	return v, err
}

// copyAround copies what lies around the project. Tests may not write there; where
// they are not kept from it, it is watched.
func (v *View) copyAround(c *copier, spec Spec, store int) error {
	from, err := openPath(c.from)
	if err != nil {
		return err
	}
	to, err := openPath(c.to)
	if err != nil {
		return err
	}
	rest := &copier{from: c.from, to: c.to, below: ".", project: c.below, known: map[string]meta{}, owner: c.owner}
	if err := rest.dir(from, to, "."); err != nil {
		return fmt.Errorf("copy of %s: %w", c.from, err)
	}
	c.notes = append(c.notes, rest.notes...)
	if spec.Confinement.Landlock > 0 {
		return errors.Join(unix.Close(from), unix.Close(to))
	}
	if store, err = unix.FcntlInt(uintptr(store), unix.F_DUPFD_CLOEXEC, 3); err != nil {
		return err
	}
	base := newPristine(from, store)
	base.prefix, base.root = "around-", c.to
	base.link, base.omit = rest.link, rest.omit
	t := newTree(c.to, base, to, to)
	t.known, t.owner, t.except = rest.known, rest.owner, c.below
	list, err := t.changes()
	if err == nil && len(list) > 0 {
		err = fmt.Errorf("copy of %s: %v; it changed while it was copied", c.from, list[0])
	}
	v.around = t
	return err
}

// openTempTree watches a temp directory: place is its name for people, dir the
// path to open.
func openTempTree(place, dir string, store int) (*tree, error) {
	fd, err := openPath(dir)
	if err != nil {
		return nil, err
	}
	return newTempTree(place, fd, store)
}

func newTempTree(place string, fd, store int) (*tree, error) {
	store, err := unix.FcntlInt(uintptr(store), unix.F_DUPFD_CLOEXEC, 3)
	if err != nil {
		return nil, err
	}
	base := newPristine(-1, store)
	base.prefix = strings.ReplaceAll(place, "/", "-") + "-"
	t := newTree(place, base, fd, fd)
	t.looseDirs = true
	m, err := statFd(fd)
	if err != nil {
		return nil, err
	}
	base.keep(".", saved{meta: m})
	list, err := t.changes()
	if err != nil {
		return nil, err
	}
	return t, t.accept(list)
}

// openPath opens a directory of our own making or choice by its absolute path.
func openPath(p string) (int, error) {
	fd, err := unix.Open(p, unix.O_RDONLY|unix.O_DIRECTORY|unix.O_CLOEXEC, 0)
	if err != nil {
		return -1, fmt.Errorf("open %s: %w", p, err)
	}
	return fd, nil
}

// copier copies the project for one copy view, or what lies around it.
type copier struct {
	from, to string // the whole that is copied and its place, absolute
	below    string // from there to what this copier copies, and what paths are relative to
	project  string // path, relative to from, of what another copier copies; "" for none
	skip     map[string]bool
	owner    bool
	known    map[string]meta // stat of every copied entry
	notes    []string
	buf      [32 << 10]byte
}

// omit reports what the copy leaves out: what the user named, and sockets,
// pipes and devices, which mean nothing at another place.
func (c *copier) omit(rel string, m meta) bool {
	return c.skip[rel] || rel == c.project || !m.isRegular() && !m.isDir() && !m.isLink()
}

// link says where a symbolic link at rel must point in the copy, so that it
// leads to the copy where it led into what is copied, and to the same place where
// it led out of it.
func (c *copier) link(rel, target string) string {
	rel = filepath.Join(c.below, rel)
	dir := filepath.Join(c.from, filepath.Dir(rel))
	abs := target
	if !filepath.IsAbs(target) {
		abs = filepath.Join(dir, target)
	}
	abs = filepath.Clean(abs)
	if !Within(c.from, abs) {
		return abs
	}
	inside := filepath.Join(filepath.Dir(rel), target)
	if !filepath.IsAbs(target) && inside != ".." && !strings.HasPrefix(inside, "../") {
		return target
	}
	return c.to + strings.TrimPrefix(abs, c.from)
}

// dir copies what an open directory holds into another one.
func (c *copier) dir(from, to int, rel string) error {
	names, err := listFd(from)
	if err != nil {
		return err
	}
	for _, n := range names {
		sub := path.Join(rel, n)
		m, err := statAt(from, n)
		if err == unix.ENOENT {
			continue // a passing temp file of an editor
		}
		if err == nil && !c.omit(sub, m) {
			err = c.entry(from, to, n, sub, m)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", sub, err)
		}
	}
	m, err := statFd(from)
	if err != nil {
		return err
	}
	return c.like(to, ".", m)
}

// like gives an entry the owner, mode and time of the original.
func (c *copier) like(dir int, name string, m meta) error {
	err := setEntry(dir, name, m, c.owner, true)
	if c.owner && (err == unix.EPERM || err == unix.EINVAL) {
		c.owner = false
		c.notes = append(c.notes, "Owners of files are not kept in the workers' copies: "+err.Error()+".")
		err = setEntry(dir, name, m, false, true)
	}
	return err
}

func (c *copier) entry(from, to int, name, rel string, m meta) error {
	var err error
	switch {
	case m.isDir():
		return c.subdir(from, to, name, rel, m)
	case m.isLink():
		var target string
		if target, err = readlinkAt(from, name); err == nil {
			err = unix.Symlinkat(c.link(rel, target), to, name)
		}
	default:
		err = c.file(from, to, name, rel, m)
	}
	if err == nil {
		err = c.like(to, name, m)
	}
	if err != nil {
		return err
	}
	c.known[rel], err = statAt(to, name)
	return err
}

func (c *copier) subdir(from, to int, name, rel string, m meta) error {
	onTheWay := c.project != "" && strings.HasPrefix(c.project, rel+"/") // to the project, and so it is there
	if err := unix.Mkdirat(to, name, 0o700); err != nil && !onTheWay {
		return err
	}
	src, err := openDir(from, name)
	if err == unix.EACCES {
		// Who cannot list it here cannot list it in the copy either.
		c.notes = append(c.notes, "The folder "+rel+" is not readable, and is empty in the workers' copies.")
		return c.like(to, name, m)
	}
	if err != nil {
		return err
	}
	defer unix.Close(src)
	dst, err := openDir(to, name)
	if err != nil {
		return err
	}
	defer unix.Close(dst)
	return c.dir(src, dst, rel)
}

func (c *copier) file(from, to int, name, rel string, m meta) error {
	dst, err := openAt(to, name, unix.O_WRONLY|unix.O_CREAT|unix.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	src, err := openAt(from, name, unix.O_RDONLY|unix.O_NONBLOCK, 0)
	if err == unix.EACCES {
		c.notes = append(c.notes, "The file "+rel+" is not readable, and holds zeros in the workers' copies.")
		err = unix.Ftruncate(dst, m.size)
		unix.Close(dst)
		return err
	}
	if err != nil {
		unix.Close(dst)
		return err
	}
	if m.size <= int64(len(c.buf)) {
		err = c.small(dst, src, m.size)
		unix.Close(src)
		unix.Close(dst)
		return err
	}
	r, w := os.NewFile(uintptr(src), rel), os.NewFile(uintptr(dst), rel)
	defer r.Close()
	defer w.Close()
	return copyData(w, r, m.size)
}

// small copies a file that fits the buffer: most files do, and two calls are
// quicker than asking what is the best way.
func (c *copier) small(dst, src int, size int64) error {
	data := c.buf[:size]
	if err := readAll(src, data); err != nil {
		return err
	}
	return writeAll(dst, data)
}
