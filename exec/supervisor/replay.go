//go:build linux

package supervisor

import (
	"errors"
	"fmt"
	osexec "os/exec"
	"slices"
	"syscall"
	"time"

	"assay/exec/sandbox"
	"assay/exec/wire"
)

// replay is one that is being watched.
type replay struct {
	s       *supervisor
	r       Replay
	o       *Outcome
	peer    *peer
	from    *process // that it is forked from, or nil
	parent  *peer    // of that
	process *process // where it has no parent
	own     bool     // files have their own text
	id      int
	pid     int
	heard   bool
	ran     bool  // a test has begun
	soft    int64 // see Replay
	swapped bool  // files were put in place for it
	began   time.Time
	first   int // index of the first test of the present part
	events  int
	killed  time.Time // when a limit was passed

	// The phase is a test, or what lies between two tests: each has a limit.
	phaseCPU  int64
	most      int64     // bytes that the process had in memory, in this stretch of time
	grown     time.Time // when that last became more; zero: it has not
	grownCPU  int64     // the processor time of the stretch by then
	phaseWall time.Time
	phaseTest int
	limits    Limits
	// waited is for how long, in microseconds, the process was seen to wait in this phase;
	// waitsSince is the last time that it was, if it was at the last look.
	waited     int64
	waitsSince time.Time
}

// startReplay makes a replay and watches it until it waits or has ended.
func (s *supervisor) startReplay(r Replay) (*Outcome, error) {
	if s.replay != nil {
		return nil, errors.New("a replay is asked for while another waits")
	}
	s.opens.Settle()
	s.shield(s.lasting()...)
	c := &replay{s: s, r: r, id: s.serial, soft: r.Soft, began: time.Now(), limits: s.open.Limits,
		o: &Outcome{Running: -1, Exit: -1}}
	s.replay = c
	inPlace := s.textsBack
	if r.Own {
		inPlace = c.ownTexts
	}
	if err := inPlace(); err != nil {
		return nil, errors.Join(err, s.clean())
	}
	if len(r.Swap) > 0 {
		c.swapped = true
		if err := s.view.Swap(r.Swap); err != nil {
			return nil, errors.Join(err, s.clean())
		}
		s.opens.Settle()
	}
	if r.Soft > 0 && !s.limits["time_limit"] {
		c.r.Job.Long = s.longTests()
	}
	if err := c.start(); err != nil {
		_, cleaning := s.finishReplay()
		return nil, errors.Join(err, cleaning)
	}
	return s.watchReplay()
}

// longTest is the time, in microseconds, that a test must take to be told of at once.
const longTest = 500

func (s *supervisor) longTests() []int {
	long := []int{}
	for i, t := range s.known.Times {
		if t > longTest {
			long = append(long, i)
		}
	}
	return long
}

// start makes the process.
func (c *replay) start() error {
	c.phase(-1)
	s := c.s
	from := map[From]*process{FromWalker: s.walker, FromFirst: s.first}[c.r.From]
	if from == nil {
		setup := s.setup()
		setup.Volatile, setup.Job = s.known.Volatile, &c.r.Job
		p, err := s.startPHP(setup)
		if err != nil {
			return err
		}
		c.process, c.peer, c.pid = p, p.peer, p.pid
		return nil
	}
	c.peer, c.parent, c.from = s.socket.expect(), from.peer, from
	s.serial++
	c.id = s.serial
	order := wire.Order{Op: "fork", ID: c.id, Token: c.peer.token, Job: &c.r.Job}
	if c.r.From == FromFirst {
		setup := s.setup()
		setup.Volatile = s.known.Volatile
		order.Setup = &setup
	}
	return from.peer.send(order)
}

// ownTexts has the project's own text in all files, but for the changed one. It is left
// so until the replay has ended.
func (c *replay) ownTexts() error {
	if c.own {
		return nil
	}
	c.own, c.swapped = true, true
	err := c.s.view.Only(c.r.Changed)
	c.s.opens.Settle()
	return err
}

