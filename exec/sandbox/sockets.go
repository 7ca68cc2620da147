//go:build linux

package sandbox

import (
	"errors"
	"os"
	"slices"
	"strconv"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Connections to socket files; see callWatch.

// decideSocket makes connections to socket files for the caller, where it may have them.
func (w *callWatch) decideSocket(a asked) unix.Errno {
	pidfd, errno := w.caller(a)
	if errno != 0 {
		return errno
	}
	defer unix.Close(pidfd)
	if !w.copies {
		return w.lookAtSocket(a, pidfd)
	}
	socket, err := unix.PidfdGetfd(pidfd, int(int32(a.argument[0])), 0)
	if err != nil {
		return errnoOf(err)
	}
	defer unix.Close(socket)
	domain, err := unix.GetsockoptInt(socket, unix.SOL_SOCKET, unix.SO_DOMAIN)
	if err != nil || domain != unix.AF_UNIX {
		return goAhead // no socket of another kind gets to a socket file
	}
	switch a.call {
	case unix.SYS_CONNECT:
		return w.connect(a, pidfd, socket)
	case unix.SYS_SENDTO:
		return w.send(a, pidfd, socket, a.argument[4], a.argument[5])
	}
	return w.sendMessage(a, pidfd, socket)
}

// lookAtSocket looks at addresses alone, for want of the caller's socket.
func (w *callWatch) lookAtSocket(a asked, pidfd int) unix.Errno {
	switch a.call {
	case unix.SYS_CONNECT:
		return w.lookAt(a, pidfd, a.argument[1], a.argument[2])
	case unix.SYS_SENDTO:
		return w.lookAt(a, pidfd, a.argument[4], a.argument[5])
	}
	return w.sendMessage(a, pidfd, -1)
}

// lookAt decides about an address in the caller's memory.
func (w *callWatch) lookAt(a asked, pidfd int, at, size uint64) unix.Errno {
	address, err := readMemory(a, at, min(int(uint32(size)), unix.SizeofSockaddrUnix))
	if err != nil {
		return unix.EFAULT
	}
	if path, ok := socketPath(address); ok {
		file, errno := w.enter(pidfd, path)
		if errno != 0 {
			return errno
		}
		unix.Close(file)
	}
	return goAhead
}

// caller opens the process that asks.
func (w *callWatch) caller(a asked) (int, unix.Errno) {
	process, err := processOf(int(a.thread))
	if err != nil {
		return -1, unix.EACCES
	}
	pidfd, err := unix.PidfdOpen(process, 0)
	if err != nil {
		return -1, unix.EACCES
	}
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(w.fd), unix.SECCOMP_IOCTL_NOTIF_ID_VALID, uintptr(unsafe.Pointer(&a.id))); errno != 0 {
		unix.Close(pidfd)
		return -1, errno // it has died, and its number may be another's by now
	}
	return pidfd, 0
}

func errnoOf(err error) unix.Errno {
	var errno unix.Errno
	if errors.As(err, &errno) {
		return errno
	}
	return unix.EACCES
}

// connect is connect(2) on a copy of the caller's descriptor.
func (w *callWatch) connect(a asked, pidfd, socket int) unix.Errno {
	address, err := readMemory(a, a.argument[1], min(int(uint32(a.argument[2])), unix.SizeofSockaddrUnix))
	if err != nil {
		return unix.EFAULT
	}
	if path, ok := socketPath(address); ok {
		file, errno := w.enter(pidfd, path)
		if errno != 0 {
			return errno
		}
		defer unix.Close(file)
		return errnoOrNone(unix.Connect(socket, &unix.SockaddrUnix{Name: "/proc/self/fd/" + strconv.Itoa(file)}))
	}
	var first unsafe.Pointer
	if len(address) > 0 {
		first = unsafe.Pointer(&address[0])
	}
	_, _, errno := unix.Syscall(unix.SYS_CONNECT, uintptr(socket), uintptr(first), uintptr(len(address)))
	return errno
}

func errnoOrNone(err error) unix.Errno {
	if err == nil {
		return 0
	}
	return errnoOf(err)
}

// send decides about what is sent to an address. It reaches a socket file only from a
// socket for datagrams; -1: nothing is known of the socket.
func (w *callWatch) send(a asked, pidfd, socket int, at, size uint64) unix.Errno {
	if socket >= 0 {
		kind, err := unix.GetsockoptInt(socket, unix.SOL_SOCKET, unix.SO_TYPE)
		if err == nil && kind != unix.SOCK_DGRAM {
			return goAhead
		}
	}
	if at == 0 {
		return goAhead
	}
	return w.lookAt(a, pidfd, at, size)
}

