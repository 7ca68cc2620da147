//go:build linux

package supervisor

import (
	"errors"
	osexec "os/exec"
	"slices"
	"syscall"
	"time"
)

// bareOutput is how much of PHPUnit's output is kept, in bytes.
const bareOutput = 4 << 20

// bare runs the user's own script on a changed file.
func (s *supervisor) bare(b Bare) (*Outcome, error) {
	s.end(s.walker)
	s.walker = nil
	if err := s.view.Restore(); err != nil {
		return nil, err
	}
	if err := s.view.Swap(map[string][]byte{b.Path: b.Text}); err != nil {
		return nil, errors.Join(err, s.view.Restore())
	}
	argv := append(slices.Clone(s.open.PHP), s.setup().Argv...)
	cmd := osexec.Command(argv[0], argv[1:]...)
	out := &tail{size: bareOutput}
	cmd.Dir, cmd.Env, cmd.Stdout, cmd.Stderr = s.view.Root(), s.environment(false), out, out
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.WaitDelay = time.Second
	if err := s.guard.Start(cmd); err != nil {
		return nil, err
	}
	o := &Outcome{Running: -1}
	t := time.AfterFunc(time.Duration(b.Limit), func() {
		o.TimedOut = true
		syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
	})
	cmd.Wait()
	t.Stop()
	o.Exit, o.Output = cmd.ProcessState.ExitCode(), out.take()
	return o, errors.Join(s.killLeftovers(), s.view.Restore(), s.view.Repair())
}
