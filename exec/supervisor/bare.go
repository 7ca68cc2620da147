//go:build linux

package supervisor

import (
	"errors"
	"io"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"assay/exec/sandbox"
)

// bareOutput is how much of PHPUnit's output is kept, in bytes, and longestLog how much of
// its log is read.
const (
	bareOutput = 4 << 20
	longestLog = 64 << 20
)

// bare runs the user's own script with some files changed or added.
func (s *supervisor) bare(b Bare) (*Outcome, error) {
	s.endWalkers()
	if err := s.view.Restore(); err != nil {
		return nil, err
	}
	if err := s.view.Swap(b.Texts); err != nil {
		return nil, errors.Join(err, s.view.Restore())
	}
	for path, text := range b.Added {
		if err := s.view.Add(path, text); err != nil {
			return nil, errors.Join(err, s.view.Restore(), s.view.Repair())
		}
	}
	argv := slices.Concat(s.open.PHP, s.setup().Argv[:1], b.Args, s.setup().Argv[1:])
	log := filepath.Join(s.view.Temp(), "assay-log.xml")
	if b.Log {
		argv = slices.Insert(argv, len(s.open.PHP)+1, "--log-junit", log)
	}
	cmd := osexec.Command(argv[0], argv[1:]...)
	out := &tail{size: bareOutput}
	cmd.Dir, cmd.Env, cmd.Stdout, cmd.Stderr = s.view.Root(), s.environment(false), out, out
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.WaitDelay = time.Second
	if err := s.guard.Start(cmd); err != nil {
		return nil, errors.Join(err, s.view.Restore(), s.view.Repair())
	}
	o := &Outcome{Running: -1}
	s.watchBare(cmd, o, time.Duration(b.Limit))
	o.Exit, o.Output = cmd.ProcessState.ExitCode(), out.take()
	err := s.killLeftovers()
	if b.Log {
		o.Log = readLog(log)
	}
	return o, errors.Join(err, s.view.Restore(), s.view.Repair())
}

// watchBare waits for a process, and ends it where it takes too long or too much memory.
func (s *supervisor) watchBare(cmd *osexec.Cmd, o *Outcome, limit time.Duration) {
	ended := make(chan struct{})
	go func() {
		cmd.Wait()
		close(ended)
	}()
	deadline := time.NewTimer(limit)
	defer deadline.Stop()
	look := time.NewTicker(10 * time.Millisecond)
	defer look.Stop()
	for {
		select {
		case <-ended:
			return
		case <-deadline.C:
			o.TimedOut = true
			syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
		case <-look.C:
			if s.known.Memory > 0 && sandbox.Resident(cmd.Process.Pid) > s.known.Memory {
				o.Exceeded = true
				syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
			}
		}
	}
}

// readLog reads what PHPUnit has written; nil where it has not, or where the tests put
// something else there.
func readLog(path string) []byte {
	f, err := os.OpenFile(path, os.O_RDONLY|unix.O_NOFOLLOW|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		return nil
	}
	text, err := io.ReadAll(io.LimitReader(f, longestLog))
	if err != nil {
		return nil
	}
	return text
}
