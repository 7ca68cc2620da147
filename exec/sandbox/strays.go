//go:build linux

package sandbox

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// patience bounds how long killed processes may take to be gone.
const patience = 5 * time.Second

// proc is one line of the process table.
type proc struct {
	pid, parent int
	state       byte
}

func (p proc) dead() bool { return p.state == 'Z' || p.state == 'X' }

// KillStrays ends every process that descends from this supervisor, whatever group
// or session it is in, except the ones that spare reports, and reaps those that
// became our children. It returns how many there were, dead ones waiting for us
// included. Spare every process that somebody else waits for (os/exec); a dead
// child of a spared process is that process's to reap and does not count. It fails when some are still there after five seconds.
func KillStrays(spare func(pid int) bool) (int, error) {
	found := map[int]bool{}
	deadline := time.Now().Add(patience)
	for round := 0; ; round++ {
		below, err := livingBelow()
		if err != nil {
			return len(found), err
		}
		frozen := round > 3 && os.Getpid() == 1
		if frozen {
			// They multiply quicker than we kill one by one. To signal all in
			// the namespace at once leaves no fork in between.
			unix.Kill(-1, unix.SIGSTOP)
			if below, err = livingBelow(); err != nil {
				return len(found), err
			}
		}
		pending := 0
		for _, p := range below {
			if spare(p.pid) {
				continue
			}
			if ended, counts := endStray(p, spare); counts {
				found[p.pid] = true
				if !ended {
					pending++
				}
			}
		}
		if frozen {
			for _, p := range below {
				if spare(p.pid) {
					unix.Kill(p.pid, unix.SIGCONT)
				}
			}
		}
		if pending == 0 {
			return len(found), nil
		}
		if time.Now().After(deadline) {
			return len(found), fmt.Errorf("%d processes of the tests cannot be ended", pending)
		}
		time.Sleep(min(time.Duration(round+1)*100*time.Microsecond, 5*time.Millisecond))
	}
}

// stray is a process below us: its number in our own PID namespace, and the one
// that /proc knows it by.
type stray struct{ pid, listed int }

// endStray kills or reaps one process. It reports whether it is gone, and
// whether it was one of ours to end.
func endStray(s stray, spare func(int) bool) (ended, counts bool) {
	var ws unix.WaitStatus
	if got, err := unix.Wait4(s.pid, &ws, unix.WNOHANG, nil); err == nil && got == s.pid {
		return true, true
	}
	p, ok := readProc(s.listed)
	if !ok {
		return true, true
	}
	if p.dead() {
		parent := p.parent
		if s.pid != s.listed {
			parent, _ = innermostPid(parent)
		}
		return false, !spare(parent)
	}
	unix.Kill(s.pid, unix.SIGKILL)
	return false, true
}

// Living reports whether a process descends from this supervisor, dead ones and those
// that spare reports aside.
func Living(spare func(pid int) bool) (bool, error) {
	below, err := livingBelow()
	for _, s := range below {
		if p, ok := readProc(s.listed); ok && !p.dead() && !spare(s.pid) {
			return true, nil
		}
	}
	return false, err
}

// Offspring tells what some processes have started up to now, as a text that changes with
// every process that one of them starts: the processes below them, and what those cost that
// they have waited for (the faults of children in proc(5), of which a process that has run
// anything has some). It is "" where that is not known: in a /proc of another namespace, and
// where children vanish without a trace, since SIGCHLD is ignored (wait(2), Notes).
func Offspring(pids []int) string {
	if !procIsOurs() {
		return ""
	}
	var out strings.Builder
	for _, pid := range pids {
		stat, ok := statOf(pid)
		if !ok || len(stat) < 11 || ignoresChildren(pid) {
			return ""
		}
		below, err := descendants(pid)
		if err != nil {
			return ""
		}
		slices.Sort(below)
		fmt.Fprintf(&out, "%d: %v, faults %s and %s\n", pid, below, stat[8], stat[10])
	}
	return out.String()
}

// LastStarted gives the number of the last process or thread that was started in this
// process's namespace: the last field of /proc/loadavg (proc(5)). It is 0 where that is not
// known: outside of a namespace of our own somebody else may answer for the kernel, and
// where it is less than the number of a process that runs, it is none.
func LastStarted(running []int) int {
	if os.Getpid() != 1 || !procIsOurs() {
		return 0
	}
	data, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return 0
	}
	line := strings.TrimSpace(string(data))
	last, err := strconv.Atoi(line[strings.LastIndexByte(line, ' ')+1:])
	if err != nil || len(running) == 0 || last < slices.Max(running) {
		return 0
	}
	return last
}

