//go:build linux

package sandbox

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"assay/exec/sandbox/sandboxtest"
)

// attackEnv makes this test program an attacker; it holds the folder outside and the one
// that may be written.
const attackEnv = "ASSAY_TEST_ATTACK"

// isApart reports whether attacks harm nobody here. Root's are real: they are made in
// namespaces in which nobody else lives, whatever confinement is tried there.
func isApart() bool {
	own, err := os.Readlink("/proc/self/ns/mnt")
	return err == nil && (os.Geteuid() != 0 || os.Getenv(sandboxtest.ApartEnv) != "" && os.Getenv(sandboxtest.ApartEnv) != own)
}

// runApart runs the calling test again where attacks harm nobody. It reports whether it
// did, for this is such a place otherwise.
func runApart(t *testing.T) bool {
	t.Helper()
	if isApart() {
		return false
	}
	own, err := os.Readlink("/proc/self/ns/mnt")
	if err != nil {
		t.Fatal(err)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := osexec.Command("unshare", "--mount", "--uts", "--ipc", "--pid", "--fork", "--mount-proc", self, "-test.v", "-test.run=^"+t.Name()+"$")
	cmd.Env = append(os.Environ(), sandboxtest.ApartEnv+"="+own)
	out, err := cmd.CombinedOutput()
	if err != nil || !bytes.Contains(out, []byte("\n--- PASS: "+t.Name()+" ")) {
		t.Errorf("in namespaces of its own: %v\n%s", err, out)
	}
	return true
}

// An attack is a system call that processes of the tests are to be kept from. It gives nil
// if it worked.
type attack func(out, allowed string) error

// call makes a system call with numbers.
func call(number uintptr, args ...uintptr) error {
	var a [6]uintptr
	copy(a[:], args)
	if _, _, errno := unix.Syscall6(number, a[0], a[1], a[2], a[3], a[4], a[5]); errno != 0 {
		return errno
	}
	return nil
}

// reached gives nil where a call came as far as to its arguments, which were none: rights are
// looked at before those. A kernel may have no modules at all.
func reached(err error) error {
	if err == unix.ENOEXEC || err == unix.EFAULT || err == unix.EBADF || err == unix.EINVAL || err == unix.ENOSYS {
		return nil
	}
	return err
}

var attacks = map[string]attack{
	"remount": func(string, string) error {
		return unix.Mount("", "/", "", unix.MS_REMOUNT|unix.MS_BIND, "")
	},
	"mount": func(_, allowed string) error {
		at := filepath.Join(allowed, "empty")
		err := unix.Mount("none", at, "tmpfs", 0, "")
		if err == nil {
			err = unix.Unmount(at, unix.MNT_DETACH)
		}
		return err
	},
	"clear read-only": func(string, string) error {
		return unix.MountSetattr(unix.AT_FDCWD, "/", unix.AT_RECURSIVE, &unix.MountAttr{Attr_clr: unix.MOUNT_ATTR_RDONLY})
	},
	"clone a mount": func(string, string) error {
		_, err := unix.OpenTree(unix.AT_FDCWD, "/", unix.OPEN_TREE_CLONE)
		return err
	},
	"user namespace": func(string, string) error {
		cmd := osexec.Command("/bin/true")
		cmd.SysProcAttr = &unix.SysProcAttr{Cloneflags: unix.CLONE_NEWUSER}
		return cmd.Run()
	},
	"mount namespace": func(string, string) error { return unix.Unshare(unix.CLONE_NEWNS) },
	"device": func(_, allowed string) error {
		return unix.Mknod(filepath.Join(allowed, "zero"), unix.S_IFCHR|0o666, int(unix.Mkdev(1, 5)))
	},
	"device in the project": func(string, string) error {
		return unix.Mknod("zero", unix.S_IFBLK|0o666, int(unix.Mkdev(1, 5)))
	},
	"set-uid": func(_, allowed string) error { return unix.Chmod(filepath.Join(allowed, "a"), 0o4755) },
	"set-gid, open": func(_, allowed string) error {
		fd, err := unix.Open(filepath.Join(allowed, "a"), unix.O_RDWR, 0)
		if err != nil {
			return err
		}
		return unix.Fchmod(fd, 0o2755)
	},
	"set-uid, made": func(_, allowed string) error {
		_, err := unix.Open(filepath.Join(allowed, "made"), unix.O_CREAT|unix.O_WRONLY, 0o4755)
		return err
	},
	"module":           func(string, string) error { return reached(call(unix.SYS_INIT_MODULE, 0, 0, 0)) },
	"module of a file": func(string, string) error { return reached(call(unix.SYS_FINIT_MODULE, ^uintptr(0), 0, 0)) },
	"host name":        func(string, string) error { return unix.Sethostname([]byte("assay-test")) },
	"clock": func(string, string) error {
		// A time that there is not: it is looked at before rights are, and a filter
		// before both.
		err := unix.ClockSettime(unix.CLOCK_REALTIME, &unix.Timespec{Nsec: -1})
		if err == unix.EINVAL {
			return nil
		}
		return err
	},
	"keys": func(string, string) error {
		_, err := unix.KeyctlInt(unix.KEYCTL_GET_KEYRING_ID, unix.KEY_SPEC_PROCESS_KEYRING, 1, 0, 0)
		return err
	},
	"mode of a file":  func(out, _ string) error { return unix.Chmod(filepath.Join(out, "a"), 0o777) },
	"owner of a file": func(out, _ string) error { return unix.Lchown(filepath.Join(out, "a"), os.Geteuid(), os.Getegid()) },
	"times of a file": func(out, _ string) error {
		return os.Chtimes(filepath.Join(out, "a"), time.Unix(1, 0), time.Unix(1, 0))
	},
	"mode through a link": func(out, _ string) error { return unix.Chmod("outward/a", 0o777) },
	"attribute of a file": func(out, _ string) error { return unix.Setxattr(filepath.Join(out, "a"), "user.assay", []byte("x"), 0) },
	"mode of a file that is open": func(out, _ string) error {
		fd, err := unix.Open(filepath.Join(out, "a"), unix.O_RDONLY, 0)
		if err != nil {
			return err
		}
		return unix.Fchmod(fd, 0o777)
	},
	"mode of a file in a folder that is open": func(out, _ string) error {
		fd, err := unix.Open(out, unix.O_RDONLY, 0)
		if err != nil {
			return err
		}
		return unix.Fchmodat(fd, "a", 0o777, 0)
	},
	"bpf": func(string, string) error {
		// A map of one entry: type, size of keys and values, entries.
		attr := [32]uint32{2, 4, 4, 1}
		return call(unix.SYS_BPF, 0, uintptr(unsafe.Pointer(&attr)), unsafe.Sizeof(attr))
	},
	"io_uring": func(string, string) error {
		var params [120]byte
		return call(unix.SYS_IO_URING_SETUP, 1, uintptr(unsafe.Pointer(&params)))
	},
	"ptrace": func(string, string) error {
		runtime.LockOSThread()
		err := unix.PtraceSeize(os.Getppid())
		if err == nil {
			unix.PtraceDetach(os.Getppid())
		}
		return err
	},
	"memory of the parent": func(string, string) error {
		// The first page of any program that is not relocated; EFAULT tells of one that is.
		buf := make([]byte, 8)
		local := []unix.Iovec{{Base: &buf[0], Len: 8}}
		_, err := unix.ProcessVMReadv(os.Getppid(), local, []unix.RemoteIovec{{Base: 0x400000, Len: 8}}, 0)
		if err == unix.EFAULT {
			return nil
		}
		return err
	},
	"limits of the parent": func(string, string) error {
		return unix.Prlimit(os.Getppid(), unix.RLIMIT_CORE, &unix.Rlimit{}, nil)
	},
	"stop the parent": func(string, string) error {
		defer unix.Kill(os.Getppid(), unix.SIGCONT)
		return unix.Kill(os.Getppid(), unix.SIGSTOP)
	},
	"signal a thread of the parent": func(string, string) error {
		return call(unix.SYS_TGKILL, uintptr(os.Getppid()), uintptr(os.Getppid()), uintptr(unix.SIGUSR1))
	},
	"signal everybody": func(string, string) error { return unix.Kill(-1, unix.SIGCONT) },
	"late socket":      func(out, _ string) error { return connectTo(filepath.Join(out, "late")) },
	"renamed socket":   func(out, _ string) error { return connectTo(filepath.Join(out, "renamed")) },
	"foreign socket":   func(out, _ string) error { return connectTo(filepath.Join(out, "foreign")) },
	"bound socket":     func(out, _ string) error { return connectTo(filepath.Join(out, "bound")) },
	"relative socket": func(out, _ string) error {
		was, err := os.Getwd()
		if err == nil {
			err = os.Chdir(out)
		}
		if err != nil {
			return err
		}
		defer os.Chdir(was)
		return connectTo("late")
	},
	"socket through a link": func(out, _ string) error {
		if err := os.Symlink(filepath.Join(out, "late"), filepath.Join(os.Getenv("TMPDIR"), "link")); err != nil {
			return err
		}
		return connectTo(filepath.Join(os.Getenv("TMPDIR"), "link"))
	},
	"socket in an allowed folder": func(_, allowed string) error { return connectTo(filepath.Join(allowed, "late")) },
	"datagram": func(out, _ string) error {
		fd, err := unix.Socket(unix.AF_UNIX, unix.SOCK_DGRAM, 0)
		if err != nil {
			return err
		}
		return unix.Sendto(fd, []byte("x"), 0, &unix.SockaddrUnix{Name: filepath.Join(out, "datagrams")})
	},
	"message": func(out, _ string) error {
		fd, err := unix.Socket(unix.AF_UNIX, unix.SOCK_DGRAM, 0)
		if err != nil {
			return err
		}
		return unix.Sendmsg(fd, []byte("x"), nil, &unix.SockaddrUnix{Name: filepath.Join(out, "datagrams")}, 0)
	},
	"capabilities": func(string, string) error {
		status, err := os.ReadFile("/proc/self/status")
		if err != nil {
			return err
		}
		kept := uint64(0)
		for _, c := range keptCaps {
			kept |= 1 << c
		}
		for _, m := range regexp.MustCompile(`Cap(?:Inh|Prm|Eff|Amb):\s+([0-9a-f]+)`).FindAllSubmatch(status, -1) {
			if set, err := strconv.ParseUint(string(m[1]), 16, 64); err != nil || set&^kept != 0 {
				return err // there are others
			}
		}
		if bytes.Contains(status, []byte("NoNewPrivs:\t0")) {
			return nil
		}
		return errors.New("none but the kept ones")
	},
}

// rightful are calls that must work.
var rightful = map[string]attack{
	"own: signal to a child": func(string, string) error {
		cmd := osexec.Command("/bin/sleep", "9")
		if err := cmd.Start(); err != nil {
			return err
		}
		if err := cmd.Process.Signal(unix.SIGTERM); err != nil {
			return err
		}
		if err := cmd.Wait(); err == nil {
			return errors.New("it was not ended")
		}
		return nil
	},
	"own: signal to the group": func(string, string) error {
		cmd := osexec.Command("/bin/sh", "-c", "kill -TERM 0; sleep 9")
		cmd.SysProcAttr = &unix.SysProcAttr{Setpgid: true}
		began := time.Now()
		if cmd.Run(); time.Since(began) > 5*time.Second {
			return errors.New("it was not ended")
		}
		return nil
	},
	"own: set-uid": func(string, string) error {
		if err := os.WriteFile("mine", nil, 0o600); err != nil {
			return err
		}
		return unix.Chmod("mine", 0o4755)
	},
	"own: late socket": func(string, string) error {
		l, err := net.Listen("unix", filepath.Join(os.Getenv("TMPDIR"), "mine"))
		if err != nil {
			return err
		}
		defer l.Close()
		go func() {
			if c, err := l.Accept(); err == nil {
				c.Close()
			}
		}()
		return connectTo(filepath.Join(os.Getenv("TMPDIR"), "mine"))
	},
	"own: modes and times": ownMeta,
	"own: mode, allowed": func(_, allowed string) error {
		if err := os.Chmod(filepath.Join(allowed, "b"), 0o640); err != nil {
			return err
		}
		return os.Chtimes(filepath.Join(allowed, "b"), time.Unix(5, 0), time.Unix(6, 0))
	},
	"own: fifo":  func(string, string) error { return unix.Mkfifo(filepath.Join(os.Getenv("TMPDIR"), "fifo"), 0o600) },
	"own: clock": func(string, string) error { return os.Chtimes(os.Getenv("TMPDIR"), time.Now(), time.Now()) },
}

// ownMeta changes modes, owners and times in the view, in all the ways that there are, and
// looks that they are what was asked for.
func ownMeta(string, string) error {
	if err := os.Mkdir("meta", 0o755); err != nil {
		return err
	}
	for _, name := range []string{"meta/a", "meta/b"} {
		if err := os.WriteFile(name, nil, 0o600); err != nil {
			return err
		}
	}
	dir, err := unix.Open("meta", unix.O_PATH, 0)
	if err != nil {
		return err
	}
	file, err := unix.Open("meta/b", unix.O_RDONLY, 0)
	if err != nil {
		return err
	}
	times := []unix.Timespec{{Sec: 5, Nsec: 6}, {Sec: 7, Nsec: 8}}
	for i, err := range []error{
		os.Symlink("a", "meta/link"),
		unix.Chmod("meta/link", 0o701), want("meta/a", 0o701, -1),
		unix.Fchmodat(dir, "a", 0o702, 0), want("meta/a", 0o702, -1),
		unix.Fchmod(file, 0o703), want("meta/b", 0o703, -1),
		unix.Lchown("meta/link", os.Geteuid(), os.Getegid()), unix.Fchown(file, os.Geteuid(), os.Getegid()),
		unix.UtimesNanoAt(dir, "a", times, 0), want("meta/a", 0o702, 7e9+8),
		unix.UtimesNanoAt(dir, "link", times[:], unix.AT_SYMLINK_NOFOLLOW), want("meta/link", 0, 7e9+8),
		unix.Futimesat(dir, "b", []unix.Timeval{{Sec: 1, Usec: 2}, {Sec: 3, Usec: 4}}), want("meta/b", 0o703, 3e9+4000),
		call(unix.SYS_UTIMENSAT, uintptr(file), 0, uintptr(unsafe.Pointer(&times[0]))), want("meta/b", 0o703, 7e9+8),
		unix.Utime("meta/b", &unix.Utimbuf{Actime: 1, Modtime: 9}), want("meta/b", 0o703, 9e9),
		unix.Utimes("meta/b", []unix.Timeval{{Sec: 1}, {Sec: 2, Usec: 3}}), want("meta/b", 0o703, 2e9+3000),
		os.RemoveAll("meta"),
	} {
		if err != nil {
			return fmt.Errorf("step %d: %w", i, err)
		}
	}
	if err := unix.Chmod("nothing", 0o600); err != unix.ENOENT {
		return fmt.Errorf("a file that is not there: %v", err)
	}
	return nil
}

// want looks at the mode of a file, unless it is 0, and at its time of change in
// nanoseconds, unless that is negative.
func want(path string, mode uint32, mtime int64) error {
	var st unix.Stat_t
	if err := unix.Lstat(path, &st); err != nil {
		return err
	}
	if mode != 0 && st.Mode&0o7777 != mode || mtime >= 0 && st.Mtim.Nano() != mtime {
		return fmt.Errorf("%s has mode %o and time %d", path, st.Mode, st.Mtim.Nano())
	}
	return nil
}

func connectTo(path string) error {
	c, err := net.DialTimeout("unix", path, time.Second)
	if err == nil {
		c.Close()
	}
	return err
}

// attackNow makes all attacks and prints those that worked, and how the others failed.
func attackNow(where string) {
	if !isApart() {
		panic("these attacks would harm the machine")
	}
	out, allowed, _ := strings.Cut(where, "|")
	results := map[string]string{}
	for _, list := range []map[string]attack{attacks, rightful} {
		for name, f := range list {
			done := make(chan struct{})
			go func() { // some lock their thread
				defer close(done)
				if err := f(out, allowed); err != nil {
					results[name] = err.Error()
				} else {
					results[name] = "worked"
				}
			}()
			<-done
		}
	}
	json.NewEncoder(os.Stdout).Encode(results)
}

func init() {
	cases["attack"] = func(k insideT, arg string) {
		g, err := NewGuard(k.v)
		k.must(err)
		cmd := osexec.Command(selfProgram)
		var out, errs bytes.Buffer
		cmd.Dir, cmd.Stdout, cmd.Stderr = k.v.Root(), &out, &errs
		cmd.Env = append(os.Environ(), "TMPDIR="+k.v.Temp(), attackEnv+"="+arg)
		k.must(g.Start(cmd))
		if err := cmd.Wait(); err != nil {
			k.fatalf("%v: %s", err, &errs)
		}
		fmt.Print(out.String())
	}
}
