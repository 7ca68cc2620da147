package exec

import (
	"errors"
	"fmt"
	"maps"
	"syscall"
	"time"

	"assay/exec/sandbox"
)

// child is one run being watched: a fork of a stage, or a process of its own.
type child struct {
	k      *keeper
	peer   *peer
	parent *peer       // the stage it is forked from, or nil
	proc   *phpProcess // the process, when it has no parent stage
	id     int
	pid    int
	r      *runRequest
	common []string // what was opened before the first part of a sequence
	seen   []string // what was opened by the tests of the present part, which are over
	used   []string // files of which functions were run, as was said last
	o      outcome
	heard  bool
	ended  bool // it said that it was about to kill itself, all being done
	soft   bool
	free   bool // no limits: nothing is known of the tests yet
	began  time.Time

	// The phase is a test, or what lies between two tests: each has a limit.
	phaseCPU  int64
	phaseWall time.Time
	phaseTest int
}

// run does one request: swap, fork, watch, clean up.
func (k *keeper) run(r runRequest) (o outcome, err error) {
	if err := k.revive(); err != nil {
		return o, fmt.Errorf("the worker's stages could not be started again: %w", err)
	}
	k.opens.Settle()
	stage, parent, err := k.stageFor(r)
	if err != nil {
		return o, err
	}
	if r.Path != "" {
		texts := map[string][]byte{r.Path: r.Text}
		maps.Copy(texts, r.Others)
		if err := k.view.Swap(texts); err != nil {
			return o, errors.Join(err, k.view.Restore())
		}
	}
	ports := k.listens.Watch(r.Mode == "survey" && r.Tests == nil)
	o, err = k.watchOne(r, stage, parent)
	o.Opened, o.Ports = append(o.Opened, k.opens.Take()...), ports()
	if stage == 3 && !o.Used && r.Mode != inOne {
		o.Opened = append(o.Opened, sandbox.Everything)
	}
	err = errors.Join(err, k.clean(&o))
	k.opens.Settle()
	return o, err
}

// revive starts the stages again when they are gone: code under test can kill
// its parent. It happens before a swap, so that stages see pristine files.
func (k *keeper) revive() error {
	if !k.req.Forks {
		return nil
	}
	switch {
	case k.stage1 == nil, isClosed(k.stage0.closed):
		if err := k.startStages(); err != nil {
			return err
		}
	case isClosed(k.stage1.closed):
		if err := k.startStage1(); err != nil {
			return err
		}
	case k.whole.want != nil && !k.whole.live():
		return k.startWhole()
	default:
		return nil
	}
	return k.view.Accept()
}