// ignoresChildren reports whether a process ignores SIGCHLD; true where that cannot be read.
func ignoresChildren(pid int) bool {
	data, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/status")
	if err != nil {
		return true
	}
	_, rest, ok := bytes.Cut(data, []byte("\nSigIgn:"))
	line, _, _ := bytes.Cut(rest, []byte("\n"))
	set, err := strconv.ParseUint(string(bytes.TrimSpace(line)), 16, 64)
	return !ok || err != nil || set&(1<<(unix.SIGCHLD-1)) != 0
}

// livingBelow lists the processes that descend from this one.
func livingBelow() ([]stray, error) {
	if !procIsOurs() {
		return foreignBelow()
	}
	var pids []int
	var err error
	if os.Getpid() == 1 {
		pids, err = allPids() // a namespace of our own: all of them
	} else {
		pids, err = descendants(os.Getpid())
	}
	if err != nil {
		return nil, err
	}
	list := make([]stray, 0, len(pids))
	for _, pid := range pids {
		if pid != 1 {
			list = append(list, stray{pid, pid})
		}
	}
	return list, nil
}

// procIsOurs reports whether /proc counts processes as our own PID namespace
// does; where a fresh one could not be mounted it does not.
func procIsOurs() bool {
	link, err := os.Readlink("/proc/self")
	return err == nil && link == strconv.Itoa(os.Getpid())
}

// allPids lists the processes in /proc.
func allPids() ([]int, error) {
	names, err := listAt(unix.AT_FDCWD, "/proc")
	if err != nil {
		return nil, fmt.Errorf("list processes: %w", err)
	}
	var pids []int
	for _, n := range names {
		if n[0] < '0' || n[0] > '9' {
			continue
		}
		if pid, err := strconv.Atoi(n); err == nil {
			pids = append(pids, pid)
		}
	}
	return pids, nil
}

// descendants lists what descends from a process, children before their own
// children: by the kernel's lists of children where it keeps them, else by
// looking at every process there is.
func descendants(root int) ([]int, error) {
	own := filepath.Join("/proc", strconv.Itoa(root), "task", strconv.Itoa(root), "children")
	if _, err := os.Stat(own); err != nil {
		return descendantsByParent(root)
	}
	var list []int
	todo := []int{root}
	for len(todo) > 0 {
		kids := childrenOf(todo[0])
		list = append(list, kids...)
		todo = append(todo[1:], kids...)
	}
	return list, nil
}

// childrenOf lists the children of all threads of a process.
func childrenOf(pid int) []int {
	dir := "/proc/" + strconv.Itoa(pid) + "/task"
	tasks, err := listAt(unix.AT_FDCWD, dir)
	if err != nil {
		return nil
	}
	var kids []int
	for _, t := range tasks {
		if t == "." || t == ".." {
			continue
		}
		data, err := os.ReadFile(dir + "/" + t + "/children")
		if err != nil {
			continue
		}
		for _, f := range strings.Fields(string(data)) {
			if kid, err := strconv.Atoi(f); err == nil {
				kids = append(kids, kid)
			}
		}
	}
	return kids
}

func descendantsByParent(root int) ([]int, error) {
	pids, err := allPids()
	if err != nil {
		return nil, err
	}
	kids := map[int][]int{}
	for _, pid := range pids {
		if p, ok := readProc(pid); ok {
			kids[p.parent] = append(kids[p.parent], pid)
		}
	}
	var list []int
	todo := []int{root}
	for len(todo) > 0 {
		list = append(list, kids[todo[0]]...)
		todo = append(todo[1:], kids[todo[0]]...)
	}
	return list, nil
}

// foreignBelow is livingBelow through a /proc that counts as an outer PID
// namespace does.
func foreignBelow() ([]stray, error) {
	link, err := os.Readlink("/proc/self")
	if err != nil {
		return nil, fmt.Errorf("find ourselves in /proc: %w", err)
	}
	self, err := strconv.Atoi(link)
	if err != nil {
		return nil, fmt.Errorf("find ourselves in /proc: %w", err)
	}
	outer, err := descendants(self)
	if err != nil {
		return nil, err
	}
	list := make([]stray, 0, len(outer))
	for _, pid := range outer {
		if n, ok := innermostPid(pid); ok {
			list = append(list, stray{n, pid})
		}
	}
	return list, nil
}

