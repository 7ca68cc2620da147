//go:build linux

package sandbox

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"
)

// Abilities is what the kernel lets us do for a view of some mode.
type Abilities struct {
	Landlock   int   // its version; 0: there is none
	NoLandlock error // why there is none, or nil
	NoMounts   error // why mounts cannot be made read-only, or nil
	NoNetwork  error // why processes can have no network of their own, or nil
}

// tried is what a process in namespaces of its own found out, as texts of errors.
type tried struct{ Mounts, Network string }

func asError(text string) error {
	if text == "" {
		return nil
	}
	return errors.New(text)
}

// FindAbilities finds out what the kernel lets us do for a view of this mode.
// network: a network of their own is wanted for the processes, too. It starts
// this program again, to try things out; see Main.
func FindAbilities(mode Mode, network bool) (a Abilities) {
	v, _, errno := unix.Syscall(unix.SYS_LANDLOCK_CREATE_RULESET, 0, 0, unix.LANDLOCK_CREATE_RULESET_VERSION)
	switch errno {
	case 0:
		a.Landlock = int(v)
	case unix.EOPNOTSUPP:
		a.NoLandlock = errors.New("the kernel was started without Landlock")
	default:
		a.NoLandlock = fmt.Errorf("the kernel has no Landlock, or the container forbids it (%w)", errno)
	}
	switch {
	case !network:
		a.NoNetwork = errors.New("--allow-connect leaves the network shared")
	case mode == Copy && !canMount():
		a.NoNetwork = errors.New("a network of their own takes root or an overlay view")
		network = false
	}
	t, err := tryNamespaces(mode, network)
	if err != nil && network {
		a.NoNetwork = err
		t, err = tryNamespaces(mode, false)
	}
	if a.NoNetwork == nil {
		a.NoNetwork = asError(t.Network)
	}
	if a.NoMounts = asError(t.Mounts); err != nil {
		a.NoMounts = err
	}
	return a
}

// tryNamespaces tries things out in a process that has the namespaces of a
// supervisor. The error is why there is no such process.
func tryNamespaces(mode Mode, network bool) (t tried, err error) {
	if mode == Copy && !network {
		return t, nil
	}
	text, err := order{Job: tryJob, Spec: Spec{Mode: mode, Confinement: Confinement{Network: network}}}.encode()
	if err != nil {
		return t, err
	}
	cmd := osexec.Command(selfProgram)
	cmd.SysProcAttr, _ = attributes(mode, network)
	cmd.Env = append(os.Environ(), orderEnv+"="+text)
	out, err := cmd.Output()
	if err != nil {
		return t, errors.New("no private namespaces: " + explainClone(err))
	}
	return t, json.Unmarshal(out, &t)
}

// tryThings is the other side of tryNamespaces.
func tryThings(spec Spec) (t tried) {
	if spec.Confinement.Network {
		if err := raiseLoopback(); err != nil {
			t.Network = err.Error()
		}
	}
	if spec.Mode == Overlay {
		err := unix.Mount("", "/", "", unix.MS_REC|unix.MS_PRIVATE, "")
		if err == nil {
			err = unix.MountSetattr(unix.AT_FDCWD, "/", unix.AT_RECURSIVE, &unix.MountAttr{Attr_set: unix.MOUNT_ATTR_RDONLY})
		}
		if err != nil {
			t.Mounts = err.Error()
		}
	}
	return t
}

// raiseLoopback brings up the one device of a fresh network namespace; the
// addresses 127.0.0.1 and ::1 come with that.
func raiseLoopback() error {
	fd, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return fmt.Errorf("loopback device: %w", err)
	}
	defer unix.Close(fd)
	r, err := unix.NewIfreq("lo")
	if err != nil {
		return err
	}
	r.SetUint16(unix.IFF_UP | unix.IFF_RUNNING)
	if err := unix.IoctlIfreq(fd, unix.SIOCSIFFLAGS, r); err != nil {
		return fmt.Errorf("loopback device: %w", err)
	}
	return nil
}

// serviceSockets lists the socket files at which processes of this machine
// listen and that we could connect to, but for allowed ones, those below the
// temp directories, which an overlay view replaces, and those in the project,
// where a view shows them without the process behind.
func serviceSockets(root string, allowed []string) ([]string, error) {
	data, err := os.ReadFile("/proc/net/unix")
	if err != nil {
		return nil, fmt.Errorf("sockets of this machine: %w", err)
	}
	hidden := []string{root}
	for _, t := range tempPlaces {
		if real, err := filepath.EvalSymlinks(t); err == nil {
			hidden = append(hidden, real)
		}
	}
	var list []string
	for line := range strings.Lines(string(data)) {
		// unix(7): the path is the eighth field; it may hold blanks. An abstract
		// name begins with @ and belongs to the network namespace.
		f := strings.SplitN(strings.TrimSuffix(line, "\n"), " /", 2)
		if len(f) < 2 {
			continue
		}
		path, err := filepath.EvalSymlinks("/" + f[1])
		if err != nil || below(hidden, path) || slices.Contains(allowed, path) || slices.Contains(list, path) {
			continue
		}
		m, err := statAt(unix.AT_FDCWD, path)
		if err == nil && m.kind() == unix.S_IFSOCK && unix.Faccessat(unix.AT_FDCWD, path, unix.W_OK, unix.AT_EACCESS) == nil {
			list = append(list, path)
		}
	}
	slices.Sort(list)
	return list, nil
}
