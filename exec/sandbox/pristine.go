//go:build linux

package sandbox

import (
	"errors"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"
)

// pristine is the state to go back to: a directory that nobody writes, with the
// exceptions recorded by accept.
type pristine struct {
	dir      int              // -1: nothing there
	saved    map[string]saved // by path
	within   map[string][]string
	resolved map[string]string // answers of resolve
	store    int               // directory of the saved copies
	prefix   string            // of their names: trees may share a store
	stored   int
	root     string // the path under which links in the view mean this place
	link     func(rel, target string) string
	omit     func(rel string, m meta) bool
}

// saved is one accepted exception.
type saved struct {
	meta meta
	gone bool
	link string
	copy string // name in store
}

func newPristine(dir, store int) *pristine {
	return &pristine{dir: dir, store: store, saved: map[string]saved{}, within: map[string][]string{}, resolved: map[string]string{}}
}

func (p *pristine) stat(rel string) (meta, bool, error) {
	if s, ok := p.saved[rel]; ok {
		return s.meta, !s.gone, nil
	}
	if p.dir < 0 {
		return meta{}, false, nil
	}
	m, err := statAt(p.dir, rel)
	if err == unix.ENOENT || err == unix.ENOTDIR {
		return meta{}, false, nil
	}
	if err != nil {
		return meta{}, false, err
	}
	if p.omit != nil && p.omit(rel, m) {
		return meta{}, false, nil
	}
	return m, true, nil
}

func (p *pristine) open(rel string) (*os.File, error) {
	fd, err := p.openFd(rel)
	if err != nil {
		return nil, err
	}
	return os.NewFile(uintptr(fd), rel), nil
}

func (p *pristine) openFd(rel string) (int, error) {
	dir, name := p.dir, rel
	if s, ok := p.saved[rel]; ok && s.copy != "" {
		dir, name = p.store, s.copy
	}
	if dir < 0 {
		return -1, unix.ENOENT
	}
	return openAt(dir, name, unix.O_RDONLY|unix.O_NONBLOCK, 0)
}

func (p *pristine) read(rel string) (original, error) {
	m, ok, err := p.stat(rel)
	if err != nil {
		return original{}, err
	}
	if !ok {
		return original{}, unix.ENOENT
	}
	if !m.isRegular() {
		return original{}, errNotRegular
	}
	fd, err := p.openFd(rel)
	if err != nil {
		return original{}, err
	}
	defer unix.Close(fd)
	data := make([]byte, m.size)
	if err := readAll(fd, data); err != nil {
		return original{}, err
	}
	return original{data: data, meta: m}, nil
}

func (p *pristine) readlink(rel string) (string, error) {
	if s, ok := p.saved[rel]; ok {
		return s.link, nil
	}
	target, err := readlinkAt(p.dir, rel)
	if err == nil && p.link != nil {
		target = p.link(rel, target)
	}
	return target, err
}

// savedIn lists the accepted exceptions directly inside a directory.
func (p *pristine) savedIn(rel string) []string { return slices.Clone(p.within[rel]) }

// names lists what the pristine state has, or marks as gone, in a directory.
func (p *pristine) names(rel string) ([]string, error) {
	names := p.savedIn(rel)
	if p.dir < 0 {
		return names, nil
	}
	more, err := listAt(p.dir, rel)
	if err != nil && err != unix.ENOENT && err != unix.ENOTDIR {
		return nil, err
	}
	return append(names, more...), nil
}

// keep records an exception.
func (p *pristine) keep(rel string, s saved) {
	if _, ok := p.saved[rel]; !ok && rel != "." {
		up := path.Dir(rel)
		p.within[up] = append(p.within[up], path.Base(rel))
	}
	p.saved[rel] = s
	clear(p.resolved)
}

// resolve turns a slash path into the path without symbolic links by which the
// pristine state knows the same entry. It fails when that is outside.
func (p *pristine) resolve(name string) (string, error) {
	if rel, ok := p.resolved[name]; ok {
		return rel, nil
	}
	rel, err := p.walk(name)
	if err == nil {
		p.resolved[name] = rel
	}
	return rel, err
}

func (p *pristine) walk(name string) (string, error) {
	if path.IsAbs(name) || name == "" {
		return "", errors.New("want a path relative to the project")
	}
	todo := strings.Split(path.Clean(name), "/")
	at := "."
	for hops := 0; len(todo) > 0; {
		step := todo[0]
		todo = todo[1:]
		if step == ".." && at == "." {
			return "", errors.New("leads out of the project")
		}
		next := path.Join(at, step)
		m, ok, err := p.stat(next)
		if err != nil {
			return "", err
		}
		if !ok {
			return "", unix.ENOENT
		}
		if !m.isLink() {
			at = next
			continue
		}
		if hops++; hops > 40 {
			return "", unix.ELOOP
		}
		target, err := p.readlink(next)
		if err != nil {
			return "", err
		}
		if path.IsAbs(target) {
			if !Within(p.root, target) {
				return "", fmt.Errorf("leads out of the project, to %s", target)
			}
			if target, err = filepath.Rel(p.root, target); err != nil {
				return "", err
			}
			at = "."
		}
		todo = append(strings.Split(target, "/"), todo...)
	}
	return at, nil
}

func (p *pristine) close() error {
	var first error
	for _, fd := range []int{p.dir, p.store} {
		if fd >= 0 {
			if err := unix.Close(fd); err != nil && first == nil {
				first = err
			}
		}
	}
	return first
}