// innermostPid reads the number that a process has in its own PID namespace:
// the last of the NSpid line (proc(5), since Linux 4.1).
func innermostPid(pid int) (int, bool) {
	data, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/status")
	if err != nil {
		return 0, false
	}
	_, rest, ok := bytes.Cut(data, []byte("\nNSpid:"))
	if !ok {
		return 0, false
	}
	line, _, _ := bytes.Cut(rest, []byte("\n"))
	f := bytes.Fields(line)
	if len(f) == 0 {
		return 0, false
	}
	n, err := strconv.Atoi(string(f[len(f)-1]))
	return n, err == nil
}

// readProc reads state and parent from /proc/PID/stat, whose second field, the
// name in parentheses, may hold anything.
func readProc(pid int) (proc, bool) {
	f, ok := statOf(pid)
	if !ok {
		return proc{}, false
	}
	parent, err := strconv.Atoi(string(f[1]))
	return proc{pid: pid, parent: parent, state: f[0][0]}, err == nil
}

// statOf gives what /proc/PID/stat has behind the name of the program, from the state on.
func statOf(pid int) ([][]byte, bool) {
	data, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	if err != nil {
		return nil, false
	}
	f := bytes.Fields(data[bytes.LastIndexByte(data, ')')+1:])
	return f, len(f) >= 2
}

// KillTree ends a supervisor and everything below it, from outside. One that is process 1 of a
// PID namespace is killed, and the kernel ends all that is in the namespace before it is gone
// (pid_namespaces(7)). Any other goes last: while it lives, orphans come to it and cannot hide
// elsewhere. The caller waits for the supervisor itself. It fails when processes are still
// there after five seconds; the supervisor is then killed all the same.
func KillTree(supervisor int) error {
	if n, ok := innermostPid(supervisor); ok && n == 1 {
		return endSupervisor(supervisor)
	}
	deadline := time.Now().Add(patience)
	for {
		pids, err := descendants(supervisor)
		if err != nil {
			return err
		}
		alive := 0
		for _, pid := range pids {
			if p, ok := readProc(pid); ok && !p.dead() {
				alive++
				unix.Kill(pid, unix.SIGKILL)
			}
		}
		if alive == 0 {
			break
		}
		if time.Now().After(deadline) {
			err = fmt.Errorf("%d processes below supervisor %d cannot be ended", alive, supervisor)
			unix.Kill(supervisor, unix.SIGKILL)
			return err
		}
		time.Sleep(200 * time.Microsecond)
	}
	return endSupervisor(supervisor)
}

func endSupervisor(pid int) error {
	if err := unix.Kill(pid, unix.SIGKILL); err != nil && err != unix.ESRCH {
		return fmt.Errorf("end supervisor %d: %w", pid, err)
	}
	return nil
}

// KillRemains ends the processes that a dead supervisor of a copy view left: those
// that work inside the worker's private directory or have it in their
// environment (TMPDIR). It returns how many there were, and fails when some are still
// there after five seconds.
func KillRemains(dir string) (int, error) {
	found := map[int]bool{}
	deadline := time.Now().Add(patience)
	for {
		pids, err := allPids()
		if err != nil {
			return len(found), err
		}
		alive := 0
		for _, pid := range pids {
			if pid == os.Getpid() || !belongsTo(pid, dir) {
				continue
			}
			found[pid] = true
			alive++
			unix.Kill(pid, unix.SIGKILL)
		}
		if alive == 0 {
			return len(found), nil
		}
		if time.Now().After(deadline) {
			return len(found), fmt.Errorf("%d processes working in %s cannot be ended", alive, dir)
		}
		time.Sleep(time.Millisecond)
	}
}

func belongsTo(pid int, dir string) bool {
	p := "/proc/" + strconv.Itoa(pid)
	if cwd, err := os.Readlink(p + "/cwd"); err == nil && Within(dir, strings.TrimSuffix(cwd, " (deleted)")) {
		return true
	}
	env, err := os.ReadFile(p + "/environ")
	return err == nil && bytes.Contains(append([]byte{0}, env...), []byte("\x00TMPDIR="+dir+"/"))
}
