//go:build linux

package sandbox

import (
	"errors"
	"fmt"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"unsafe"

	"github.com/elastic/go-seccomp-bpf/arch"
	"golang.org/x/sys/unix"
)

// A callWatch decides what a filter of system calls cannot, because it depends on more
// than numbers: who is to get a signal, and where the socket file is that is to be
// connected to. The kernel holds a caller until it is answered (seccomp_unotify(2)).
//
// A connection is made here, over a copy of the caller's descriptor and to the very file
// that was looked at. What the caller's memory holds by then does not matter. Where
// descriptors cannot be copied callers make it themselves, after the look.
type callWatch struct {
	fd     int
	open   []string // directories of the view in which sockets may be connected to
	allow  []string // socket files that may be, besides
	sealed bool     // what is mounted read-only is not the view's own
	copies bool     // descriptors of callers can be copied
	shared bool     // others' processes can be seen: those below this one may get signals
	write  []string // places outside that may be written
	meta   map[int32]metaCall
	shield atomic.Pointer[[]int]
}

// askedCalls are the calls that are decided here, besides metaCalls. Signal 0 is none. SIGURG, with which
// threads of Go programs interrupt each other, does nothing to others; our own thread that
// starts processes must not wait for an answer when it sends one while the world stands.
func askedCalls() calls {
	return calls{
		when("kill", not(1, 0)), when("tkill", not(1, 0)), when("tgkill", not(2, 0), not(2, uint64(unix.SIGURG))),
		when("rt_sigqueueinfo", not(1, 0)), when("rt_tgsigqueueinfo", not(2, 0)),
		when("connect", not(1, 0)), when("sendto", not(4, 0)), when("sendmsg", not(1, 0)), when("sendmmsg", not(1, 0)),
	}
}

// asked is struct seccomp_notif of linux/seccomp.h, answered struct seccomp_notif_resp.
type asked struct {
	id       uint64
	thread   uint32
	flags    uint32
	call     int32
	arch     uint32
	at       uint64
	argument [6]uint64
}

type answered struct {
	id    uint64
	value int64
	errno int32
	flags uint32
}

// goAhead lets the kernel make the call as it was asked for.
const goAhead = unix.Errno(0xffff)

// serve answers until no process is left that could ask, or the descriptor is closed.
func (w *callWatch) serve() {
	for {
		var a asked
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(w.fd), unix.SECCOMP_IOCTL_NOTIF_RECV, uintptr(unsafe.Pointer(&a)))
		switch errno {
		case 0:
		case unix.EINTR, unix.ENOENT: // the latter: the caller has died
			continue
		default:
			return
		}
		if a.call == unix.SYS_CONNECT {
			go w.answer(a) // it may have to wait for the other side
			continue
		}
		w.answer(a)
	}
}

func (w *callWatch) answer(a asked) {
	errno := w.decide(a)
	r := answered{id: a.id}
	if errno == goAhead {
		r.flags = unix.SECCOMP_USER_NOTIF_FLAG_CONTINUE
	} else {
		r.errno = -int32(errno)
	}
	unix.Syscall(unix.SYS_IOCTL, uintptr(w.fd), unix.SECCOMP_IOCTL_NOTIF_SEND, uintptr(unsafe.Pointer(&r)))
}

func (w *callWatch) decide(a asked) unix.Errno {
	switch a.call {
	case unix.SYS_CONNECT, unix.SYS_SENDTO, unix.SYS_SENDMSG, unix.SYS_SENDMMSG:
		return w.decideSocket(a)
	}
	if c, ok := w.meta[a.call]; ok {
		return w.decideMeta(a, c)
	}
	return w.decideSignal(a)
}

