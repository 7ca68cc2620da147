//go:build linux

package sandbox

import (
	"fmt"
	"slices"

	"golang.org/x/sys/unix"
)

// keptCaps are the capabilities (capabilities(7)) that processes of the tests keep
// where the user has them, as root does. With them a suite that runs as root does in its
// view what it does without one: it writes files of other owners there, gives them away,
// becomes another user. On files outside they are of no use, for those are not written.
// All others could undo the view, or reach what it does not cover: the kernel, devices,
// clocks, networks, other processes.
var keptCaps = []int{
	unix.CAP_CHOWN, unix.CAP_DAC_OVERRIDE, unix.CAP_FOWNER, unix.CAP_FSETID,
	unix.CAP_SETUID, unix.CAP_SETGID, unix.CAP_KILL, unix.CAP_NET_BIND_SERVICE,
}

// dropPrivileges leaves the calling thread, and what it starts, no capabilities but the
// kept ones, and no way to get others: neither root's own programs nor set-uid ones give
// any.
func dropPrivileges() error {
	if err := unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0); err != nil {
		return fmt.Errorf("no new privileges: %w", err)
	}
	return dropCaps(keptCaps)
}

// dropCaps takes all capabilities but some from this thread for good.
func dropCaps(keep []int) error {
	if err := unix.Prctl(unix.PR_CAP_AMBIENT, unix.PR_CAP_AMBIENT_CLEAR_ALL, 0, 0, 0); err != nil {
		return fmt.Errorf("drop ambient capabilities: %w", err)
	}
	// Who may not bound them has none: no_new_privs keeps it so.
	for c := 0; capable(unix.CAP_SETPCAP) && c <= lastCap(); c++ {
		if slices.Contains(keep, c) {
			continue
		}
		if err := unix.Prctl(unix.PR_CAPBSET_DROP, uintptr(c), 0, 0, 0); err != nil {
			return fmt.Errorf("drop capability %d: %w", c, err)
		}
	}
	h := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	var d [2]unix.CapUserData
	if err := unix.Capget(&h, &d[0]); err != nil {
		return fmt.Errorf("drop capabilities: %w", err)
	}
	var mask [2]uint32
	for _, c := range keep {
		mask[c/32] |= 1 << (c % 32)
	}
	for i := range d {
		d[i].Effective &= mask[i]
		d[i].Permitted &= mask[i]
		d[i].Inheritable = 0
	}
	if err := unix.Capset(&h, &d[0]); err != nil {
		return fmt.Errorf("drop capabilities: %w", err)
	}
	return nil
}
