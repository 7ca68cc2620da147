//go:build linux

package sandbox

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"strings"

	"golang.org/x/sys/unix"
)

// File operations relative to an open directory. None of them follows a
// symbolic link on the way: mutated code may have put one anywhere, and what we
// write must never leave the view.

var (
	errNotRegular = errors.New("not a regular file")
	errShorter    = errors.New("got shorter while it was read")
)

// meta is what a stat says of one entry; times in nanoseconds since 1970.
type meta struct {
	mode         uint32 // type and permission bits, as in st_mode
	uid, gid     uint32
	size         int64
	mtime, ctime int64
	ino, rdev    uint64
}

func (m meta) kind() uint32    { return m.mode & unix.S_IFMT }
func (m meta) perm() uint32    { return m.mode &^ unix.S_IFMT }
func (m meta) isDir() bool     { return m.kind() == unix.S_IFDIR }
func (m meta) isRegular() bool { return m.kind() == unix.S_IFREG }
func (m meta) isLink() bool    { return m.kind() == unix.S_IFLNK }

// isWhiteout reports the mark by which an overlay's upper layer hides an entry:
// a character device with number 0/0 (Linux, Documentation/filesystems/overlayfs.rst).
func (m meta) isWhiteout() bool { return m.kind() == unix.S_IFCHR && m.rdev == 0 }

func metaOf(st *unix.Stat_t) meta {
	return meta{
		mode: uint32(st.Mode), uid: st.Uid, gid: st.Gid, size: st.Size,
		mtime: st.Mtim.Nano(), ctime: st.Ctim.Nano(), ino: uint64(st.Ino), rdev: uint64(st.Rdev),
	}
}

func statAt(dir int, rel string) (meta, error) {
	var st unix.Stat_t
	for {
		err := unix.Fstatat(dir, rel, &st, unix.AT_SYMLINK_NOFOLLOW)
		if err == unix.EINTR {
			continue
		}
		if err != nil {
			return meta{}, err
		}
		return metaOf(&st), nil
	}
}

func statFd(fd int) (meta, error) {
	var st unix.Stat_t
	if err := unix.Fstat(fd, &st); err != nil {
		return meta{}, err
	}
	return metaOf(&st), nil
}

// openAt opens one name (no slash) below dir; EINTR is retried.
func openAt(dir int, name string, flags int, perm uint32) (int, error) {
	for {
		fd, err := unix.Openat(dir, name, flags|unix.O_NOFOLLOW|unix.O_CLOEXEC, perm)
		if err != unix.EINTR {
			return fd, err
		}
	}
}

func openDir(dir int, name string) (int, error) {
	return openAt(dir, name, unix.O_RDONLY|unix.O_DIRECTORY, 0)
}

// enterable opens directory name below dir for reading; when the owner took the
// right from himself it is given back first. The mode is then the caller's to mend.
func enterable(dir int, name string) (int, error) {
	fd, err := openDir(dir, name)
	if err == unix.EACCES {
		if m, e := statAt(dir, name); e != nil || !m.isDir() {
			return -1, err
		}
		if e := unix.Fchmodat(dir, name, 0o700, 0); e != nil {
			return -1, err
		}
		fd, err = openDir(dir, name)
	}
	return fd, err
}

// openParent opens the directory that holds rel and returns it with the last
// name. Directories on the way must be real ones. The caller closes the
// descriptor.
func openParent(root int, rel string) (fd int, name string, err error) {
	parts := strings.Split(rel, "/")
	fd, err = openDir(root, ".")
	if err != nil {
		return -1, "", err
	}
	for _, p := range parts[:len(parts)-1] {
		next, err := openDir(fd, p)
		unix.Close(fd)
		if err != nil {
			return -1, "", err
		}
		fd = next
	}
	return fd, parts[len(parts)-1], nil
}

// listFd lists the names in an open directory, in the order of the file system;
// it does not close fd.
func listFd(fd int) ([]string, error) {
	if _, err := unix.Seek(fd, 0, io.SeekStart); err != nil {
		return nil, err
	}
	var names []string
	buf := make([]byte, 16<<10)
	for {
		n, err := unix.ReadDirent(fd, buf)
		if err == unix.EINTR {
			continue
		}
		if err != nil {
			return nil, err
		}
		if n <= 0 {
			return names, nil
		}
		_, _, names = unix.ParseDirent(buf[:n], -1, names)
	}
}

