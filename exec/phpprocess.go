package exec

import (
	"os"
	osexec "os/exec"
	"path/filepath"
	"syscall"
)

// phpProcess is a PHP process that the keeper started itself: stage 0, or a
// run without stages.
type phpProcess struct {
	cmd    *osexec.Cmd
	output *tail
	exited chan struct{} // closed when it ended; then cmd.ProcessState is set
}

// startPHP starts the harness and gives the peer it will call. alone, when not
// nil, is done in that very process.
func (k *keeper) startPHP(alone *order) (*phpProcess, *peer, error) {
	p := k.board.expect()
	argv := append(append([]string{}, k.req.PHP...), filepath.Join(k.req.Harness, "main.php"), k.board.name, p.token)
	cmd := osexec.Command(argv[0], argv[1:]...)
	cmd.Dir = k.view.Root()
	cmd.Env = k.environment()
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	// A pipe of our own, not a writer: Wait must not wait for grandchildren
	// that keep it open.
	r, w, err := os.Pipe()
	if err != nil {
		return nil, nil, err
	}
	cmd.Stdout, cmd.Stderr = w, w
	proc := &phpProcess{cmd: cmd, output: &tail{size: int(max(k.req.Limits.Output, 16<<10))}, exited: make(chan struct{})}
	if err := k.guard.Start(cmd); err != nil {
		r.Close()
		w.Close()
		return nil, nil, err
	}
	w.Close()
	go func() {
		proc.output.drain(r)
		r.Close()
	}()
	go func() {
		cmd.Wait()
		close(proc.exited)
	}()
	return proc, p, nil
}

// kill ends the process and its group and waits for its end.
func (p *phpProcess) kill() {
	syscall.Kill(-p.cmd.Process.Pid, syscall.SIGKILL)
	p.cmd.Process.Kill()
	<-p.exited
}
