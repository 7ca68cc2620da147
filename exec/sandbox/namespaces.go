//go:build linux

package sandbox

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"

	"golang.org/x/sys/unix"
)

// selfProgram is our own program, even when its path is hidden by the view.
const selfProgram = "/proc/self/exe"

// attributes says how a supervisor of the given mode is started, with a network of
// its own or without, and whether that takes a user namespace.
func attributes(mode Mode, network bool) (*syscall.SysProcAttr, bool) {
	a := &syscall.SysProcAttr{Setsid: true, Pdeathsig: syscall.SIGKILL}
	if network {
		a.Cloneflags |= unix.CLONE_NEWNET
	}
	if mode == Copy {
		a.Pdeathsig = syscall.SIGTERM // see endOnTerm
		return a, false
	}
	a.Cloneflags |= unix.CLONE_NEWNS | unix.CLONE_NEWPID | unix.CLONE_NEWIPC | unix.CLONE_NEWUTS
	if canMount() {
		return a, false
	}
	a.Cloneflags |= unix.CLONE_NEWUSER
	a.UidMappings = []syscall.SysProcIDMap{{ContainerID: os.Geteuid(), HostID: os.Geteuid(), Size: 1}}
	a.GidMappings = []syscall.SysProcIDMap{{ContainerID: os.Getegid(), HostID: os.Getegid(), Size: 1}}
	// The first stage needs them all: the overlay acts with the rights of who
	// mounted it, and its work directory is closed to everyone without.
	for c := 0; c <= lastCap(); c++ {
		a.AmbientCaps = append(a.AmbientCaps, uintptr(c))
	}
	return a, true
}

// canMount reports whether this process may mount without a user namespace of
// its own.
func canMount() bool { return capable(unix.CAP_SYS_ADMIN) }

// mayChown reports whether this process may give files away.
func mayChown() bool { return capable(unix.CAP_CHOWN) }

// mayOverride reports whether modes of files do not bind this process.
func mayOverride() bool { return capable(unix.CAP_DAC_OVERRIDE) }

// capable reports whether this process has a capability; supervisors lose theirs
// only by exec, so that the answer stays.
func capable(c int) bool {
	set := ownCaps()
	return set&(1<<c) != 0
}

var ownCaps = sync.OnceValue(func() uint64 {
	h := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	var d [2]unix.CapUserData
	if err := unix.Capget(&h, &d[0]); err != nil {
		return 0
	}
	return uint64(d[0].Effective) | uint64(d[1].Effective)<<32
})

func lastCap() int {
	data, err := os.ReadFile("/proc/sys/kernel/cap_last_cap")
	if err == nil {
		if n, err := strconv.Atoi(strings.TrimSpace(string(data))); err == nil {
			return n
		}
	}
	return unix.CAP_AUDIT_READ // the last one of the oldest kernel that has overlays for users
}

// explainClone says why a process in new namespaces could not be started.
func explainClone(err error) string {
	switch {
	case errors.Is(err, unix.EPERM), errors.Is(err, unix.EACCES):
		return "the kernel or the container forbids them (" + err.Error() + ")"
	case errors.Is(err, unix.ENOSPC), errors.Is(err, unix.EUSERS):
		return "the limit in /proc/sys/user is reached or 0 (" + err.Error() + ")"
	case errors.Is(err, unix.EINVAL), errors.Is(err, unix.ENOSYS):
		return "this kernel has none (" + err.Error() + ")"
	}
	return err.Error()
}

// openView opens the view of an order. For an overlay in a user namespace it does not
// return from the first stage, which becomes the second by exec: capabilities belong to
// threads, and exec is the one moment at which all of them lose them together. Who could
// mount without such a namespace keeps what it has, and its processes lose it at their start.
func openView(o order) (*View, error) {
	if o.Spec.Confinement.Network && o.Layers == nil {
		if err := raiseLoopback(); err != nil {
			return nil, err
		}
	}
	if o.Spec.Mode == Copy {
		// Orphans of the tests come to us, to be found and ended.
		if err := unix.Prctl(unix.PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0); err != nil {
			return nil, fmt.Errorf("become subreaper: %w", err)
		}
		return openCopy(o.Spec)
	}
	if o.Layers != nil {
		// Processes of the tests, of the same user, may not look into us.
		if err := unix.Prctl(unix.PR_SET_DUMPABLE, 0, 0, 0, 0); err != nil {
			return nil, err
		}
		return openOverlay(o.Spec, *o.Layers)
	}
	l, err := enterOverlay(o.Spec)
	if err != nil {
		return nil, err
	}
	o.Layers = &l
	if !o.UserNS {
		return openView(o)
	}
	return nil, nextStage(o)
}

// nextStage drops what the first stage needed and runs our program again, in a user namespace.
func nextStage(o order) error {
	text, err := o.encode()
	if err != nil {
		return err
	}
	runtime.LockOSThread()
	// The signal at the parent's death belongs to one thread, the first; of all
	// threads only the one that calls exec lives on.
	if err := unix.Prctl(unix.PR_SET_PDEATHSIG, uintptr(unix.SIGKILL), 0, 0, 0); err != nil {
		return err
	}
	if err := dropCaps(nil); err != nil {
		return err
	}
	err = unix.Exec(selfProgram, os.Args, append(os.Environ(), orderEnv+"="+text))
	return fmt.Errorf("second stage: %w", err)
}

// checkOwners refuses a project with entries that the user may write although
// they belong to a user or group that the overlay's user namespace does not
// know: it cannot hold changed versions of them.
func checkOwners(root string) error {
	uids, gids := []idRange{{os.Geteuid(), 1}}, []idRange{{os.Getegid(), 1}}
	if canMount() {
		uids, gids = readIDMap("/proc/self/uid_map"), readIDMap("/proc/self/gid_map")
	}
	if knows(uids, math.MaxInt32) && knows(gids, math.MaxInt32) {
		return nil // the first namespace, which knows all
	}
	return filepath.WalkDir(root, func(p string, _ fs.DirEntry, err error) error {
		if err != nil {
			return nil // what we cannot read, the tests cannot change
		}
		m, err := statAt(unix.AT_FDCWD, p)
		if err != nil || !m.isRegular() && !m.isDir() || knows(uids, int(m.uid)) && knows(gids, int(m.gid)) {
			return nil
		}
		if int(m.uid) == os.Geteuid() || unix.Faccessat(unix.AT_FDCWD, p, unix.W_OK, unix.AT_EACCESS) == nil {
			return fmt.Errorf("%s belongs to uid %d, gid %d, which an ordinary user's overlay cannot keep", p, m.uid, m.gid)
		}
		return nil
	})
}

// idRange is a line of an id map (user_namespaces(7)): first id inside, count.
type idRange struct{ first, count int }

func readIDMap(path string) []idRange {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil
	}
	var list []idRange
	for line := range strings.Lines(string(data)) {
		var r idRange
		var outside int
		if _, err := fmt.Sscan(line, &r.first, &outside, &r.count); err == nil {
			list = append(list, r)
		}
	}
	return list
}

func knows(list []idRange, id int) bool {
	for _, r := range list {
		if id >= r.first && id-r.first < r.count {
			return true
		}
	}
	return false
}