func listAt(root int, rel string) ([]string, error) {
	fd, err := openAt(root, rel, unix.O_RDONLY|unix.O_DIRECTORY, 0)
	if err != nil {
		return nil, err
	}
	defer unix.Close(fd)
	return listFd(fd)
}

func readlinkAt(dir int, rel string) (string, error) {
	buf := make([]byte, 256)
	for {
		n, err := unix.Readlinkat(dir, rel, buf)
		if err != nil {
			return "", err
		}
		if n < len(buf) {
			return string(buf[:n]), nil
		}
		buf = make([]byte, 2*len(buf))
	}
}

// writeIn writes data to the existing regular file rel, and gives it the mode
// and time of want. A write-protected file of the user's own is unlocked for
// that moment; one of another user is replaced, if its directory allows. It
// returns the file's stat afterwards.
func writeIn(root int, rel string, data []byte, want meta) (meta, error) {
	const flags = unix.O_WRONLY | unix.O_NONBLOCK
	fd, err := openBeneath(root, rel, flags)
	if err != nil {
		dir, name, err := openParent(root, rel)
		if err != nil {
			return meta{}, err
		}
		fd, err = openForWriting(dir, name, flags)
		unix.Close(dir)
		if err != nil {
			return meta{}, err
		}
	}
	defer unix.Close(fd)
	m, err := statFd(fd)
	if err != nil {
		return meta{}, err
	}
	if !m.isRegular() {
		return meta{}, errNotRegular
	}
	// Cutting the file to nothing first would make some file systems write it
	// to disk when it is closed (ext4: a thousand times slower).
	if err := writeAll(fd, data); err != nil {
		return meta{}, err
	}
	if m.size > int64(len(data)) {
		if err := unix.Ftruncate(fd, int64(len(data))); err != nil {
			return meta{}, err
		}
	}
	if err := setRights(fd, m, want); err != nil {
		return meta{}, err
	}
	if err := setFileTime(fd, root, rel, want.mtime); err != nil {
		return meta{}, err
	}
	return statFd(fd)
}

// readAll fills data.
func readAll(fd int, data []byte) error {
	for len(data) > 0 {
		n, err := unix.Read(fd, data)
		if err == unix.EINTR {
			continue
		}
		if err != nil {
			return err
		}
		if n == 0 {
			return errShorter
		}
		data = data[n:]
	}
	return nil
}

func writeAll(fd int, data []byte) error {
	for len(data) > 0 {
		n, err := unix.Write(fd, data)
		if err == unix.EINTR {
			continue
		}
		if err != nil {
			return err
		}
		data = data[n:]
	}
	return nil
}

func openForWriting(dir int, name string, flags int) (int, error) {
	fd, err := openAt(dir, name, flags, 0)
	if err != unix.EACCES && err != unix.EOVERFLOW {
		return fd, err
	}
	m, e := statAt(dir, name)
	if e != nil || !m.isRegular() {
		return fd, err
	}
	if err == unix.EACCES && unix.Fchmodat(dir, name, m.perm()|0o200, 0) == nil {
		return openAt(dir, name, flags, 0)
	}
	// Not ours, or we could have changed its mode: an overlay in a user namespace cannot copy it up.
	if e := unix.Unlinkat(dir, name, 0); e != nil {
		return fd, err
	}
	return openAt(dir, name, flags|unix.O_CREAT|unix.O_EXCL, 0o600)
}

// setRights gives an open file the owner (where we may) and mode of want.
func setRights(fd int, now, want meta) error {
	if (now.uid != want.uid || now.gid != want.gid) && mayChown() {
		if err := unix.Fchown(fd, int(want.uid), int(want.gid)); err != nil {
			return err
		}
	}
	// A write clears set-user-ID bits, so the mode is set when it has any.
	if now.perm() != want.perm() || want.perm()&0o7000 != 0 {
		return unix.Fchmod(fd, want.perm())
	}
	return nil
}

// setTime sets the times of change and of access of an entry, not following a
// link.
func setTime(dir int, name string, mtime int64) error {
	ts := unix.NsecToTimespec(mtime)
	return unix.UtimesNanoAt(dir, name, []unix.Timespec{ts, ts}, unix.AT_SYMLINK_NOFOLLOW)
}

