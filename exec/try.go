package exec

import (
	"context"
	"fmt"
	"io"
	osexec "os/exec"
	"syscall"
	"time"

	"assay/mutate"
)

// Try judges one mutant and then runs PHPUnit on it as a person would: the
// user's own script, the whole suite, in a view of the project with the edit
// made. What PHPUnit prints goes to w.
func (e *Engine) Try(ctx context.Context, s *Survey, t Task, w io.Writer) (mutate.Verdict, error) {
	j := newBench(e, s)
	worker, err := j.ready(ctx, 1, []Task{t})
	if err != nil {
		return mutate.Verdict{}, err
	}
	defer e.putBack(worker)
	var v mutate.Verdict
	if len(t.Tests) == 0 {
		v, err = j.untested(t)
	} else {
		v, err = j.verdict(ctx, worker, t, known{})
	}
	if err != nil {
		return v, err
	}
	rep, err := worker.ask(ctx, request{Bare: &bareRequest{Path: t.Mutant.Source.Path,
		Text: t.Mutant.Edit.Apply(t.Mutant.Source.Text), Argv: e.argv(), Limit: int64(time.Minute + 10*s.Suite)}})
	if err != nil {
		return v, err
	}
	if _, err := io.WriteString(w, rep.Outcome.Output); err != nil {
		return v, err
	}
	if rep.Outcome.TimedOut {
		fmt.Fprintf(w, "\n(stopped: the suite did not end in %v)\n", (time.Minute + 10*s.Suite).Round(time.Second))
	}
	return v, nil
}

// bareRequest is PHPUnit without the harness.
type bareRequest struct {
	Path  string
	Text  []byte
	Argv  []string
	Limit int64 // nanoseconds of wall time
}

// bareOutput is how much of PHPUnit's output is kept, in bytes.
const bareOutput = 4 << 20

func (k *keeper) bare(r bareRequest) (o outcome, err error) {
	if err := k.view.Swap(map[string][]byte{r.Path: r.Text}); err != nil {
		return o, err
	}
	s := k.setup(nil)
	argv := append(append([]string{}, k.req.PHP...), s.Argv...)
	cmd := osexec.Command(argv[0], argv[1:]...)
	out := &tail{size: bareOutput}
	cmd.Dir, cmd.Env, cmd.Stdout, cmd.Stderr = k.view.Root(), k.environment(), out, out
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.WaitDelay = time.Second
	if err := k.guard.Start(cmd); err != nil {
		return o, err
	}
	t := time.AfterFunc(time.Duration(r.Limit), func() {
		o.TimedOut = true
		syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
	})
	cmd.Wait()
	t.Stop()
	o.Exit, o.Output = cmd.ProcessState.ExitCode(), out.take()
	if err := k.killLeftovers(); err != nil {
		return o, err
	}
	return o, k.clean(&o)
}
