//go:build linux

package sandbox

import (
	"bytes"
	"fmt"
	"os"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// CPUTime is the processor time, in microseconds, that a process and what it
// waits for or still runs has used; 0 when it cannot be told. /proc counts in
// hundredths of a second.
func CPUTime(pid int) int64 {
	if pid <= 0 {
		return 0
	}
	total := ownCPU(pid)
	kids, err := os.ReadFile(fmt.Sprintf("/proc/%d/task/%d/children", pid, pid))
	if err != nil {
		return total
	}
	for _, f := range strings.Fields(string(kids)) {
		if kid, err := strconv.Atoi(f); err == nil {
			total += CPUTime(kid)
		}
	}
	return total
}

// tickMicros is the length of a clock tick in /proc/PID/stat: USER_HZ is 100
// on every Linux that PHP runs on (proc(5)).
const tickMicros = 10_000

func ownCPU(pid int) int64 {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0
	}
	i := bytes.LastIndexByte(b, ')')
	fields := strings.Fields(string(b[i+1:]))
	if len(fields) < 15 {
		return 0
	}
	var ticks int64
	for _, f := range fields[11:15] { // utime stime cutime cstime
		n, _ := strconv.ParseInt(f, 10, 64)
		ticks += n
	}
	return ticks * tickMicros
}

// Resident is how many bytes of memory a process and what it runs have; 0 when
// it cannot be told. What is shared after a fork counts for each.
func Resident(pid int) int64 {
	if pid <= 0 {
		return 0
	}
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/statm", pid))
	if err != nil {
		return 0
	}
	fields := strings.Fields(string(b))
	if len(fields) < 2 {
		return 0
	}
	pages, _ := strconv.ParseInt(fields[1], 10, 64)
	total := pages * int64(os.Getpagesize())
	kids, _ := os.ReadFile(fmt.Sprintf("/proc/%d/task/%d/children", pid, pid))
	for _, f := range strings.Fields(string(kids)) {
		if kid, err := strconv.Atoi(f); err == nil {
			total += Resident(kid)
		}
	}
	return total
}

// AllSleep reports whether nothing that descends from this supervisor does anything: each
// thread waits for something that is neither the processor nor a disk, which is state S
// of proc(5). first is looked at first, for it most likely does.
func AllSleep(first int) bool {
	if first <= 0 || !sleeps(first) {
		return false
	}
	below, err := livingBelow()
	for _, s := range below {
		if !sleeps(s.listed) {
			return false
		}
	}
	return err == nil
}

// sleeps reports whether all threads of a process wait, or it has ended.
func sleeps(pid int) bool {
	tasks, err := listAt(unix.AT_FDCWD, "/proc/"+strconv.Itoa(pid)+"/task")
	if err != nil {
		return true
	}
	for _, t := range tasks {
		task, err := strconv.Atoi(t)
		if err != nil {
			continue
		}
		if p, ok := readProc(task); ok && p.state != 'S' && !p.dead() {
			return false
		}
	}
	return true
}

// Alive reports whether a process is there and no zombie.
func Alive(pid int) bool {
	if syscall.Kill(pid, 0) != nil {
		return false
	}
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return false
	}
	i := bytes.LastIndexByte(b, ')')
	return i < 0 || !strings.HasPrefix(strings.TrimSpace(string(b[i+1:])), "Z")
}

// Stopped reports whether a process has been stopped by a signal, and not gone on; false
// also where that cannot be told.
func Stopped(pid int) bool {
	p, ok := readProc(pid)
	return ok && procIsOurs() && (p.state == 'T' || p.state == 't')
}

// KillGroup ends a process and the group that it leads. For 0 it does nothing.
func KillGroup(pid int) {
	if pid <= 0 {
		return // 0 would be our own group
	}
	syscall.Kill(-pid, syscall.SIGKILL)
	syscall.Kill(pid, syscall.SIGKILL)
}