// goOn lets a replay that waits go on at a segment.
func (s *supervisor) goOn(next Continue) (*Outcome, error) {
	c := s.replay
	if c == nil || c.o.Stop == nil {
		return nil, errors.New("no replay waits")
	}
	if next.Own {
		if err := c.ownTexts(); err != nil {
			return nil, err
		}
	}
	c.next()
	c.phase(-1)
	c.peer.send(wire.Order{Op: "go", Next: next.Next, Then: next.Then, Quiet: next.Quiet}) // it may have ended, and then that shows
	return s.watchReplay()
}

// finishReplay ends a replay and puts the view in order.
func (s *supervisor) finishReplay() (*Outcome, error) {
	c := s.replay
	if c == nil {
		return nil, nil
	}
	if c.pid > 0 {
		sandbox.KillGroup(c.pid)
	}
	if c.process != nil {
		s.end(c.process)
	} else {
		c.waitForParent()
		s.socket.forget(c.peer)
	}
	if c.o.Stop != nil {
		c.next()
	}
	c.o.Wall = time.Since(c.began).Microseconds()
	c.o.Opened = append(c.o.Opened, s.opens.Take()...)
	err := s.clean()
	s.replay = nil
	return c.o, err
}

// next begins to note what happens behind a stop.
func (c *replay) next() {
	o := *c.o // a limit may have been passed just before it stopped
	o.Stop, o.Suite, o.Tests, o.Events, o.Parts, o.Opened = nil, nil, nil, nil, nil, nil
	c.o = &o
}

// waitForParent reads what the parent says of the end of its child.
func (c *replay) waitForParent() {
	deadline := time.After(answerTime)
	if c.unanswered() != nil {
		return // that was waited for
	}
	for {
		select {
		case m := <-c.parent.messages:
			if c.hearParent(m) {
				return
			}
		case <-c.parent.closed:
			return
		case <-deadline:
			return
		}
	}
}

// hearParent takes in what a parent says; true when the replay has ended.
func (c *replay) hearParent(m wire.Message) bool {
	switch m.Kind {
	case "forked":
		if m.Number(0) == c.id {
			c.pid = m.Number(1)
			c.peer.belongsTo(c.pid)
		}
	case "exited":
		c.o.Exit, c.o.Signal, c.o.Faults = m.Number(1), m.Number(2), int64(m.Number(3))
		return m.Number(0) == c.id
	case "nofork":
		return true
	}
	return false
}

// tick is how often limits are looked at.
const tick = 5 * time.Millisecond

// watchReplay follows the replay until it waits or has ended.
func (s *supervisor) watchReplay() (*Outcome, error) {
	c := s.replay
	ticker := time.NewTicker(tick)
	defer ticker.Stop()
	var parent <-chan wire.Message
	var parentGone, exited <-chan struct{}
	if c.parent != nil {
		parent, parentGone = c.parent.messages, c.parent.closed
	} else {
		exited = c.process.exited
	}
	for {
		select {
		case m := <-c.peer.messages:
			if err := c.hear(m); err != nil {
				_, cleaning := s.finishReplay()
				return nil, errors.Join(err, cleaning)
			}
			if c.o.Stop != nil {
				return c.o, nil
			}
		case m := <-parent:
			if m.Kind == "nofork" {
				_, cleaning := s.finishReplay()
				return nil, errors.Join(errors.New("php could not fork; is there memory and room for processes?"), cleaning)
			}
			if c.hearParent(m) {
				return s.endedReplay()
			}
		case <-exited:
			noteExit(c.o, c.process.cmd)
			return s.endedReplay()
		case <-parentGone:
			parentGone, parent = nil, nil
			if c.pid == 0 && !c.heard {
				_, cleaning := s.finishReplay()
				return nil, errors.Join(errors.New("a process ended without having made a replay"), cleaning)
			}
			c.o.Orphaned = true
		case <-ticker.C:
			memory := int64(0)
			if c.s.known.Memory > 0 {
				memory = sandbox.Resident(c.pid)
			}
			if memory > c.s.known.Memory {
				c.o.Exceeded = true
				c.kill()
			} else if c.overLimit(memory) {
				c.kill()
			}
			if c.o.Orphaned && c.gone() {
				return s.endedReplay()
			}
			if err := c.unanswered(); err != nil {
				_, cleaning := s.finishReplay()
				return nil, errors.Join(err, cleaning)
			}
		}
	}
}

