//go:build linux

package sandbox

import (
	"errors"
	"fmt"
	osexec "os/exec"
	"runtime"
	"unsafe"

	"golang.org/x/sys/unix"
)

// A Guard starts processes from a thread that is confined for good, and they
// inherit it. The other threads of this process stay free.
type Guard struct {
	jobs  chan func()
	calls *callWatch // nil: no calls are asked about
}

// NewGuard confines a new thread as the view asks. It gives nil, which is a Guard
// that confines nothing, where there is nothing for threads to be kept from.
// It fails where the kernel refuses what FindAbilities promised.
func NewGuard(v *View) (*Guard, error) {
	if v.confinement.None() {
		return nil, nil
	}
	g := &Guard{jobs: make(chan func())}
	ready := make(chan error)
	go g.thread(v, ready)
	return g, <-ready
}

func (g *Guard) thread(v *View, ready chan<- error) {
	runtime.LockOSThread() // for good: the thread ends when this function returns
	if unix.Gettid() == unix.Getpid() {
		// The first thread stands for the process where signals are concerned.
		other := make(chan error)
		go g.thread(v, other)
		err := <-other
		runtime.UnlockOSThread()
		ready <- err
		return
	}
	err := g.restrictThread(v)
	ready <- err
	if err != nil {
		return
	}
	for f := range g.jobs {
		f()
	}
}

// Start is cmd.Start on the confined thread.
func (g *Guard) Start(cmd *osexec.Cmd) error {
	if g == nil {
		return cmd.Start()
	}
	done := make(chan error, 1)
	g.jobs <- func() { done <- cmd.Start() }
	return <-done
}

// Shield keeps processes from getting signals from those that the guard has started, but
// for themselves, until it is called again. This process is always kept from them. Where
// calls are not asked about it does nothing.
func (g *Guard) Shield(pids ...int) {
	if g != nil && g.calls != nil {
		g.calls.shield.Store(&pids)
	}
}

// Close ends the thread; Start must not be called any more. The processes that were
// started stay as they are.
func (g *Guard) Close() {
	if g != nil {
		close(g.jobs)
	}
}

// What Landlock forbids but where it is allowed: everything that changes files
// or directories.
const (
	writeFile = unix.LANDLOCK_ACCESS_FS_WRITE_FILE | unix.LANDLOCK_ACCESS_FS_TRUNCATE
	writeDir  = writeFile | unix.LANDLOCK_ACCESS_FS_REMOVE_DIR | unix.LANDLOCK_ACCESS_FS_REMOVE_FILE |
		unix.LANDLOCK_ACCESS_FS_MAKE_CHAR | unix.LANDLOCK_ACCESS_FS_MAKE_DIR | unix.LANDLOCK_ACCESS_FS_MAKE_REG |
		unix.LANDLOCK_ACCESS_FS_MAKE_SOCK | unix.LANDLOCK_ACCESS_FS_MAKE_FIFO | unix.LANDLOCK_ACCESS_FS_MAKE_BLOCK |
		unix.LANDLOCK_ACCESS_FS_MAKE_SYM | unix.LANDLOCK_ACCESS_FS_REFER
)

// openDevices may be written by everybody on any machine, and keep nothing.
var openDevices = []string{"/dev/null", "/dev/zero", "/dev/full", "/dev/random", "/dev/urandom", "/dev/tty", "/dev/ptmx", "/dev/pts"}

// restrictThread confines the calling thread, for good.
func (g *Guard) restrictThread(v *View) error {
	c := v.confinement
	if err := dropPrivileges(); err != nil {
		return err
	}
	if c.Landlock > 0 {
		if err := restrictByLandlock(v); err != nil {
			return err
		}
	}
	if !c.Filter {
		return nil
	}
	fd, err := callFilter{setID: v.mode == Overlay && c.Mounts && len(c.Write) == 0, asks: c.Asks, meta: c.Asks && !c.Mounts}.install()
	if err != nil || !c.Asks {
		return err
	}
	if g.calls, err = newCallWatch(v, fd); err != nil {
		return err
	}
	go g.calls.serve()
	return nil
}

func restrictByLandlock(v *View) error {
	c := v.confinement
	known := uint64(writeDir)
	if c.Landlock < landlockTruncate {
		known &^= unix.LANDLOCK_ACCESS_FS_TRUNCATE
	}
	attr := unix.LandlockRulesetAttr{Handled_access_fs: known}
	if c.TCP {
		attr.Handled_access_net = unix.LANDLOCK_ACCESS_NET_CONNECT_TCP
	}
	if c.Signals {
		attr.Scoped = unix.LANDLOCK_SCOPE_SIGNAL
	}
	r, _, errno := unix.Syscall(unix.SYS_LANDLOCK_CREATE_RULESET, uintptr(unsafe.Pointer(&attr)), unsafe.Sizeof(attr), 0)
	if errno != 0 {
		return fmt.Errorf("landlock: %w", errno)
	}
	rules := int(r)
	defer unix.Close(rules)
	places := append([]string{v.Root()}, c.Write...)
	for _, t := range v.temps {
		places = append(places, t.place)
	}
	for _, p := range places {
		if err := allowWrite(rules, p, known); err != nil {
			return err
		}
	}
	for _, p := range openDevices {
		if err := allowWrite(rules, p, known&writeFile); err != nil && !errors.Is(err, unix.ENOENT) {
			return err
		}
	}
	for _, p := range c.Ports {
		if err := allowPort(rules, p); err != nil && c.TCP {
			return err
		}
	}
	if _, _, errno := unix.Syscall(unix.SYS_LANDLOCK_RESTRICT_SELF, uintptr(rules), 0, 0); errno != 0 {
		return fmt.Errorf("landlock: %w", errno)
	}
	return nil
}

// allowWrite allows rights to a path and to everything below it.
func allowWrite(rules int, path string, rights uint64) error {
	fd, err := unix.Open(path, unix.O_PATH|unix.O_CLOEXEC, 0)
	if err != nil {
		return fmt.Errorf("landlock: %s: %w", path, err)
	}
	defer unix.Close(fd)
	m, err := statFd(fd)
	if err != nil {
		return fmt.Errorf("landlock: %s: %w", path, err)
	}
	if !m.isDir() {
		rights &= writeFile
	}
	rule := unix.LandlockPathBeneathAttr{Allowed_access: rights, Parent_fd: int32(fd)}
	return addRule(rules, unix.LANDLOCK_RULE_PATH_BENEATH, unsafe.Pointer(&rule), path)
}

// landlockPort is struct landlock_net_port_attr of linux/landlock.h.
type landlockPort struct{ access, port uint64 }

const landlockRulePort = 2 // LANDLOCK_RULE_NET_PORT, ibidem

func allowPort(rules int, port uint16) error {
	rule := landlockPort{unix.LANDLOCK_ACCESS_NET_CONNECT_TCP, uint64(port)}
	return addRule(rules, landlockRulePort, unsafe.Pointer(&rule), fmt.Sprint("port ", port))
}

func addRule(rules, kind int, rule unsafe.Pointer, what string) error {
	_, _, errno := unix.Syscall6(unix.SYS_LANDLOCK_ADD_RULE, uintptr(rules), uintptr(kind), uintptr(rule), 0, 0, 0)
	if errno != 0 {
		return fmt.Errorf("landlock: %s: %w", what, errno)
	}
	return nil
}
