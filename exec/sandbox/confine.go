//go:build linux

package sandbox

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// Confinement is what the processes of the tests are kept from, and all that they
// start. The zero value keeps them from nothing.
//
// Several means serve, each where the machine has it. In an overlay view, which has
// namespaces anyway: everything that is mounted, but for the view, becomes
// read-only, and the network is one of their own. In any view: Landlock (Linux,
// Documentation/userspace-api/landlock.rst), which knows no change of mode, owner or time
// of a file, and of the network only ports of TCP; capabilities are dropped; and a filter
// of system calls refuses some, and asks about signals, about connections to socket files
// and, where mounts are not read-only, about changes of modes, owners and times.
type Confinement struct {
	Rights   bool     // no capabilities but those that serve in the view, and no way to new ones
	Filter   bool     // system calls are filtered
	Asks     bool     // with Filter: calls are asked about
	Copies   bool     // with Asks: connections are made for the callers, on copies of their descriptors
	Mounts   bool     // in an overlay view: what else is mounted is read-only
	Landlock int      // the version of Landlock that is made use of; 0: none
	Network  bool     // a network that has nothing but a loopback device
	TCP      bool     // by Landlock: TCP connections to no ports but Ports
	Signals  bool     // by Landlock: no signals to processes outside
	Ports    []uint16 // see TCP
	Write    []string // may be written besides: absolute paths that exist, without links
	Services []string // socket files that may be connected to, absolute, without links
	Sockets  []string // without Asks, in an overlay view: socket files that lead nowhere, likewise
}

// None reports whether the processes are kept from nothing.
func (c Confinement) None() bool {
	return !c.Rights && !c.Filter && !c.Mounts && c.Landlock == 0 && !c.Network && len(c.Sockets) == 0
}

// What each version of Landlock can do for us first.
const (
	landlockUsable   = 2 // version 1 forbids to move a file from directory to directory
	landlockTruncate = 3
	landlockTCP      = 4
	landlockSignals  = 6
)

// Terms are what a user allows, for planning a Confinement.
type Terms struct {
	Root    string   // the project, absolute, without links
	Mode    Mode     // Overlay or Copy
	Write   []string // see Confinement
	Ports   []uint16 // TCP ports that may be connected to; any at all, and the network is shared
	Sockets []string // socket files that may be connected to, absolute, without links
}

// A Plan is a Confinement together with what people should know of it.
type Plan struct {
	Confinement
	Loose     []string // what processes are not kept from, a sentence each
	WhyShared string   // why they have no network of their own; "" where they have
}

// PlanConfinement decides what processes can be kept from on a machine that lets us
// do what has says. It fails where the sockets of the machine's services cannot be
// listed.
func PlanConfinement(t Terms, has Abilities) (Plan, error) {
	c := Confinement{Rights: true, Write: t.Write, Ports: t.Ports, Services: t.Sockets}
	c.Filter = has.NoFilter == nil
	c.Asks = c.Filter && has.NoAsks == nil
	c.Copies = c.Asks && has.NoCopies == nil
	if has.Landlock >= landlockUsable {
		c.Landlock = has.Landlock
	}
	overlay := t.Mode == Overlay
	c.Mounts = overlay && has.NoMounts == nil
	c.Signals = (!overlay || !c.Asks) && has.Landlock >= landlockSignals
	c.Network = has.NoNetwork == nil
	c.TCP = !c.Network && has.Landlock >= landlockTCP
	p := Plan{}
	if !c.Network {
		p.WhyShared = has.NoNetwork.Error()
	}
	if overlay && !c.Asks {
		var err error
		if c.Sockets, err = serviceSockets(t.Root, t.Sockets); err != nil {
			return p, err
		}
	}
	p.Confinement = c
	p.tellLoose(overlay, has)
	return p, nil
}

// loose notes something that processes are not kept from.
func (p *Plan) loose(format string, args ...any) {
	p.Loose = append(p.Loose, fmt.Sprintf(format, args...))
}

func (p *Plan) tellLoose(overlay bool, has Abilities) {
	c, why := p.Confinement, has.NoLandlock
	if why == nil && has.Landlock < landlockUsable {
		why = fmt.Errorf("the kernel's Landlock is of version %d, and %d is needed", has.Landlock, landlockUsable)
	}
	var can []string
	if !c.Asks {
		can = append(can, "change modes, owners and times of files outside of its view")
	}
	if has.Landlock < landlockTruncate {
		can = append(can, "cut files short outside of its view (truncate)")
	}
	switch {
	case c.Mounts && c.Landlock == 0 && os.Geteuid() == 0:
		p.loose("Mutated code can write to devices, because %v.", why)
	case c.Mounts:
	case c.Landlock == 0 && overlay:
		p.loose("Mutated code can write wherever you can but in the project, because mounts cannot be made read-only (%v) and %v.", has.NoMounts, why)
	case c.Landlock == 0:
		p.loose("Mutated code can write wherever you can, because %v.", why)
	case len(can) == 0:
	default:
		p.loose("Mutated code can %s, but neither write, create nor delete any: Landlock does not know more.", strings.Join(can, " and "))
	}
	switch {
	case c.Network:
	case c.TCP:
		p.loose("Mutated code is kept from TCP connections, but to allowed ports (of any machine), and from no other: %v.", has.NoNetwork)
	default:
		p.loose("Mutated code can connect to any place: %v, and the kernel's Landlock does not know connections (it is of version %d, and %d is needed).",
			has.NoNetwork, has.Landlock, landlockTCP)
	}
	p.tellCalls(overlay, has)
}

// tellCalls notes what a filter of system calls would keep processes from.
func (p *Plan) tellCalls(overlay bool, has Abilities) {
	c, why := p.Confinement, has.NoFilter
	if !c.Filter {
		p.loose("Mutated code can make every system call that an ordinary user can, because %v.", why)
	} else {
		why = has.NoAsks
	}
	if c.Asks {
		if !c.Copies {
			p.loose("Mutated code can reach services of this machine that listen at a socket file if it changes, in another thread, what it asks for between the look at it and the connection, because %v.", has.NoCopies)
		}
		return
	}
	if overlay {
		p.loose("Mutated code can reach services of this machine that begin to listen at a socket file during the run, and those of containers, because %v.", why)
		return
	}
	p.loose("Mutated code can reach services of this machine that listen at a socket file, because %v.", why)
	if !c.Signals {
		p.loose("Mutated code can send signals to all your processes, because %v, and the kernel's Landlock does not know signals (it is of version %d, and %d is needed).",
			why, has.Landlock, landlockSignals)
	}
}

// CheckAllowedPath makes a path that tests are to be allowed to write absolute
// and free of links, and refuses one that would not do.
func CheckAllowedPath(root, path string) (string, error) {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return "", fmt.Errorf("%s: there is no such file or folder; make it first", path)
	}
	if real, err = filepath.Abs(real); err != nil {
		return "", err
	}
	if root, err = filepath.EvalSymlinks(root); err != nil {
		return "", err
	}
	switch {
	case Within(root, real):
		return "", fmt.Errorf("%s: lies in the project, which tests may write anyway, each worker its own view of it; leave it out", path)
	case Within(real, root):
		return "", fmt.Errorf("%s: contains the project, which is never written; name something smaller", path)
	}
	return real, nil
}
