package exec

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"runtime"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// selfProgram is our own program, even when its path is hidden by the view.
const selfProgram = "/proc/self/exe"

// keeperAttr says how a keeper of the given mode is started, and whether that
// takes a user namespace.
func keeperAttr(mode ViewMode) (*syscall.SysProcAttr, bool) {
	a := &syscall.SysProcAttr{Setsid: true, Pdeathsig: syscall.SIGKILL}
	if mode == ViewCopy {
		return a, false
	}
	a.Cloneflags = unix.CLONE_NEWNS | unix.CLONE_NEWPID | unix.CLONE_NEWIPC
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

// canMount reports whether this process may mount without a user namespace.
func canMount() bool {
	h := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	var d [2]unix.CapUserData
	if err := unix.Capget(&h, &d[0]); err != nil {
		return false
	}
	return d[0].Effective&(1<<unix.CAP_SYS_ADMIN) != 0
}

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

// openView opens the view of an order. For an overlay it does not return from
// the first stage, which becomes the second by exec: capabilities belong to
// threads, and exec is the one moment at which all of them lose them together.
func openView(o keeperOrder) (*View, error) {
	if o.Spec.Mode == ViewCopy {
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
	l, err := enterOverlay(o.Spec, o.UserNS)
	if err != nil {
		return nil, err
	}
	o.Layers = &l
	return nil, nextStage(o)
}

// nextStage drops what the first stage needed and runs our program again.
func nextStage(o keeperOrder) error {
	text, err := json.Marshal(o)
	if err != nil {
		return err
	}
	runtime.LockOSThread()
	if o.UserNS {
		if err := dropCaps(); err != nil {
			return err
		}
	}
	err = unix.Exec(selfProgram, os.Args, append(os.Environ(), keeperEnv+"="+string(text)))
	return fmt.Errorf("second stage: %w", err)
}

// dropCaps takes all capabilities from this thread for good.
func dropCaps() error {
	if err := unix.Prctl(unix.PR_CAP_AMBIENT, unix.PR_CAP_AMBIENT_CLEAR_ALL, 0, 0, 0); err != nil {
		return fmt.Errorf("drop ambient capabilities: %w", err)
	}
	for c := 0; c <= lastCap(); c++ {
		if err := unix.Prctl(unix.PR_CAPBSET_DROP, uintptr(c), 0, 0, 0); err != nil {
			return fmt.Errorf("drop capability %d: %w", c, err)
		}
	}
	h := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	var d [2]unix.CapUserData
	if err := unix.Capset(&h, &d[0]); err != nil {
		return fmt.Errorf("drop capabilities: %w", err)
	}
	return nil
}