func isClosed(c <-chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

// clean kills what the child left running and makes the view pristine again.
func (k *keeper) clean(o *outcome) error {
	if err := k.view.Restore(); err != nil {
		return err
	}
	changes, err := k.view.Damage()
	if err != nil {
		return err
	}
	if len(changes) == 0 {
		return nil
	}
	for _, c := range changes {
		o.Damage = append(o.Damage, c.String())
	}
	return k.view.Repair()
}

// stageFor picks the latest stage that has not loaded the file: a class that
// is already there would not be changed by the swap. -1: none of them.
func (k *keeper) stageFor(r runRequest) (int, *peer, error) {
	switch {
	case r.Cold || !k.req.Forks:
		return -1, nil, nil
	case r.Whole && k.whole.live() && (r.Path == "" || k.whole.files[r.Path]):
		return 3, k.whole.peer, nil
	case r.Path == "" || !k.files1[r.Path]:
		return 1, k.stage1, nil
	case k.files0[r.Path]:
		return -1, nil, nil
	}
	late, err := k.lateStage(r)
	if late != nil || err != nil {
		return 2, late, err
	}
	return 0, k.stage0, nil
}

func (k *keeper) watchOne(r runRequest, stage int, parent *peer) (outcome, error) {
	k.serial++
	c := &child{k: k, r: &r, id: k.serial, parent: parent, free: r.Mode == "survey", soft: r.Soft,
		began: time.Now(), phaseWall: time.Now(), phaseTest: -1}
	c.o = outcome{Running: -1, Exit: -1, Stage: stage}
	ord := order{Op: "run", ID: c.id, Mode: r.Mode, Limits: r.Count, Often: r.Often, Loops: r.Loops}
	if (r.Mode == "judge" || r.Mode == inOne) && r.Soft && !r.Exact && !k.facts.Fatal["time_limit"] {
		ord.Long = k.long
	}
	if stage == 3 {
		ord.Place, ord.Mutant, ord.Sequence, ord.Lists = r.Place, r.Mutant, r.Sequence, r.Lists
		ord.Anew = r.Anew
		ord.Swap, ord.Shared, ord.Once, ord.Openers, ord.Learn = r.Swaps != nil, r.Shared, r.Once, r.Openers, r.Learn
	}
	ord.Watch = r.Watch
	if r.Tests != nil {
		ord.Tests = r.Tests
		if stage < 1 {
			ord.Tests, ord.ByName, ord.Numbers = r.Names, true, r.Tests
		}
	}
	if parent != nil {
		c.peer = k.board.expect()
		ord.Token = c.peer.token
		if err := c.parent.send(ord); err != nil {
			return c.o, err
		}
	} else {
		var err error
		if c.proc, c.peer, err = k.startPHP(&ord); err != nil {
			return c.o, err
		}
		c.pid = c.proc.cmd.Process.Pid
	}
	defer k.board.forget(c.peer)
	err := c.watch(&ord)
	return c.o, errors.Join(err, c.finish())
}

// tick is how often limits are looked at.
const tick = 5 * time.Millisecond

// watch follows the child until it has ended.
func (c *child) watch(ord *order) error {
	ticker := time.NewTicker(tick)
	defer ticker.Stop()
	var parent <-chan message
	var parentGone, exited <-chan struct{}
	if c.parent != nil {
		parent, parentGone = c.parent.messages, c.parent.closed
	} else {
		exited = c.proc.exited
	}
	for {
		select {
		case m := <-c.peer.messages:
			if err := c.hear(m, ord); err != nil {
				return err
			}
		case m := <-parent:
			switch m.kind {
			case "forked":
				c.pid, _ = get[int](m, 1)
			case "nofork":
				return errors.New("php could not fork; is there memory and room for processes?")
			case "exited":
				c.o.Exit, _ = get[int](m, 1)
				c.o.Signal, _ = get[int](m, 2)
				return nil
			}
		case <-exited:
			c.noteExit()
			return nil
		case <-parentGone:
			parentGone, parent = nil, nil
			if c.pid == 0 && !c.heard {
				return errors.New("a stage ended without having made a child")
			}
			c.o.Orphaned = true
		case <-ticker.C:
			if c.k.memory > 0 && !c.free && sandbox.Resident(c.pid) > c.k.memory {
				c.o.OverFull = true
				c.kill()
			} else if c.overLimit() {
				c.kill()
			}
			if c.o.Orphaned && c.gone() {
				return nil
			}
		}
	}
}

func (c *child) noteExit() {
	if c.proc.cmd.ProcessState == nil {
		return // somebody else waited for it: Exit stays unknown
	}
	st, ok := c.proc.cmd.ProcessState.Sys().(syscall.WaitStatus)
	if ok && st.Signaled() {
		c.o.Signal = int(st.Signal())
		return
	}
	c.o.Exit = c.proc.cmd.ProcessState.ExitCode()
}

// gone reports whether an orphaned child has ended.
func (c *child) gone() bool {
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

// hearRest takes in what is still on the way.
func (c *child) hearRest() {
	c.peer.drained(c.heard)
	for {
		select {
		case m := <-c.peer.messages:
			c.hear(m, nil)
			continue
		default:
		}
		return
	}
}

func (c *child) kill() {
	if c.pid > 0 {
		sandbox.KillGroup(c.pid)
	}
}

// hear takes in one message of the child.
func (c *child) hear(m message, ord *order) error {
	c.heard = true
	switch m.kind {
	case "hello":
		if c.pid == 0 {
			c.pid, _ = get[int](m, 0)
		}
		if c.proc != nil {
			return c.peer.send(c.k.setup(ord))
		}
	case "unfit":
		why, _ := get[string](m, 0)
		return errors.New(why)
	case "start":
		t := testRun{}
		t.Test, _ = get[int](m, 0)
		t.Before, _ = get[[]int](m, 1)
		c.o.Tests = append(c.o.Tests, t)
		c.o.Started++
		c.o.Running = t.Test
		c.o.RunName, _ = get[string](m, 2)
		c.o.Tests[len(c.o.Tests)-1].Name = c.o.RunName
		c.phase(t.Test)
	case "ran":
		c.heardSeveral(m)
	case "shut":
		c.o.Shut = true
	case "end":
		c.heardEnd(m)
	case "event":
		c.o.Events = append(c.o.Events, asEvent(m))
	case "done":
		c.o.Done = true
		c.o.Classes, _ = get[[][2]string](m, 3)
		c.o.Memory, _ = get[int64](m, 4)
	case "tail":
		points, _ := get[[]int](m, 0)
		c.o.Tail = append(c.o.Tail, points...)
	case "runaway":
		c.o.Runaway, _ = get[int](m, 0)
		c.o.TimedOut = true
	case "declares":
		i, _ := get[int](m, 0)
		c.o.Declares = append(c.o.Declares, i)
	case "bottomless":
		c.o.OverFull = true
	case "used":
		c.used, _ = get[[]string](m, 0)
		c.o.Opened, c.o.Used = append(c.o.Opened, c.used...), true
	case "ended":
		c.ended = true
	case "last":
		c.o.Last, _ = get[string](m, 0)
	default:
		return c.hearSequence(m)
	}
	return nil
}

func asEvent(m message) (e event) {
	e.Test, _ = get[int](m, 0)
	e.Kind, _ = get[string](m, 1)
	e.Fatal, _ = get[bool](m, 2)
	e.Message, _ = get[string](m, 3)
	e.Name, _ = get[string](m, 4)
	return e
}

// hearSequence takes in what only a sequence says.
func (c *child) hearSequence(m message) error {
	switch m.kind {
	case "swap":
		return c.swap(m)
	case "prepared":
		c.common = c.k.opens.Take()
		c.o.Tests, c.o.Events, c.o.Started, c.o.Running = nil, nil, 0, -1 // of openers
		return c.goOn()
	case "used again":
		c.o.Opened = append(c.o.Opened, c.used...)
	case "rests":
		c.seen = append(c.k.opens.Take(), c.common...)
		return c.goOn()
	case "judged":
		clean, _ := get[bool](m, 0)
		c.endPart(outcome{Clean: clean})
	case "passed over":
		c.endPart(outcome{Clean: true, Void: true})
	case "void":
		c.o.Void = true
	case "learnt":
		c.o.States, _ = get[[][2]int](m, 0)
		c.o.Apart, _ = get[[]int](m, 1)
	case "over":
		c.o.Green, _ = get[bool](m, 0)
	}
	return nil
}

// endPart makes an outcome of what one mutant of a sequence had.
func (c *child) endPart(part outcome) {
	part.Tests, part.Events, part.Started, part.Running, part.Done = c.o.Tests, c.o.Events, c.o.Started, -1, true
	part.Opened, part.Seen, part.Used, part.Stage = append(c.o.Opened, c.seen...), c.seen, true, c.o.Stage
	c.o.Parts = append(c.o.Parts, part)
	c.o.Tests, c.o.Events, c.o.Opened, c.o.Started, c.o.Running, c.seen = nil, nil, nil, 0, -1, nil
	if len(c.o.Parts) == len(c.r.Sequence) {
		c.soft = false // what follows is unchanged code, which ends
	}
	c.phase(-1)
}

// swap puts the next mutant's file in place.
func (c *child) swap(m message) error {
	n, ok := get[int](m, 0)
	if !ok || n >= len(c.r.Swaps) {
		return nil
	}
	if err := c.k.view.Restore(); err != nil {
		return err
	}
	if n >= 0 {
		s := c.r.Swaps[n]
		if err := c.k.view.Swap(map[string][]byte{s.Path: s.Edit.Apply(c.r.Sources[s.Path])}); err != nil {
			return err
		}
	}
	c.k.opens.Settle()
	return c.goOn()
}

// goOn answers a child that waits.
func (c *child) goOn() error {
	c.phase(-1)
	c.peer.send(order{Op: "go"}) // it may have ended, and then it does not matter
	return nil
}

// heardSeveral takes in what several tests did: a negative value is -2 less the
// number of one that began, any other the time of the last when it ended.
func (c *child) heardSeveral(m message) {
	list, _ := get[[]int64](m, 0)
	for _, v := range list {
		if v >= 0 {
			if n := len(c.o.Tests); n > 0 {
				c.o.Tests[n-1].Time, c.o.Tests[n-1].Ended = v, true
			}
			c.o.Running, c.o.RunName = -1, ""
			c.phase(-1)
			continue
		}
		c.o.Running = int(-2 - v)
		c.o.Tests = append(c.o.Tests, testRun{Test: c.o.Running})
		c.o.Started++
		c.phase(c.o.Running)
	}
	if n := len(c.o.Tests); n > 0 && !c.o.Tests[n-1].Ended {
		c.o.RunName, _ = get[string](m, 1)
	}
}

func (c *child) heardEnd(m message) {
	if len(c.o.Tests) > 0 {
		t := &c.o.Tests[len(c.o.Tests)-1]
		t.Time, _ = get[int64](m, 1)
		t.Points, _ = get[map[int]int](m, 2)
		t.Files, _ = get[[]string](m, 3)
		t.Ended = true
	}
	c.o.Running, c.o.RunName = -1, ""
	c.phase(-1)
}

// phase begins a new stretch of time that has a limit of its own.
func (c *child) phase(test int) {
	c.phaseTest = test
	c.phaseWall = time.Now()
	c.phaseCPU = -1
}

// ownLimits is how long, in microseconds, a test may take where PHPUnit enforces
// time limits of its own: more than those of small and medium tests.
const ownLimits = 15_000_000

// overLimit reports whether the present phase has used more than its share,
// and notes which limit it was. Processor time decides, so that a busy machine
// does not matter; real time is for what waits without end, and is generous.
func (c *child) overLimit() bool {
	l := c.k.req.Limits
	if c.o.TimedOut || c.o.Suspect || c.o.OverFull || c.free {
		return false
	}
	if c.phaseCPU < 0 {
		c.phaseCPU = sandbox.CPUTime(c.pid) // at the first look, a tick late at most
	}
	wall := time.Since(c.phaseWall).Microseconds()
	known := int64(0)
	if c.phaseTest >= 0 && c.phaseTest < len(c.k.times) {
		known = c.k.times[c.phaseTest]
	} else if c.o.Stage < 1 && c.o.Started == 0 {
		known = c.k.opening // bootstrap and suite building
	}
	if wall < l.Soft+l.Factor*known {
		return false
	}
	cpu := sandbox.CPUTime(c.pid) - c.phaseCPU
	if c.k.facts.Fatal["time_limit"] {
		// PHPUnit ends a test that takes too long, and its word counts: some
		// suites stay green at that. Our limits are for what it cannot end.
		l.Hard, l.Wall = max(l.Hard, ownLimits), max(l.Wall, 2*ownLimits)
		c.soft = false
	}
	c.o.Suspect = c.soft && cpu > l.Soft+l.Factor*known
	c.o.TimedOut = cpu > l.Hard+l.Factor*known || wall > l.Wall+2*l.Factor*known
	return c.o.Suspect || c.o.TimedOut
}

// finish takes in what is still on the way once the process has ended.
func (c *child) finish() error {
	c.o.Wall = time.Since(c.began).Microseconds()
	c.kill() // its process group: what it left behind must not hold the connection
	if err := c.k.killLeftovers(); err != nil {
		return err
	}
	c.hearRest()
	if !c.o.Done && len(c.o.Events) == 0 && c.r.Mode != inOne && (c.ended || c.o.Signal == 0 && c.o.Exit >= 0 && c.o.Exit <= 2) {
		// It ended as PHPUnit does, yet did not say so: code that closes all
		// descriptors makes it connect again at the last moment.
		time.Sleep(lateConnection)
		c.hearRest()
	}
	if c.ended && c.o.Signal == int(syscall.SIGKILL) && !c.o.TimedOut && !c.o.Suspect && !c.o.OverFull {
		c.o.Signal, c.o.Exit = 0, 0
	}
	switch {
	case c.proc != nil:
		c.o.Output = c.proc.output.take()
	case c.k.php != nil:
		c.o.Output = c.k.php.output.take()
	}
	return nil
}
