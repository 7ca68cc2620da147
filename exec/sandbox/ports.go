//go:build linux

package sandbox

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"net"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"golang.org/x/sys/unix"
)

// A PortWatch finds out at which ports of TCP the processes below a supervisor
// listen. Ports among which the kernel chooses do not count: two workers get two.
// nil is one that never finds any.
type PortWatch struct {
	lowest, highest uint16       // what the kernel chooses from
	looks           atomic.Int64 // that were made while it watches
}

// WatchPorts gives nil where the view has a network to itself.
func WatchPorts(v *View) *PortWatch {
	if v.confinement.Network {
		return nil
	}
	l := &PortWatch{}
	text, err := os.ReadFile("/proc/sys/net/ipv4/ip_local_port_range")
	if err == nil {
		_, err = fmt.Sscan(string(text), &l.lowest, &l.highest)
	}
	if err != nil {
		l.lowest, l.highest = 32768, 60999 // ip-sysctl of the kernel's documentation
	}
	return l
}

// traffic is what /proc tells of TCP in this network, whoever's it is.
type traffic struct {
	listening map[string]uint16 // inode of a socket => port
	talking   map[string]uint16 // both ends => port of the end here that is a server's
}

// now looks at it. A connection that was closed is seen for a minute (tcp(7),
// TIME_WAIT), and so is a server that was gone before anybody looked.
func (l *PortWatch) now() traffic {
	t := traffic{map[string]uint16{}, map[string]uint16{}}
	for _, file := range []string{"/proc/net/tcp", "/proc/net/tcp6"} {
		text, err := os.ReadFile(file)
		if err != nil {
			continue // no IPv6
		}
		for line := range strings.Lines(string(text)) {
			// proc_net_tcp of the kernel's documentation: number, local address,
			// remote address, state (0A: listening), ..., the tenth is the inode.
			f := strings.Fields(line)
			if len(f) < 10 || f[3] == "st" {
				continue
			}
			local, remote := l.fixed(f[1]), l.fixed(f[2])
			switch {
			case f[3] == "0A" && local != 0:
				t.listening[f[9]] = local
			case f[3] == "0A", f[3] == "02": // the latter asks for a server that may not be there
			case local != 0:
				t.talking[f[1]+f[2]] = local
			case remote != 0 && isLoopback(f[2]):
				t.talking[f[1]+f[2]] = remote
			}
		}
	}
	return t
}

// fixed gives the port of ADDRESS:PORT, in hexadecimal digits, or 0 if the
// kernel may have chosen it.
func (l *PortWatch) fixed(end string) uint16 {
	n, err := strconv.ParseUint(end[strings.LastIndexByte(end, ':')+1:], 16, 16)
	if p := uint16(n); err == nil && (p < l.lowest || p > l.highest) {
		return p
	}
	return 0
}

// isLoopback knows 127.0.0.1, ::1, and the first as an address of IPv6.
func isLoopback(end string) bool {
	address, _, _ := strings.Cut(end, ":")
	last := address[max(0, len(address)-8):]
	return address == inProc(net.IPv6loopback) || last == inProc(net.IPv4(127, 0, 0, 1))
}

// inProc writes an address as /proc does: each four bytes as a number of the
// machine.
func inProc(ip net.IP) string {
	if four := ip.To4(); four != nil {
		ip = four
	}
	text := ""
	for word := range slices.Chunk(ip, 4) {
		text += fmt.Sprintf("%08X", binary.NativeEndian.Uint32(word))
	}
	return text
}

const (
	// lookPause is between two looks.
	lookPause = time.Millisecond
	// surelyOther is how many looks in turn have to find a socket that no process below has, until
	// it is another one's: a process may pass it on while its files are being listed.
	surelyOther = 3
)

// listener is a socket that was not there before.
type listener struct {
	port  uint16
	below bool // a process below has it
	other int  // looks in turn at which it was there, and none had it
}

