package exec

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"
)

// abilitiesFor finds out what the kernel lets us do; tests replace it.
var abilitiesFor = func(mode ViewMode, network bool) (a abilities) {
	v, _, errno := unix.Syscall(unix.SYS_LANDLOCK_CREATE_RULESET, 0, 0, unix.LANDLOCK_CREATE_RULESET_VERSION)
	switch errno {
	case 0:
		a.landlock = int(v)
	case unix.EOPNOTSUPP:
		a.why = errors.New("the kernel was started without Landlock")
	default:
		a.why = fmt.Errorf("the kernel has no Landlock, or the container forbids it (%w)", errno)
	}
	switch {
	case !network:
		a.network = errors.New("--allow-connect leaves the network shared")
	case mode == ViewCopy && !canMount():
		a.network = errors.New("a network of their own takes root or an overlay view")
		network = false
	}
	t, err := tryNamespaces(mode, network)
	if err != nil && network {
		a.network = err
		t, err = tryNamespaces(mode, false)
	}
	if a.network == nil {
		a.network = asError(t.Network)
	}
	if a.mounts = asError(t.Mounts); err != nil {
		a.mounts = err
	}
	return a
}

// A guard starts processes from a thread that is confined for good, and they
// inherit it. The keeper's other threads stay free.
type guard struct{ jobs chan func() }

// newGuard gives nil where there is nothing for threads to be kept from.
func newGuard(v *View) (*guard, error) {
	if v.confinement.Landlock == 0 {
		return nil, nil
	}
	g := &guard{jobs: make(chan func())}
	ready := make(chan error)
	go g.thread(v, ready)
	return g, <-ready
}

func (g *guard) thread(v *View, ready chan<- error) {
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
	err := restrictThread(v)
	ready <- err
	if err != nil {
		return
	}
	for f := range g.jobs {
		f()
	}
}

// start is cmd.Start on the confined thread.
func (g *guard) start(cmd *osexec.Cmd) error {
	if g == nil {
		return cmd.Start()
	}
	done := make(chan error, 1)
	g.jobs <- func() { done <- cmd.Start() }
	return <-done
}

func (g *guard) close() {
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
func restrictThread(v *View) error {
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
	if err := unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0); err != nil {
		return fmt.Errorf("landlock: %w", err)
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

// tryNamespaces tries things out in a process that has the namespaces of a
// keeper. The error is why there is no such process.
func tryNamespaces(mode ViewMode, network bool) (t tried, err error) {
	if mode == ViewCopy && !network {
		return t, nil
	}
	text, err := keeperOrder{Job: tryJob, Spec: ViewSpec{Mode: mode, Confinement: Confinement{Network: network}}}.encode()
	if err != nil {
		return t, err
	}
	cmd := osexec.Command(selfProgram)
	cmd.SysProcAttr, _ = keeperAttr(mode, network)
	cmd.Env = append(os.Environ(), keeperEnv+"="+text)
	out, err := cmd.Output()
	if err != nil {
		return t, errors.New("no private namespaces: " + explainClone(err))
	}
	return t, json.Unmarshal(out, &t)
}

// tryThings is the other side of tryNamespaces.
func tryThings(spec ViewSpec) (t tried) {
	if spec.Confinement.Network {
		if err := raiseLoopback(); err != nil {
			t.Network = err.Error()
		}
	}
	if spec.Mode == ViewOverlay {
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