// removeAt removes name and all below it; a missing name is no error. Rights
// that the owner took from himself do not stop it. Symbolic links are removed,
// not followed.
func removeAt(dir int, name string) error {
	r := remover{top: dir}
	if err := r.remove(dir, name, 0); err != nil {
		return err
	}
	for len(r.late) > 0 {
		next := r.late[0]
		r.late = r.late[1:]
		if err := r.remove(dir, next, 0); err != nil {
			return err
		}
	}
	return nil
}

// remover removes one tree. What is nested deeper than maxOpen is moved next to
// the tree's top first, for each level takes an open descriptor and no path is
// long enough.
type remover struct {
	top  int
	late []string
}

const maxOpen = 100

func (r *remover) remove(dir int, name string, depth int) error {
	err := unix.Unlinkat(dir, name, 0)
	if err == nil || err == unix.ENOENT {
		return nil
	}
	m, e := statAt(dir, name)
	if e == unix.ENOENT {
		return nil
	}
	if e != nil || !m.isDir() {
		return err
	}
	fd, err := enterable(dir, name)
	if err != nil {
		return err
	}
	err = r.empty(fd, depth)
	unix.Close(fd)
	if err != nil {
		return err
	}
	return unix.Unlinkat(dir, name, unix.AT_REMOVEDIR)
}

func (r *remover) empty(fd, depth int) error {
	names, err := listFd(fd)
	if err != nil {
		return err
	}
	act := func(n string) error { return r.remove(fd, n, depth+1) }
	if depth == maxOpen {
		act = func(n string) error { return r.putOff(fd, n) }
	}
	for _, n := range names {
		err := act(n)
		if (err == unix.EACCES || err == unix.EPERM) && unix.Fchmod(fd, 0o700) == nil {
			err = act(n)
		}
		if err != nil {
			return fmt.Errorf("remove %s: %w", n, err)
		}
	}
	return nil
}

// putOff moves a directory to the top, and removes anything else.
func (r *remover) putOff(dir int, name string) error {
	err := unix.Unlinkat(dir, name, 0)
	if err == nil || err == unix.ENOENT {
		return nil
	}
	if m, e := statAt(dir, name); e != nil || !m.isDir() {
		return err
	}
	// Its own entry ".." changes, so it must be writable.
	if err := unix.Fchmodat(dir, name, 0o700, 0); err != nil {
		return err
	}
	late := fmt.Sprintf(".assay-removing-%d-%d", os.Getpid(), len(r.late))
	for unix.Faccessat(r.top, late, unix.F_OK, unix.AT_SYMLINK_NOFOLLOW) == nil {
		late += "x"
	}
	if err := unix.Renameat(dir, name, r.top, late); err != nil {
		return err
	}
	r.late = append(r.late, late)
	return nil
}

// RemoveTree removes a directory with everything in it, whatever modes the
// entries have. It is for a worker's private directory, after its supervisor died.
func RemoveTree(dir string) error {
	parent, err := unix.Open(path.Dir(dir), unix.O_RDONLY|unix.O_DIRECTORY|unix.O_CLOEXEC, 0)
	if err != nil {
		return fmt.Errorf("remove %s: %w", dir, err)
	}
	defer unix.Close(parent)
	if err := removeAt(parent, path.Base(dir)); err != nil {
		return fmt.Errorf("remove %s: %w", dir, err)
	}
	return nil
}

// sameBytes reports whether two open files have the same content from here on.
func sameBytes(a, b io.Reader) (bool, error) {
	bufA, bufB := make([]byte, 64<<10), make([]byte, 64<<10)
	for {
		n, errA := io.ReadFull(a, bufA)
		m, errB := io.ReadFull(b, bufB)
		if n != m || !bytes.Equal(bufA[:n], bufB[:m]) {
			return false, nil
		}
		endA := errA == io.EOF || errA == io.ErrUnexpectedEOF
		endB := errB == io.EOF || errB == io.ErrUnexpectedEOF
		switch {
		case endA && endB:
			return true, nil
		case errA != nil && !endA:
			return false, errA
		case errB != nil && !endB:
			return false, errB
		case endA != endB:
			return false, nil
		}
	}
}