// decideSignal refuses signals to those that judge: this process and the shielded ones.
func (w *callWatch) decideSignal(a asked) unix.Errno {
	target := int(int32(a.argument[0]))
	var shield []int
	if list := w.shield.Load(); list != nil {
		shield = *list
	}
	shield = append(slices.Clone(shield), os.Getpid())
	caller, err := processOf(int(a.thread))
	if err != nil {
		return unix.EPERM
	}
	if target == 0 {
		group, err := unix.Getpgid(caller)
		if err != nil {
			return unix.EPERM
		}
		target = -group
	}
	switch {
	case target == -1: // everybody
		return unix.EPERM
	case target < 0:
		for _, p := range shield {
			if group, err := unix.Getpgid(p); err == nil && group == -target {
				return unix.EPERM
			}
		}
		if w.shared && !groupBelow(-target) {
			return unix.EPERM
		}
		return goAhead
	}
	process, err := processOf(target)
	switch {
	case err != nil, process == caller: // the former: the kernel will not find it either
		return goAhead
	case slices.Contains(shield, process), w.shared && !isBelow(process):
		return unix.EPERM
	}
	return goAhead
}

// isBelow reports whether a process descends from this one. Where nothing is known of it
// any more it does.
func isBelow(pid int) bool {
	for pid > 1 && pid != os.Getpid() {
		p, ok := readProc(pid)
		if !ok {
			return true
		}
		pid = p.parent
	}
	return pid > 1
}

// groupBelow reports whether all processes of a group descend from this one.
func groupBelow(group int) bool {
	pids, err := allPids()
	if err != nil {
		return false
	}
	for _, pid := range pids {
		if g, err := unix.Getpgid(pid); err == nil && g == group && !isBelow(pid) {
			return false
		}
	}
	return true
}

// processOf gives the process that a thread belongs to.
func processOf(thread int) (int, error) {
	if fd, err := unix.PidfdOpen(thread, 0); err == nil { // it is for first threads alone
		unix.Close(fd)
		return thread, nil
	}
	if !procIsOurs() {
		return foreignProcessOf(thread)
	}
	text, err := os.ReadFile("/proc/" + strconv.Itoa(thread) + "/status")
	if err != nil {
		return 0, err
	}
	_, rest, _ := strings.Cut(string(text), "\nTgid:")
	line, _, _ := strings.Cut(rest, "\n")
	return strconv.Atoi(strings.TrimSpace(line))
}

// foreignProcessOf is processOf through a /proc that counts as an outer PID namespace does.
func foreignProcessOf(thread int) (int, error) {
	own, err := os.Readlink("/proc/self")
	if err != nil {
		return 0, err
	}
	list, err := foreignBelow()
	if err != nil {
		return 0, err
	}
	for _, s := range append(list, stray{os.Getpid(), atoi(own)}) {
		tasks, err := listAt(unix.AT_FDCWD, "/proc/"+strconv.Itoa(s.listed)+"/task")
		if err != nil {
			continue // it has ended
		}
		for _, task := range tasks {
			if n, ok := innermostPid(atoi(task)); ok && n == thread {
				return s.pid, nil
			}
		}
	}
	return 0, unix.ESRCH
}

// atoi is 0 for what is no number.
func atoi(s string) int {
	n, _ := strconv.Atoi(s)
	return n
}

// newCallWatch makes one that answers at a descriptor.
func newCallWatch(v *View, fd int) (*callWatch, error) {
	var sizes struct{ asked, answered, data uint16 }
	_, _, errno := unix.Syscall(unix.SYS_SECCOMP, unix.SECCOMP_GET_NOTIF_SIZES, 0, uintptr(unsafe.Pointer(&sizes)))
	if errno != 0 {
		return nil, fmt.Errorf("questions about system calls: %w", errno)
	}
	if uintptr(sizes.asked) > unsafe.Sizeof(asked{}) || uintptr(sizes.answered) > unsafe.Sizeof(answered{}) {
		return nil, errors.New("questions about system calls: this kernel asks more than is known here")
	}
	w := &callWatch{fd: fd, open: []string{v.Root()}, allow: v.confinement.Services, sealed: v.confinement.Mounts, copies: v.confinement.Copies, shared: v.mode == Copy, write: v.confinement.Write, meta: map[int32]metaCall{}}
	info, err := arch.GetInfo(runtime.GOARCH)
	if err != nil {
		return nil, err
	}
	for _, c := range metaCalls {
		if n, ok := info.SyscallNames[c.name]; ok {
			w.meta[int32(n)] = c
		}
	}
	for _, t := range v.temps {
		w.open = append(w.open, t.place)
	}
	return w, nil
}