// sightings is what a Watch has seen.
type sightings struct {
	before    traffic
	listening map[string]*listener // inode of a socket =>
	talking   map[string]uint16    // as in traffic
}

// add takes in a look. has gives the sockets that processes below have, which it looks up
// behind that.
func (s *sightings) add(now traffic, has func() (map[string]bool, error)) {
	maps.Copy(s.talking, now.talking)
	var open []string
	for inode, port := range now.listening {
		if s.before.listening[inode] != 0 {
			continue
		}
		if s.listening[inode] == nil {
			s.listening[inode] = &listener{port: port}
		}
		if o := s.listening[inode]; !o.below && o.other < surelyOther {
			open = append(open, inode)
		}
	}
	if len(open) == 0 {
		return
	}
	below, err := has()
	for _, inode := range open {
		switch o := s.listening[inode]; {
		case below[inode]:
			o.below = true
		case err == nil:
			o.other++
		}
	}
}

// ports gives those of servers that a process below had, or may have had, ascending.
func (s *sightings) ports(still traffic) []uint16 {
	ports, others := map[uint16]bool{}, map[uint16]bool{}
	for inode, o := range s.listening {
		if o.below || o.other < surelyOther && still.listening[inode] == 0 {
			ports[o.port] = true
		} else {
			others[o.port] = true
		}
	}
	for ends, port := range s.talking {
		if s.before.talking[ends] == 0 && !others[port] {
			ports[port] = true
		}
	}
	for inode, port := range still.listening {
		if s.before.listening[inode] == port {
			delete(ports, port) // a server of the machine
		}
	}
	return slices.Sorted(maps.Keys(ports))
}

// Watch looks who listens and who talks to whom until end is called. A server that
// came and went in between was the run's, unless it was seen that no process below
// had it; one that stays was, if one had it. end gives their ports, ascending. Not
// seen is one that goes at once and that nobody talks to. Where it is not wanted
// end gives nil.
func (l *PortWatch) Watch(wanted bool) (end func() []uint16) {
	if l == nil || !wanted {
		return func() []uint16 { return nil }
	}
	seen := sightings{l.now(), map[string]*listener{}, map[string]uint16{}}
	stop, done := make(chan struct{}), make(chan struct{})
	look := func() traffic {
		now := l.now()
		seen.add(now, socketsBelow)
		l.looks.Add(1)
		return now
	}
	go func() {
		defer close(done)
		for {
			look()
			select {
			case <-stop:
				return
			case <-time.After(lookPause):
			}
		}
	}()
	return func() []uint16 {
		close(stop)
		<-done
		return seen.ports(look())
	}
}

// socketsBelow gives the inodes of the sockets that processes below this one have. Where not
// all of them can be seen it gives those that can, and an error.
func socketsBelow() (map[string]bool, error) {
	below, err := livingBelow()
	if err != nil {
		return nil, err
	}
	inodes := map[string]bool{}
	for _, p := range below {
		dir := "/proc/" + strconv.Itoa(p.listed) + "/fd/"
		names, fault := os.ReadDir(dir)
		if fault != nil && !errors.Is(fault, fs.ErrNotExist) && !errors.Is(fault, unix.ESRCH) {
			err = fault
		}
		for _, n := range names {
			link, _ := os.Readlink(dir + n.Name())
			if inode, ok := strings.CutPrefix(link, "socket:["); ok {
				inodes[strings.TrimSuffix(inode, "]")] = true
			}
		}
	}
	return inodes, err
}

// Held gives the ports at which processes below this one listen, ascending; those that cannot
// be seen are left out.
func (l *PortWatch) Held() []uint16 {
	if l == nil {
		return nil
	}
	all := l.now().listening
	if len(all) == 0 {
		return nil
	}
	below, _ := socketsBelow() // KillStrays will say so
	ports := map[uint16]bool{}
	for inode := range below {
		if all[inode] != 0 {
			ports[all[inode]] = true
		}
	}
	return slices.Sorted(maps.Keys(ports))
}
