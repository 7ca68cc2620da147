//go:build linux

package sandbox

import (
	"os"
	"strconv"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Where mounts cannot be made read-only, as in a copy view, changes of mode, owner and times
// are made here, for Landlock does not know them: to the very file that was looked at.

// metaCall says where the arguments of such a call are; -1: there is none.
type metaCall struct {
	name               string
	dir, path, flags   int   // path -1: the file is the descriptor in dir
	mode, owner, times int   // owner: the group is behind it
	unit               int64 // of the second number of a time, in nanoseconds; 0: there is none
	noFollow           bool
}

// metaCalls are the calls that change modes, owners and times.
var metaCalls = []metaCall{
	{name: "chmod", dir: -1, path: 0, mode: 1, owner: -1, times: -1, flags: -1},
	{name: "fchmod", dir: 0, path: -1, mode: 1, owner: -1, times: -1, flags: -1},
	{name: "fchmodat", dir: 0, path: 1, mode: 2, owner: -1, times: -1, flags: -1},
	{name: "fchmodat2", dir: 0, path: 1, mode: 2, owner: -1, times: -1, flags: 3},
	{name: "chown", dir: -1, path: 0, mode: -1, owner: 1, times: -1, flags: -1},
	{name: "lchown", dir: -1, path: 0, mode: -1, owner: 1, times: -1, flags: -1, noFollow: true},
	{name: "fchown", dir: 0, path: -1, mode: -1, owner: 1, times: -1, flags: -1},
	{name: "fchownat", dir: 0, path: 1, mode: -1, owner: 2, times: -1, flags: 4},
	{name: "utime", dir: -1, path: 0, mode: -1, owner: -1, times: 1, flags: -1},
	{name: "utimes", dir: -1, path: 0, mode: -1, owner: -1, times: 1, unit: 1000, flags: -1},
	{name: "futimesat", dir: 0, path: 1, mode: -1, owner: -1, times: 2, unit: 1000, flags: -1},
	{name: "utimensat", dir: 0, path: 1, mode: -1, owner: -1, times: 2, unit: 1, flags: 3},
}

// attributeCalls change attributes of files. They fail as on a file system without.
var attributeCalls = []string{"setxattr", "lsetxattr", "fsetxattr", "setxattrat", "removexattr", "lremovexattr", "fremovexattr", "removexattrat", "file_setattr"}

// decideMeta makes a change of a file's mode, owner or times for the caller, where the file
// is in the view or in a place that may be written.
func (w *callWatch) decideMeta(a asked, c metaCall) unix.Errno {
	pidfd, errno := w.caller(a)
	if errno != 0 {
		return errno
	}
	defer unix.Close(pidfd)
	listed, err := listedAs(pidfd)
	if err != nil || !sameUser(listed) {
		return unix.EPERM
	}
	file, errno := w.fileOf(a, c, listed)
	if errno != 0 {
		return errno
	}
	defer unix.Close(file)
	link := "/proc/self/fd/" + strconv.Itoa(file)
	path, err := os.Readlink(link)
	if err != nil {
		return errnoOf(err)
	}
	setID := c.mode >= 0 && a.argument[c.mode]&setIDBits != 0
	switch {
	case below(w.open, path), !strings.HasPrefix(path, "/"): // the latter: a pipe, a socket
	case !below(w.write, path):
		return unix.EACCES
	case setID:
		return unix.EPERM
	}
	switch {
	case c.mode >= 0:
		return errnoOrNone(unix.Chmod(link, uint32(a.argument[c.mode])&0o7777))
	case c.owner >= 0:
		return errnoOrNone(unix.Fchownat(file, "", int(int32(a.argument[c.owner])), int(int32(a.argument[c.owner+1])), unix.AT_EMPTY_PATH))
	}
	times, errno := timesOf(a, c)
	if errno != 0 {
		return errno
	}
	return setTimes(file, times)
}

// fileOf opens the file that a call is about.
func (w *callWatch) fileOf(a asked, c metaCall, listed string) (int, unix.Errno) {
	flags := uint64(0)
	if c.flags >= 0 {
		flags = a.argument[c.flags]
	}
	path := ""
	if c.path >= 0 && a.argument[c.path] != 0 {
		var errno unix.Errno
		if path, errno = readString(a, a.argument[c.path]); errno != 0 {
			return -1, errno
		}
	}
	dir := int32(unix.AT_FDCWD)
	if c.dir >= 0 {
		dir = int32(a.argument[c.dir])
	}
	// utimensat(2) without a path is about the descriptor.
	bare := c.path < 0 || a.argument[c.path] == 0 && c.times >= 0 && c.dir >= 0
	if path == "" && !bare && flags&unix.AT_EMPTY_PATH == 0 {
		return -1, unix.ENOENT
	}
	link := "/proc/" + listed + "/cwd"
	if dir != unix.AT_FDCWD {
		link = "/proc/" + listed + "/fd/" + strconv.Itoa(int(dir))
	}
	from, err := unix.Open(link, unix.O_PATH|unix.O_CLOEXEC, 0)
	if err == unix.ENOENT && dir != unix.AT_FDCWD {
		err = unix.EBADF
	}
	if err != nil && !strings.HasPrefix(path, "/") {
		return -1, errnoOf(err)
	}
	if path == "" {
		return from, 0
	}
	defer unix.Close(from)
	how := unix.O_PATH | unix.O_CLOEXEC
	if c.noFollow || flags&unix.AT_SYMLINK_NOFOLLOW != 0 {
		how |= unix.O_NOFOLLOW
	}
	file, err := unix.Openat(from, path, how, 0)
	return file, errnoOrNone(err)
}

// timesOf reads the times of access and of change that a call sets.
func timesOf(a asked, c metaCall) ([2]unix.Timespec, unix.Errno) {
	now := unix.Timespec{Nsec: unix.UTIME_NOW}
	if a.argument[c.times] == 0 {
		return [2]unix.Timespec{now, now}, 0
	}
	numbers := 4
	if c.unit == 0 {
		numbers = 2
	}
	b, err := readMemory(a, a.argument[c.times], 8*numbers)
	if err != nil {
		return [2]unix.Timespec{}, unix.EFAULT
	}
	n := unsafe.Slice((*int64)(unsafe.Pointer(&b[0])), numbers)
	if c.unit == 0 {
		return [2]unix.Timespec{{Sec: n[0]}, {Sec: n[1]}}, 0
	}
	if c.unit > 1 && (n[1] < 0 || n[1] >= 1e6 || n[3] < 0 || n[3] >= 1e6) {
		return [2]unix.Timespec{}, unix.EINVAL
	}
	return [2]unix.Timespec{{Sec: n[0], Nsec: n[1] * c.unit}, {Sec: n[2], Nsec: n[3] * c.unit}}, 0
}

// setTimes sets the times of a file that is open in any way.
func setTimes(file int, times [2]unix.Timespec) unix.Errno {
	empty := [1]byte{}
	_, _, errno := unix.Syscall6(unix.SYS_UTIMENSAT, uintptr(file), uintptr(unsafe.Pointer(&empty)), uintptr(unsafe.Pointer(&times)), unix.AT_EMPTY_PATH, 0, 0)
	return errno
}

// readString reads a path of the caller's.
func readString(a asked, at uint64) (string, unix.Errno) {
	var b []byte
	for len(b) < unix.PathMax {
		// To the end of a page at most: the next may not be there.
		part, err := readMemory(a, at, min(256, 4096-int(at%4096)))
		if err != nil {
			return "", unix.EFAULT
		}
		text, _, ended := strings.Cut(string(part), "\x00")
		b, at = append(b, text...), at+uint64(len(part))
		if ended {
			return string(b), 0
		}
	}
	return "", unix.ENAMETOOLONG
}