// kill ends the process, which is then to be told of.
func (c *replay) kill() {
	sandbox.KillGroup(c.pid)
	if c.killed.IsZero() {
		c.killed = time.Now()
	}
}

// answerTime bounds how long it may take until the end of a process that was killed is known.
const answerTime = 10 * time.Second

// unanswered gives an error where the process that a replay is forked from does not tell
// of it any more: code of a replay may have stopped it.
func (c *replay) unanswered() error {
	switch took := time.Since(c.killed); {
	case c.killed.IsZero():
	case took >= time.Second && c.from != nil && slices.ContainsFunc(c.from.pids(), sandbox.Stopped):
		return errStopped
	case took >= answerTime:
		return fmt.Errorf("a process was killed, and nothing was heard of its end for %v", answerTime)
	}
	return nil
}

func noteExit(o *Outcome, cmd *osexec.Cmd) {
	if cmd.ProcessState == nil {
		return // somebody else waited for it: Exit stays unknown
	}
	st, ok := cmd.ProcessState.Sys().(syscall.WaitStatus)
	if ok && st.Signaled() {
		o.Signal = int(st.Signal())
		return
	}
	o.Exit = cmd.ProcessState.ExitCode()
	if usage, ok := cmd.ProcessState.SysUsage().(*syscall.Rusage); ok {
		o.Faults = usage.Minflt
	}
}

// gone reports whether an orphaned replay has ended.
func (c *replay) gone() bool {
	select {
	case <-c.peer.closed:
		return c.peer.drained(true)
	default:
		return c.pid != 0 && !sandbox.Alive(c.pid)
	}
}

// lateConnection is how long a connection may take that a process made before it
// ended.
const lateConnection = 250 * time.Millisecond

// endedReplay takes in what is still on the way once the process has ended.
func (s *supervisor) endedReplay() (*Outcome, error) {
	c := s.replay
	if c.pid > 0 {
		sandbox.KillGroup(c.pid) // what it left behind must not hold the connection
	}
	if err := s.killLeftovers(); err != nil {
		return nil, err
	}
	c.hearRest()
	if o := c.o; !o.Done && len(o.Events) == 0 && !o.Ended && o.Signal == 0 && o.Exit >= 0 && o.Exit <= 2 {
		// It ended as PHPUnit does, yet did not say so: code that closes all
		// descriptors makes it connect again at the last moment.
		time.Sleep(lateConnection)
		c.hearRest()
	}
	o := c.o
	if o.Ended && o.Signal == int(syscall.SIGKILL) && !o.TimedOut && !o.Suspect && !o.Exceeded {
		o.Signal, o.Exit = 0, 0
	}
	switch {
	case c.process != nil:
		o.Output = c.process.output.take()
	case s.first != nil:
		o.Output = s.first.output.take()
	}
	o.Wall = time.Since(c.began).Microseconds()
	o.Opened = append(o.Opened, s.opens.Take()...)
	s.socket.forget(c.peer)
	err := s.clean()
	s.replay = nil
	return o, err
}

// hearRest takes in what is still on the way.
func (c *replay) hearRest() {
	c.peer.drained(c.heard)
	for len(c.peer.messages) > 0 {
		c.hear(<-c.peer.messages)
		c.o.Stop = nil
	}
}
