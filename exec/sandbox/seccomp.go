//go:build linux

package sandbox

import (
	"fmt"
	"runtime"
	"unsafe"

	seccomp "github.com/elastic/go-seccomp-bpf"
	"github.com/elastic/go-seccomp-bpf/arch"
	"golang.org/x/net/bpf"
	"golang.org/x/sys/unix"
)

// What a filter of system calls (seccomp(2)) refuses. Names that a machine does not have
// are left out there; see TestFilterNames.
var (
	// neverCalls fail as for somebody without the right to make them. A view must not be
	// taken apart, nor another process looked into or written to, and what belongs to the
	// whole machine is not a test's to change.
	neverCalls = []string{
		"mount", "umount2", "pivot_root", "move_mount", "fsopen", "fsconfig", "fsmount", "fspick",
		"open_tree", "open_tree_attr", "mount_setattr", "chroot", "setns", "open_by_handle_at",
		"ptrace", "process_vm_readv", "process_vm_writev", "process_madvise", "pidfd_getfd", "kcmp",
		"keyctl", "add_key", "request_key", "bpf", "perf_event_open", "userfaultfd",
		"init_module", "finit_module", "delete_module", "kexec_load", "kexec_file_load", "reboot",
		"settimeofday", "stime", "clock_settime", "clock_settime64", "clock_adjtime", "clock_adjtime64", "adjtimex",
		"sethostname", "setdomainname", "swapon", "swapoff", "acct", "quotactl", "quotactl_fd",
		"syslog", "iopl", "ioperm",
	}
	// unknownCalls fail as on a kernel that does not have them, for programs then do what
	// they wanted in another way. Their arguments are in memory, where a filter cannot
	// look, or they do what others do without a filter being asked.
	unknownCalls = []string{"clone3", "io_uring_setup", "io_uring_enter", "io_uring_register", "pidfd_send_signal"}
	// newNamespaces are the flags of clone(2) and unshare(2) that make namespaces.
	newNamespaces = uint64(unix.CLONE_NEWNS | unix.CLONE_NEWUSER | unix.CLONE_NEWPID | unix.CLONE_NEWNET |
		unix.CLONE_NEWIPC | unix.CLONE_NEWUTS | unix.CLONE_NEWCGROUP | unix.CLONE_NEWTIME)
)

// calls are lines of a filter.
type calls = []seccomp.NameWithConditions

func when(name string, conditions ...seccomp.Condition) seccomp.NameWithConditions {
	return seccomp.NameWithConditions{Name: name, Conditions: conditions}
}

func bits(argument uint32, value uint64) seccomp.Condition {
	return seccomp.Condition{Argument: argument, Operation: seccomp.BitsSet, Value: value}
}

func not(argument uint32, value uint64) seccomp.Condition {
	return seccomp.Condition{Argument: argument, Operation: seccomp.NotEqual, Value: value}
}

func is(argument uint32, value uint64) seccomp.Condition {
	return seccomp.Condition{Argument: argument, Operation: seccomp.Equal, Value: value}
}

// deviceBit is set in the kind of file of devices alone (inode(7)).
const deviceBit = unix.S_IFCHR

// refusedArguments are calls that are refused for what they are given.
func refusedArguments() calls {
	return calls{
		when("clone", bits(0, newNamespaces)), when("unshare", bits(0, newNamespaces)),
		when("mknod", bits(1, deviceBit)), when("mknodat", bits(2, deviceBit)),
		when("prlimit64", not(0, 0), not(2, 0)), // sets limits of another process
		// Has the kernel send signals to another process. It looks at 32 bits of a command.
		when("fcntl", is(1, unix.F_SETOWN)), when("fcntl", is(1, unix.F_SETOWN_EX)),
		when("fcntl", seccomp.Condition{Argument: 1, Operation: seccomp.GreaterThan, Value: 1<<32 - 1}),
	}
}

// setIDBits make a program run as the owner or group of its file.
const setIDBits = unix.S_ISUID | unix.S_ISGID

// refusedSetID are calls that would make set-uid and set-gid files. Of those that open a
// file the mode counts only where they make it. Changes of modes may be decided elsewhere.
func refusedSetID(modes bool) calls {
	const makes = unix.O_CREAT | unix.O_TMPFILE&^unix.O_DIRECTORY
	var list calls
	if modes {
		list = calls{when("chmod", bits(1, setIDBits)), when("fchmod", bits(1, setIDBits)),
			when("fchmodat", bits(2, setIDBits)), when("fchmodat2", bits(2, setIDBits))}
	}
	return append(list,
		when("mknod", bits(1, setIDBits)), when("mknodat", bits(2, setIDBits)), when("creat", bits(1, setIDBits)),
		when("open", bits(1, makes), bits(2, setIDBits)), when("openat", bits(2, makes), bits(3, setIDBits)))
}

