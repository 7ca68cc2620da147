//go:build linux

package sandbox

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// Abilities is what the kernel lets us do for a view of some mode.
type Abilities struct {
	Landlock   int   // its version; 0: there is none
	NoLandlock error // why there is none, or nil
	NoMounts   error // why mounts cannot be made read-only, or nil
	NoNetwork  error // why processes can have no network of their own, or nil
	NoFilter   error // why system calls cannot be filtered, or nil
	NoAsks     error // why nothing can be asked about them, or nil
	NoCopies   error // why the descriptors of other processes cannot be copied, or nil
}

// tried is what a process in namespaces of its own found out, as texts of errors.
type tried struct{ Mounts, Network, Filter, Copies, Asks string }

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
	a.NoMounts, a.NoFilter, a.NoAsks, a.NoCopies = asError(t.Mounts), asError(t.Filter), asError(t.Asks), asError(t.Copies)
	if err != nil {
		a.NoMounts, a.NoFilter, a.NoAsks, a.NoCopies = err, err, err, err
	}
	return a
}

// tryNamespaces tries things out in a process that has the namespaces of a
// supervisor. The error is why there is no such process.
func tryNamespaces(mode Mode, network bool) (t tried, err error) {
	o := order{Job: tryJob, Spec: Spec{Mode: mode, Confinement: Confinement{Network: network}}}
	cmd := osexec.Command(selfProgram)
	cmd.SysProcAttr, o.UserNS = attributes(mode, network)
	text, err := o.encode()
	if err != nil {
		return t, err
	}
	cmd.Env = append(os.Environ(), orderEnv+"="+text)
	out, err := cmd.Output()
	if err != nil {
		return t, errors.New("no private namespaces: " + explainClone(err))
	}
	return t, json.Unmarshal(out, &t)
}

// tryThings is the other side of tryNamespaces. Calls are decided with
// the rights that a view's second stage has.
func tryThings(o order) error {
	if o.Tried == nil {
		o.Tried = tryMounts(o.Spec)
		if o.UserNS {
			return nextStage(o)
		}
	}
	t := o.Tried
	for _, row := range []struct {
		c   Confinement
		why *string
	}{{Confinement{}, &t.Filter}, {Confinement{Asks: true, Copies: true}, &t.Copies}, {Confinement{Asks: true}, &t.Asks}} {
		if row.why == &t.Asks && t.Copies == "" {
			break // it can be done with less, too
		}
		if err := tryFilter(o.Spec.Mode, row.c); err != nil {
			*row.why = err.Error()
		}
	}
	return json.NewEncoder(os.Stdout).Encode(t)
}

// tryMounts tries what takes the rights of a first stage.
func tryMounts(spec Spec) *tried {
	t := &tried{}
	if spec.Confinement.Network {
		if err := raiseLoopback(); err != nil {
			t.Network = err.Error()
		}
	}
	if spec.Mode == Overlay {
		err := unix.Mount("", "/", "", unix.MS_REC|unix.MS_PRIVATE, "")
		if err == nil {
			err = unix.MountSetattr(unix.AT_FDCWD, "/", unix.AT_RECURSIVE, &unix.MountAttr{Attr_set: unix.MOUNT_ATTR_RDONLY | unix.MOUNT_ATTR_NOSUID})
		}
		if err != nil {
			t.Mounts = err.Error()
		}
	}
	return t
}

// tryFilter starts a process that is confined by a filter of system calls alone, which asks
// for a socket file that is not there.
func tryFilter(mode Mode, c Confinement) error {
	if c.Asks && strconv.IntSize != 64 {
		return errors.New("nothing can be asked about system calls on processors of 32 bits")
	}
	c.Rights, c.Filter = true, true
	g, err := NewGuard(&View{mode: mode, root: "/", confinement: c})
	if err != nil {
		return err
	}
	defer g.Close()
	text, err := order{Job: callJob}.encode()
	if err != nil {
		return err
	}
	cmd := osexec.Command(selfProgram)
	cmd.Dir, cmd.Env = "/", append(os.Environ(), orderEnv+"="+text)
	var out bytes.Buffer
	cmd.Stdout = &out
	if err := g.Start(cmd); err != nil {
		return err
	}
	if err := cmd.Wait(); err != nil {
		return fmt.Errorf("a process whose system calls are filtered fails: %w", err)
	}
	if want := unix.ENOENT.Error(); c.Asks && out.String() != want {
		if c.Copies {
			return errors.New("the kernel or the container does not let descriptors of other processes be copied")
		}
		return fmt.Errorf("the kernel or the container does not let system calls be decided (%s)", &out)
	}
	return nil
}

// tryCall is what the process of tryFilter does.
func tryCall() string {
	fd, err := unix.Socket(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, 0)
	if err == nil {
		err = unix.Connect(fd, &unix.SockaddrUnix{Name: "assay-no-such-socket"})
	}
	if err == nil {
		return "it is there"
	}
	return err.Error()
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
