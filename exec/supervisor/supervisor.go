//go:build linux

package supervisor

import (
	"encoding/gob"
	"errors"
	"fmt"
	"io"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"syscall"
	"time"

	"assay/exec/sandbox"
	"assay/exec/wire"
)

// supervisor is the process in the view.
type supervisor struct {
	view    *sandbox.View
	socket  *listener
	guard   *sandbox.Guard
	opens   *sandbox.OpenWatch
	ports   *sandbox.PortWatch
	open    Open
	facts   Facts
	first   *process
	walker  *process
	at      int          // boundary at which the walker stands
	kept    []keptWalker // that stand elsewhere
	known   Known
	digests digests
	texts   map[string][]byte // of walk.Texts, those that are in place
	away    bool              // they are not, for the time being: see textsBack
	limits  map[string]bool   // fatal kinds of events of the suite
	replay  *replay           // that waits
	events  []wire.Event      // of the walker, not yet passed on
	serial  int
	built   int64 // microseconds that building the suite took
}

// process is a PHP process that lives on.
type process struct {
	peer   *peer
	pid    int
	cmd    *osexec.Cmd // nil for one that was forked
	exited chan struct{}
	output *tail
}

func init() {
	sandbox.RegisterJob("supervise", func(v *sandbox.View, _ string) error { return serve(v, os.Stdin, os.Stdout) })
}

// serve answers requests until in ends.
func serve(view *sandbox.View, in io.Reader, out io.Writer) error {
	EaseCollector()
	socket, err := newListener()
	if err != nil {
		return err
	}
	defer socket.close()
	guard, err := sandbox.NewGuard(view)
	if err != nil {
		return err
	}
	defer guard.Close()
	s := &supervisor{view: view, digests: digests{}, socket: socket, guard: guard, opens: sandbox.WatchOpens(view.Root()), ports: sandbox.WatchPorts(view)}
	defer s.stop()
	dec, enc := gob.NewDecoder(in), gob.NewEncoder(out)
	for {
		var req request
		if err := dec.Decode(&req); err != nil {
			if errors.Is(err, io.EOF) {
				return nil
			}
			return err
		}
		if err := enc.Encode(s.answer(req)); err != nil {
			return err
		}
	}
}

func (s *supervisor) answer(req request) (rep reply) {
	var err error
	switch {
	case req.Open != nil:
		s.open = *req.Open
		err = s.launch()
	case req.Known != nil:
		s.known = *req.Known
	case req.Walk != nil && req.Walk.Records != "":
		err = s.record(*req.Walk, &rep)
	case req.Walk != nil:
		rep.Suite, rep.Stop, err = s.startWalk(*req.Walk)
	case req.Advance != nil:
		rep.Stop, err = s.advance(*req.Advance)
	case req.Return != nil:
		rep.Stop, err = s.goBack(*req.Return)
	case req.Replay != nil:
		rep.Outcome, err = s.startReplay(*req.Replay)
	case req.Continue != nil:
		rep.Outcome, err = s.goOn(*req.Continue)
	case req.Finish:
		rep.Outcome, err = s.finishReplay()
	case req.Bare != nil:
		rep.Outcome, err = s.bare(*req.Bare)
	case req.Prove != nil:
		err = s.prove(*req.Prove, &rep)
	}
	if rep.Facts = s.facts; err != nil {
		rep.Failure = err.Error()
	}
	return rep
}

// launch starts the first process, where PHP can fork.
func (s *supervisor) launch() error {
	s.facts = Facts{Root: s.view.Root(), Notes: s.view.Notes()}
	if !s.open.Forks {
		return nil
	}
	return s.startFirst(nil)
}

// startupTime bounds how long it may take until a suite is built. Bootstraps that
// build caches or databases take their time.
const startupTime = 5 * time.Minute

func (s *supervisor) startFirst(preload [][2]string) error {
	s.stop()
	setup := s.setup()
	setup.Forks, setup.Preload = true, s.inView(preload)
	p, err := s.startPHP(setup)
	if err != nil {
		return err
	}
	s.first = p
	return s.await(p, func(m wire.Message) (bool, error) {
		if m.Kind != "ready" {
			return false, nil
		}
		err := m.Read(new([]string), &s.facts.PHPUnit, &s.facts.Foreign)
		return true, err
	})
}

// setup is the first message of a process that runs the project.
func (s *supervisor) setup() wire.Setup {
	u := s.open.Setup
	u.Op = "setup"
	u.Argv = slices.Clone(u.Argv)
	for i, a := range u.Argv {
		u.Argv[i] = s.pathInView(a)
	}
	u.PHPUnit = s.pathInView(u.PHPUnit)
	return u
}

// pathInView puts the view's root in place of RootMark.
func (s *supervisor) pathInView(path string) string {
	if rest, is := strings.CutPrefix(path, RootMark); is {
		return filepath.Join(s.view.Root(), rest)
	}
	return path
}

func (s *supervisor) inView(classes [][2]string) [][2]string {
	classes = slices.Clone(classes)
	for i := range classes {
		classes[i][1] = s.pathInView(classes[i][1])
	}
	return classes
}

// environment is what PHP gets: the user's own, the worker's temp directory.
func (s *supervisor) environment(spool bool) []string {
	env := append(slices.Clone(s.open.Env), "TMPDIR="+s.view.Temp())
	for i, v := range env {
		env[i] = strings.ReplaceAll(v, RootMark, s.view.Root())
	}
	if spool {
		env = append(env, "ASSAY_SPOOL="+s.spool(),
			"PHP_INI_SCAN_DIR="+os.Getenv("PHP_INI_SCAN_DIR")+":"+filepath.Join(s.open.Harness, "ini"))
	}
	sort.Strings(env)
	return env
}

