//go:build linux

package sandboxtest

import (
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"

	seccomp "github.com/elastic/go-seccomp-bpf"
	"golang.org/x/sys/unix"
)

// containerEnv has a test program begin as in a container without privileges; see EnterContainer.
const containerEnv = "ASSAY_TEST_CONTAINER"

// What engines of containers refuse by default to processes without capabilities (from memory
// of their profiles): whatever makes mounts and namespaces, and, at strict ones, to look into
// other processes.
var (
	refusedMounts = []string{"mount", "umount2", "pivot_root", "move_mount", "fsopen", "fsconfig", "fsmount", "fspick",
		"open_tree", "mount_setattr", "chroot", "unshare", "setns", "mknod", "sethostname", "setdomainname"}
	refusedLooks = []string{"ptrace", "process_vm_readv", "process_vm_writev", "pidfd_getfd", "kcmp", "bpf", "perf_event_open",
		"keyctl", "add_key", "request_key", "userfaultfd"}
	namespaceFlags = []uint64{unix.CLONE_NEWNS, unix.CLONE_NEWUSER, unix.CLONE_NEWPID, unix.CLONE_NEWNET, unix.CLONE_NEWIPC, unix.CLONE_NEWUTS, unix.CLONE_NEWCGROUP}
)

// InContainer reports whether this program runs in one.
func InContainer() bool { return os.Getenv(containerEnv) == "inside" }

// EnterContainer has this program begin again where mounts and namespaces are refused, when a
// script of a World asked for it. Call it first in TestMain.
func EnterContainer() {
	how := os.Getenv(containerEnv)
	if how == "" || how == "inside" {
		return
	}
	names, namespaces := refusedMounts, namespaceFlags
	switch how {
	case "strict":
		names = append(names, refusedLooks...)
	case "allowed":
		names, namespaces = slices.DeleteFunc(slices.Clone(refusedLooks), func(name string) bool {
			return name == "ptrace" || strings.HasPrefix(name, "process_vm_") // not refused since Linux 4.8
		}), nil
	}
	var flags []seccomp.NameWithConditions
	for _, f := range namespaces {
		flags = append(flags, seccomp.NameWithConditions{Name: "clone", Conditions: []seccomp.Condition{{Argument: 0, Operation: seccomp.BitsSet, Value: f}}})
	}
	runtime.LockOSThread()
	err := os.Setenv(containerEnv, "inside")
	if err == nil {
		err = seccomp.LoadFilter(seccomp.Filter{NoNewPrivs: true, Policy: seccomp.Policy{
			DefaultAction: seccomp.ActionAllow,
			Syscalls: []seccomp.SyscallGroup{
				{Action: seccomp.ActionErrno, Names: names, NamesWithCondtions: flags},
				{Action: seccomp.ActionErrno | seccomp.Action(unix.ENOSYS), Names: []string{"clone3"}},
			},
		}})
	}
	if err == nil {
		err = unix.Exec("/proc/self/exe", os.Args, os.Environ())
	}
	panic(err)
}

// Places are those in which attacks have to fail: name, and a script for World.Run. A
// container has no capabilities but those that its engines leave to root (from memory).
var Places = []struct{ Name, Script string }{
	{"root", `"$@"`},
	{"ordinary user", AsNobody + `"$@"`},
	{"container, root", asContainer + `env ` + containerEnv + `=plain "$@"`},
	{"container, ordinary user", asContainer + AsNobody + `env ` + containerEnv + `=plain "$@"`},
	{"strict container, root", asContainer + `env ` + containerEnv + `=strict "$@"`},
	{"strict container, ordinary user", asContainer + AsNobody + `env ` + containerEnv + `=strict "$@"`},
}

// asContainer begins a command: in namespaces in which nobody else lives, as containers have
// them, and with their capabilities. ApartEnv tells the program so.
const asContainer = `exec env ` + ApartEnv + `=$(readlink /proc/self/ns/mnt) unshare --mount --uts --ipc --pid --fork --mount-proc ` +
	`setpriv --inh-caps=-all --bounding-set=-all,+chown,+dac_override,+fowner,+fsetid,+kill,+setgid,+setuid,+setpcap,+net_bind_service,+net_raw,+sys_chroot,+mknod,+audit_write,+setfcap `

// Allowed are containers that were given the rights to mount and to raise network devices, and
// whose engine then no longer refuses mounts and namespaces (from memory): name, and a script.
var Allowed = []struct{ Name, Script string }{
	{"container, root", strings.Replace(asContainer, "-all,", "-all,+sys_admin,+net_admin,", 1) + `env ` + containerEnv + `=allowed "$@"`},
	{"container, ordinary user", strings.Replace(asContainer, "-all,", "-all,+sys_admin,+net_admin,", 1) + AsNobody + `env ` + containerEnv + `=allowed "$@"`},
}

// ApartEnv names the mount namespace of the machine, for a program that was started in another.
const ApartEnv = "ASSAY_TEST_APART"

// usualPlaces is in how many of the Places tests are run, except with ASSAY_ALL_ROUNDS, which
// .ci/run nightly sets: there they are in all.
const usualPlaces = 2

// InPlaces runs tests in Places, which are drawn anew each time.
func InPlaces(t *testing.T, tests []string, env ...string) {
	t.Helper()
	if testing.Short() {
		t.Skip("the same tests run as whoever this is, and in all places without -short")
	}
	NeedRoot(t)
	places := slices.Clone(Places)
	if os.Getenv("ASSAY_ALL_ROUNDS") == "" {
		rand.Shuffle(len(places), func(i, j int) { places[i], places[j] = places[j], places[i] })
		places = places[:usualPlaces]
	}
	for _, p := range places {
		t.Run(p.Name, func(t *testing.T) {
			w := NewWorld(t)
			for _, name := range tests {
				w.Run(t, p.Script, []string{name}, env...)
			}
		})
	}
}