// sendMessage does it for sendmsg(2) and sendmmsg(2), whose messages begin with the
// address and its size.
func (w *callWatch) sendMessage(a asked, pidfd, socket int) unix.Errno {
	count, step := uint64(1), uint64(0)
	if a.call == unix.SYS_SENDMMSG {
		count, step = min(uint64(uint32(a.argument[2])), 1024), uint64(unsafe.Sizeof(unix.Msghdr{}))+8
	}
	for i := range count {
		head, err := readMemory(a, a.argument[1]+i*step, 12)
		if err != nil {
			return unix.EFAULT
		}
		at, size := *(*uint64)(unsafe.Pointer(&head[0])), *(*uint32)(unsafe.Pointer(&head[8]))
		if errno := w.send(a, pidfd, socket, at, uint64(size)); errno != goAhead {
			return errno
		}
	}
	return goAhead
}

// readMemory reads what the caller holds at an address: in one of two ways, for containers may
// forbid the first.
func readMemory(a asked, at uint64, size int) ([]byte, error) {
	buf := make([]byte, size)
	if size == 0 {
		return buf, nil
	}
	local := []unix.Iovec{{Base: &buf[0]}}
	local[0].SetLen(size)
	n, err := unix.ProcessVMReadv(int(a.thread), local, []unix.RemoteIovec{{Base: uintptr(at), Len: size}}, 0)
	if (err == unix.EPERM || err == unix.ENOSYS) && procIsOurs() {
		var mem int
		if mem, err = unix.Open("/proc/"+strconv.Itoa(int(a.thread))+"/mem", unix.O_RDONLY|unix.O_CLOEXEC, 0); err == nil {
			n, err = unix.Pread(mem, buf, int64(at))
			unix.Close(mem)
		}
	}
	if err == nil && n != size {
		err = unix.EFAULT
	}
	return buf, err
}

// socketPath gives the path in an address as unix(7) has it; false where it has none.
func socketPath(address []byte) (string, bool) {
	if len(address) < 3 || *(*uint16)(unsafe.Pointer(&address[0])) != unix.AF_UNIX || address[2] == 0 {
		return "", false
	}
	path, _, _ := strings.Cut(string(address[2:]), "\x00")
	return path, true
}

// enter opens the socket file at a path of the caller's, where it may be connected to.
// Where it may not it seems as if nobody listened there.
func (w *callWatch) enter(pidfd int, path string) (int, unix.Errno) {
	listed, err := listedAs(pidfd)
	if err != nil {
		return -1, unix.EACCES
	}
	self := "/proc/" + listed
	if !sameUser(listed) {
		return -1, unix.EACCES
	}
	from, err := unix.Open(self+"/cwd", unix.O_PATH|unix.O_DIRECTORY|unix.O_CLOEXEC, 0)
	if err != nil {
		return -1, unix.EACCES
	}
	defer unix.Close(from)
	file, err := unix.Openat(from, path, unix.O_PATH|unix.O_CLOEXEC, 0)
	if err != nil {
		return -1, errnoOf(err)
	}
	if !w.may(file) {
		unix.Close(file)
		return -1, unix.ECONNREFUSED
	}
	return file, 0
}

// sameUser reports whether a process, named as in /proc, has not become another user, as
// root's can: what is done for it would be done with root's rights.
func sameUser(listed string) bool {
	var st unix.Stat_t
	return os.Geteuid() != 0 || unix.Stat("/proc/"+listed, &st) == nil && st.Uid == 0
}

// listedAs gives the name in /proc of a process, as fdinfo has it (pidfd_open(2)).
func listedAs(pidfd int) (string, error) {
	text, err := os.ReadFile("/proc/self/fdinfo/" + strconv.Itoa(pidfd))
	if err != nil {
		return "", err
	}
	_, rest, _ := strings.Cut("\n"+string(text), "\nPid:")
	line, _, _ := strings.Cut(rest, "\n")
	n, err := strconv.Atoi(strings.TrimSpace(line))
	if err == nil && n <= 0 {
		err = unix.ESRCH
	}
	return strconv.Itoa(n), err
}

// may reports whether a file that is open is a socket file of the view or an allowed one.
func (w *callWatch) may(file int) bool {
	m, err := statFd(file)
	if err != nil || m.kind() != unix.S_IFSOCK {
		return false
	}
	path, err := os.Readlink("/proc/self/fd/" + strconv.Itoa(file))
	if err != nil {
		return false
	}
	if slices.Contains(w.allow, path) {
		return true
	}
	if !below(w.open, path) {
		return false
	}
	var st unix.Statfs_t
	return !w.sealed || unix.Fstatfs(file, &st) == nil && st.Flags&unix.ST_RDONLY == 0
}
