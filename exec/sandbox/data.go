//go:build linux

package sandbox

import (
	"io"
	"os"
	"unsafe"

	"golang.org/x/sys/unix"
)

// copyData fills the empty file to with the first size bytes of from: as a
// reference to the same blocks where the file system can, else block by block,
// leaving holes as holes.
func copyData(to, from *os.File, size int64) error {
	if size == 0 {
		return nil
	}
	if size >= 4096 && unix.IoctlFileClone(int(to.Fd()), int(from.Fd())) == nil {
		return nil
	}
	if err := to.Truncate(size); err != nil {
		return err
	}
	for at := int64(0); at < size; {
		begin, err := unix.Seek(int(from.Fd()), at, unix.SEEK_DATA)
		if err == unix.ENXIO {
			return nil // the rest is a hole
		}
		end := size
		if err == nil {
			if end, err = unix.Seek(int(from.Fd()), begin, unix.SEEK_HOLE); err != nil {
				end = size
			}
		} else {
			begin = at // no such call here: all is data
		}
		end = min(end, size)
		if err := copyRange(to, from, begin, end); err != nil {
			return err
		}
		at = end
	}
	return nil
}

func copyRange(to, from *os.File, begin, end int64) error {
	if _, err := to.Seek(begin, io.SeekStart); err != nil {
		return err
	}
	if _, err := from.Seek(begin, io.SeekStart); err != nil {
		return err
	}
	_, err := io.CopyN(to, from, end-begin)
	return err
}

// openBeneath opens rel below root; no symbolic link is followed. It fails with
// ENOSYS before Linux 5.6, and with EPERM in some containers.
func openBeneath(root int, rel string, flags int) (int, error) {
	how := unix.OpenHow{
		Flags:   uint64(flags | unix.O_NOFOLLOW | unix.O_CLOEXEC),
		Resolve: unix.RESOLVE_BENEATH | unix.RESOLVE_NO_SYMLINKS,
	}
	for range 8 {
		fd, err := unix.Openat2(root, rel, &how)
		if err != unix.EINTR && err != unix.EAGAIN {
			return fd, err
		}
	}
	return -1, unix.EAGAIN
}

// setFileTime sets the times of an open file, rel below root.
func setFileTime(fd, _ int, _ string, mtime int64) error {
	ts := [2]unix.Timespec{unix.NsecToTimespec(mtime), unix.NsecToTimespec(mtime)}
	// utimensat(2): without a path it is about the descriptor itself.
	_, _, errno := unix.Syscall6(unix.SYS_UTIMENSAT, uintptr(fd), 0, uintptr(unsafe.Pointer(&ts)), 0, 0, 0)
	if errno != 0 {
		return errno
	}
	return nil
}