// spool is where processes that are not the harness's own leave the points they pass.
func (s *supervisor) spool() string { return filepath.Join(s.view.Temp(), ".assay-points") }

// startPHP starts the harness and tells it what it is for.
func (s *supervisor) startPHP(setup wire.Setup) (*process, error) {
	p := &process{peer: s.socket.expectFirst(), output: &tail{size: int(max(s.open.Limits.Output, 16<<10))}, exited: make(chan struct{})}
	argv := append(slices.Clone(s.open.PHP), filepath.Join(s.open.Harness, "main.php"), s.socket.name, p.peer.token)
	p.cmd = osexec.Command(argv[0], argv[1:]...)
	p.cmd.Dir, p.cmd.Env = s.view.Root(), s.environment(setup.Spool != "")
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	// A pipe of our own, not a writer: Wait must not wait for grandchildren that keep it open.
	r, w, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	p.cmd.Stdout, p.cmd.Stderr = w, w
	if err := s.guard.Start(p.cmd); err != nil {
		r.Close()
		w.Close()
		return nil, err
	}
	w.Close()
	p.pid = p.cmd.Process.Pid
	go func() {
		p.output.drain(r)
		r.Close()
	}()
	go func() {
		p.cmd.Wait()
		close(p.exited)
	}()
	return p, s.greet(p, setup)
}

// greet waits for a new process and sends its setup.
func (s *supervisor) greet(p *process, setup wire.Setup) error {
	err := s.await(p, func(m wire.Message) (bool, error) {
		if m.Kind != "hello" {
			return false, nil
		}
		if v := m.Number(1); v != wire.Protocol {
			return true, fmt.Errorf("the harness speaks version %d of the protocol, and not %d", v, wire.Protocol)
		}
		return true, nil
	})
	if err == nil {
		setup.Token = s.socket.rename(p.peer)
		err = p.peer.send(setup)
	}
	return err
}

// await reads a process's messages until done says so.
func (s *supervisor) await(p *process, done func(wire.Message) (bool, error)) error {
	deadline := time.NewTimer(startupTime)
	defer deadline.Stop()
	look := time.NewTicker(time.Second)
	defer look.Stop()
	closed, exited := p.peer.closed, p.exited
	ended := false // what it has said till then is still to be read
	for {
		select {
		case m := <-p.peer.messages:
			if m.Kind == "unfit" {
				return errors.New(m.Text(0))
			}
			if m.Kind == "event" {
				e, _ := wire.ReadEvent(m)
				s.events = append(s.events, e)
			}
			if over, err := done(m); over || err != nil {
				return err
			}
			if ended && len(p.peer.messages) == 0 {
				return s.died(p)
			}
		case <-exited:
			exited, ended = nil, true
			if p.peer.drained(true); len(p.peer.messages) == 0 {
				return s.died(p)
			}
		case <-closed:
			closed, ended = nil, true
			if len(p.peer.messages) == 0 {
				return s.died(p)
			}
		case <-look.C:
			if sandbox.Stopped(p.pid) {
				return errStopped
			}
		case <-deadline.C:
			return fmt.Errorf("nothing was heard of PHP for %v", startupTime)
		}
	}
}

// died says what a process printed at its end.
func (s *supervisor) died(p *process) error {
	time.Sleep(20 * time.Millisecond) // let the output arrive
	if p.output != nil {
		s.facts.Output += p.output.take()
	}
	what := "while the suite was being prepared"
	if p == s.first && s.walker == nil {
		what = "before PHPUnit was loaded"
	} else if p == s.walker && s.replay == nil {
		what = "before the suite's last test"
	}
	return fmt.Errorf("php ended %s: %s", what, lastLines(s.facts.Output, 12))
}

func lastLines(s string, n int) string {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	if len(lines) > n {
		lines = lines[len(lines)-n:]
	}
	text := strings.Join(lines, "\n")
	if text == "" {
		return "it printed nothing"
	}
	return text
}

var errStopped = errors.New("PHP was stopped by a signal (SIGSTOP), and does not go on")

// pids are the numbers of a process, and of PHP where a script was started that starts it.
func (p *process) pids() []int {
	if p == nil {
		return nil
	}
	select {
	case <-p.peer.owned:
		return []int{p.pid, p.peer.owner}
	default:
		return []int{p.pid}
	}
}

// shield keeps what is run from now on from signalling some processes.
func (s *supervisor) shield(list ...*process) {
	var pids []int
	for _, p := range list {
		pids = append(pids, p.pids()...)
	}
	s.guard.Shield(pids...)
}

func isClosed(c <-chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

// end kills a process and all that it started.
func (s *supervisor) end(p *process) {
	if p == nil {
		return
	}
	sandbox.KillGroup(p.pid)
	if p.cmd != nil {
		p.cmd.Process.Kill()
		<-p.exited
	}
	s.socket.forget(p.peer)
}

func (s *supervisor) stop() {
	if s.replay != nil {
		s.end(s.replay.process)
	}
	s.endWalkers()
	s.end(s.first)
	s.replay, s.first = nil, nil
}

// killLeftovers ends what a replay started and left, the lasting processes aside.
func (s *supervisor) killLeftovers() error {
	_, err := sandbox.KillStrays(func(pid int) bool {
		return slices.ContainsFunc(s.lasting(), func(p *process) bool { return slices.Contains(p.pids(), pid) })
	})
	return err
}