// A callFilter says what the processes of a confined thread may call.
type callFilter struct {
	setID bool // set-uid and set-gid files may be made
	asks  bool // some calls are decided by a process that is asked
	meta  bool // with asks: changes of modes, owners and times as well
}

// known leaves out the calls that a machine does not have.
func known[T any](info *arch.Info, list []T, name func(T) string) []T {
	var out []T
	for _, v := range list {
		if _, ok := info.SyscallNames[name(v)]; ok {
			out = append(out, v)
		}
	}
	return out
}

// assemble gives the filter as a program for the kernel.
func (f callFilter) assemble() ([]bpf.RawInstruction, error) {
	info, err := arch.GetInfo(runtime.GOARCH)
	if err != nil {
		return nil, err
	}
	plain := func(s string) string { return s }
	named := func(c seccomp.NameWithConditions) string { return c.Name }
	refuse := refusedArguments()
	gone := append([]string(nil), unknownCalls...)
	if !f.setID {
		refuse = append(refuse, refusedSetID(!f.meta)...)
		gone = append(gone, "openat2")
	}
	var none, meta []string
	if f.meta {
		none = known(info, attributeCalls, plain)
		for _, c := range known(info, metaCalls, func(c metaCall) string { return c.name }) {
			meta = append(meta, c.name)
		}
	}
	groups := []seccomp.SyscallGroup{
		{Action: seccomp.ActionErrno, Names: known(info, neverCalls, plain)},
		{Action: seccomp.ActionErrno | seccomp.Action(unix.ENOSYS), Names: known(info, gone, plain)},
		{Action: seccomp.ActionErrno | seccomp.Action(unix.EOPNOTSUPP), Names: none},
		{Action: seccomp.ActionErrno, NamesWithCondtions: known(info, refuse, named)},
	}
	if f.asks {
		groups = append(groups, seccomp.SyscallGroup{Action: seccomp.ActionUserNotify, NamesWithCondtions: known(info, askedCalls(), named), Names: meta})
	}
	policy := seccomp.Policy{DefaultAction: seccomp.ActionAllow, Syscalls: groups}
	program, err := policy.Assemble()
	if err != nil {
		return nil, err
	}
	// The policy lets all calls of another kind of processor pass, those of 32 bits.
	native := []bpf.Instruction{
		bpf.LoadAbsolute{Off: 4, Size: 4}, // struct seccomp_data of linux/seccomp.h: nr, arch, ...
		bpf.JumpIf{Cond: bpf.JumpEqual, Val: uint32(info.ID), SkipTrue: 1},
		bpf.RetConstant{Val: unix.SECCOMP_RET_ERRNO | uint32(unix.ENOSYS)},
	}
	return bpf.Assemble(append(native, program...))
}

// install puts the filter on the calling thread and all that it starts, for good. With
// asks it gives a descriptor at which calls ask, else -1.
func (f callFilter) install() (int, error) {
	raw, err := f.assemble()
	if err != nil {
		return -1, fmt.Errorf("filter of system calls: %w", err)
	}
	list := make([]unix.SockFilter, len(raw))
	for i, r := range raw {
		list[i] = unix.SockFilter{Code: r.Op, Jt: r.Jt, Jf: r.Jf, K: r.K}
	}
	program := unix.SockFprog{Len: uint16(len(list)), Filter: &list[0]}
	flags := []uintptr{0}
	if f.asks {
		// The second flag (Linux 5.19) keeps a signal from having a call made twice.
		flags = []uintptr{unix.SECCOMP_FILTER_FLAG_NEW_LISTENER | unix.SECCOMP_FILTER_FLAG_WAIT_KILLABLE_RECV, unix.SECCOMP_FILTER_FLAG_NEW_LISTENER}
	}
	for i, flag := range flags {
		fd, _, errno := unix.Syscall(unix.SYS_SECCOMP, unix.SECCOMP_SET_MODE_FILTER, flag, uintptr(unsafe.Pointer(&program)))
		switch {
		case errno == unix.EINVAL && i+1 < len(flags):
		case errno != 0:
			return -1, fmt.Errorf("filter of system calls: %w", errno)
		case f.asks:
			unix.CloseOnExec(int(fd))
			return int(fd), nil
		}
	}
	return -1, nil
}
