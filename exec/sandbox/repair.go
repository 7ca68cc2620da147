//go:build linux

package sandbox

import (
	"fmt"
	"os"
	"path"
	"sort"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// repair undoes the listed changes; parents come before children in the list.
// What must go goes first, for it may have filled the disk.
func (t *tree) repair(list []Change) error {
	dirs := map[string]bool{}
	for _, removing := range []bool{true, false} {
		for _, c := range list {
			if (c.What == "created") != removing {
				continue
			}
			if err := t.mend(c, dirs); err != nil {
				return fmt.Errorf("%s: repair %s (%s): %w", t.place, c.Path, c.What, err)
			}
		}
	}
	return t.settle(dirs)
}

// mend undoes one change and notes the directories whose mode and time must be
// set when all their entries are right.
func (t *tree) mend(c Change, dirs map[string]bool) error {
	want, wanted, err := t.base.stat(c.Path)
	if err != nil {
		return err
	}
	if c.Path == "." || wanted && want.isDir() && (c.What == "mode" || c.What == "times") {
		dirs[c.Path] = true
		return nil
	}
	dir, name, err := t.reach(c.Path, dirs)
	if err != nil {
		return err
	}
	defer unix.Close(dir)
	dirs[path.Dir(c.Path)] = true
	switch {
	case !wanted:
		return unlocked(dir, func() error { return removeAt(dir, name) })
	case c.What == "mode" || c.What == "times":
		return t.setAll(dir, name, c.Path, want)
	default:
		return t.put(dir, name, c.Path, want, dirs)
	}
}

// reach opens the directory that holds rel, giving back on the way the rights
// that keep us out; those directories are noted in dirs.
func (t *tree) reach(rel string, dirs map[string]bool) (int, string, error) {
	parts := strings.Split(rel, "/")
	fd, err := openDir(t.via, ".")
	if err == unix.EACCES {
		if err = chmodVia(t.via, ".", 0o700); err == nil {
			dirs["."] = true
			fd, err = openDir(t.via, ".")
		}
	}
	if err != nil {
		return -1, "", err
	}
	for i, p := range parts[:len(parts)-1] {
		next, err := openDir(fd, p)
		if err == unix.EACCES {
			dirs[path.Join(parts[:i+1]...)] = true
			next, err = enterable(fd, p)
		}
		unix.Close(fd)
		if err != nil {
			return -1, "", err
		}
		fd = next
	}
	return fd, parts[len(parts)-1], nil
}

// unlocked does what changes the entries of a directory; when its mode forbids
// that, the right is given back first.
func unlocked(dir int, do func() error) error {
	err := do()
	if err == unix.EACCES && unix.Fchmod(dir, 0o700) == nil {
		err = do()
	}
	return err
}

// put makes an entry, and everything below it, as the pristine state has it.
func (t *tree) put(dir int, name, rel string, want meta, dirs map[string]bool) error {
	now, err := statAt(dir, name)
	if err == nil && (now.kind() != want.kind() || !now.isRegular()) {
		if err := unlocked(dir, func() error { return removeAt(dir, name) }); err != nil {
			return err
		}
	} else if err != nil && err != unix.ENOENT {
		return err
	}
	switch {
	case want.isRegular():
		return t.putFile(dir, name, rel, want)
	case want.isLink():
		target, err := t.base.readlink(rel)
		if err != nil {
			return err
		}
		if err := unlocked(dir, func() error { return unix.Symlinkat(target, dir, name) }); err != nil {
			return err
		}
		return t.setAll(dir, name, rel, want)
	case want.isDir():
		return t.putDir(dir, name, rel, dirs)
	}
	return fmt.Errorf("cannot make again a file of type %#o", want.kind())
}

func (t *tree) putFile(dir int, name, rel string, want meta) error {
	const flags = unix.O_WRONLY | unix.O_CREAT | unix.O_TRUNC | unix.O_NONBLOCK
	var fd int
	err := unlocked(dir, func() (err error) {
		fd, err = openAt(dir, name, flags, 0o600)
		return err
	})
	if err == unix.EACCES || err == unix.ETXTBSY {
		if err := removeAt(dir, name); err != nil {
			return err
		}
		fd, err = openAt(dir, name, flags, 0o600)
	}
	if err != nil {
		return err
	}
	to := os.NewFile(uintptr(fd), rel)
	defer to.Close()
	if want.size > 0 {
		from, err := t.base.open(rel)
		if err != nil {
			return err
		}
		err = copyData(to, from, want.size)
		from.Close()
		if err != nil {
			return err
		}
	}
	if err := to.Close(); err != nil {
		return err
	}
	return t.setAll(dir, name, rel, want)
}

func (t *tree) putDir(dir int, name, rel string, dirs map[string]bool) error {
	if err := unlocked(dir, func() error { return unix.Mkdirat(dir, name, 0o700) }); err != nil {
		return err
	}
	dirs[rel] = true
	fd, err := openDir(dir, name)
	if err != nil {
		return err
	}
	defer unix.Close(fd)
	names, err := t.base.names(rel)
	if err != nil {
		return err
	}
	for _, n := range names {
		sub := path.Join(rel, n)
		want, wanted, err := t.base.stat(sub)
		if err != nil {
			return err
		}
		if !wanted {
			continue
		}
		if err := t.put(fd, n, sub, want, dirs); err != nil {
			return fmt.Errorf("%s: %w", n, err)
		}
	}
	return nil
}

// setAll gives an entry owner, mode and time, and trusts it from then on unless
// it is a directory.
func (t *tree) setAll(dir int, name, rel string, want meta) error {
	if err := setEntry(dir, name, want, t.owner, !(t.looseDirs && want.isDir())); err != nil {
		return err
	}
	t.doubt(rel)
	return nil
}

// setEntry sets owner, mode and time of name, in this order, for a change of
// owner clears mode bits.
func setEntry(dir int, name string, want meta, owner, times bool) error {
	if owner {
		if err := unix.Fchownat(dir, name, int(want.uid), int(want.gid), unix.AT_SYMLINK_NOFOLLOW); err != nil {
			return err
		}
	}
	if !want.isLink() {
		if err := unix.Fchmodat(dir, name, want.perm(), 0); err != nil {
			return err
		}
	}
	if !times {
		return nil
	}
	return setTime(dir, name, want.mtime)
}

// settle sets mode and time of directories, the deepest first.
func (t *tree) settle(dirs map[string]bool) error {
	list := make([]string, 0, len(dirs))
	for rel := range dirs {
		list = append(list, rel)
	}
	sort.Slice(list, func(i, j int) bool { return depth(list[i]) > depth(list[j]) })
	for _, rel := range list {
		want, wanted, err := t.base.stat(rel)
		if err != nil {
			return err
		}
		if !wanted {
			continue
		}
		dir, name, err := openParent(t.via, rel)
		if err != nil {
			return fmt.Errorf("%s: settle %s: %w", t.place, rel, err)
		}
		err = t.setAll(dir, name, rel, want)
		unix.Close(dir)
		if err != nil {
			return fmt.Errorf("%s: settle %s: %w", t.place, rel, err)
		}
	}
	return nil
}

func depth(rel string) int {
	if rel == "." {
		return -1
	}
	return strings.Count(rel, "/")
}

// accept records the listed changes as pristine.
func (t *tree) accept(list []Change) error {
	if len(list) == 0 {
		return nil
	}
	for _, c := range list {
		deep := c.What == "created" || c.What == "changed"
		if err := t.save(c.Path, deep); err != nil {
			return fmt.Errorf("%s: accept %s: %w", t.place, c.Path, err)
		}
	}
	t.reset()
	again, err := t.changes()
	if err != nil {
		return err
	}
	if len(again) > 0 {
		return fmt.Errorf("%s: accepted, yet %s %s", t.place, again[0].Path, again[0].What)
	}
	return nil
}

// save records one entry as it is now; deep: with what a directory holds.
func (t *tree) save(rel string, deep bool) error {
	m, err := statAt(t.via, rel)
	if err == unix.ENOENT {
		t.base.keep(rel, saved{gone: true})
		return nil
	}
	if err != nil {
		return err
	}
	s := saved{meta: m}
	switch {
	case m.isRegular():
		s.copy, err = t.storeCopy(rel)
	case m.isLink():
		s.link, err = readlinkAt(t.via, rel)
	case m.isDir() && deep:
		err = t.saveInside(rel)
	}
	if err != nil {
		return err
	}
	t.base.keep(rel, s)
	if !m.isDir() {
		if now, err := statAt(t.scan, rel); err == nil {
			t.trust(rel, now)
		}
	}
	return nil
}

func (t *tree) saveInside(rel string) error {
	here, err := listAt(t.via, rel)
	if err != nil {
		return err
	}
	before, err := t.base.names(rel)
	if err != nil {
		return err
	}
	for _, n := range append(here, before...) {
		if err := t.save(path.Join(rel, n), true); err != nil {
			return fmt.Errorf("%s: %w", n, err)
		}
	}
	return nil
}

// storeCopy copies a file to where no test can reach it and returns its name.
func (t *tree) storeCopy(rel string) (string, error) {
	fd, err := openAt(t.via, rel, unix.O_RDONLY|unix.O_NONBLOCK, 0)
	if err != nil {
		return "", err
	}
	from := os.NewFile(uintptr(fd), rel)
	defer from.Close()
	info, err := from.Stat()
	if err != nil {
		return "", err
	}
	t.base.stored++
	name := t.base.prefix + strconv.Itoa(t.base.stored)
	fd, err = openAt(t.base.store, name, unix.O_WRONLY|unix.O_CREAT|unix.O_EXCL, 0o600)
	if err != nil {
		return "", err
	}
	to := os.NewFile(uintptr(fd), name)
	if err := copyData(to, from, info.Size()); err != nil {
		to.Close()
		return "", err
	}
	return name, to.Close()
}
