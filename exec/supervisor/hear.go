//go:build linux

package supervisor

import (
	"errors"
	"slices"

	"assay/exec/sandbox"
	"assay/exec/wire"
)

// hear takes in one message of the replay.
func (c *replay) hear(m wire.Message) error {
	c.heard = true
	o := c.o
	switch m.Kind {
	case "hello":
		if c.pid == 0 {
			c.pid = m.Number(0)
		}
	case "unfit":
		return errors.New(m.Text(0))
	case "suite":
		suite, err := wire.ReadSuite(m)
		o.Suite = &suite
		c.s.limits = suite.Fatal
		return err
	case "at":
		return c.hearStop(m)
	case "start":
		c.begin(m.Number(0), m.Text(1))
	case "ran":
		return c.hearSeveral(m)
	case "end":
		if n := len(o.Tests); n > 0 {
			t := &o.Tests[n-1]
			t.Time, t.Assertions, t.Ended = int64(m.Number(1)), m.Number(2), true
		}
		o.Running, o.RunName = -1, ""
		c.phase(-1)
	case "event":
		e, err := wire.ReadEvent(m)
		o.Events = append(o.Events, e)
		return err
	case "part":
		return c.hearPart(m)
	case "swap":
		return c.swapNext(m.Number(0))
	case "runaway":
		o.TimedOut, o.Spent = true, true
	case "bottomless":
		o.Exceeded = true
	case "done":
		o.Done = true
	case "last":
		o.Last = m.Text(0)
	case "ended":
		o.Ended = true
	}
	return nil
}

func (c *replay) begin(test int, name string) {
	c.ran = true
	c.o.Tests = append(c.o.Tests, TestRun{Test: test, Name: name})
	c.o.Running, c.o.RunName = test, name
	c.phase(test)
}

// hearSeveral takes in what several tests did: a negative value is -2 less the
// number of one that began, any other the time of the last when it ended.
func (c *replay) hearSeveral(m wire.Message) error {
	var list []int64
	var name string
	if err := m.Read(&list, &name); err != nil {
		return err
	}
	o := c.o
	for _, v := range list {
		if v < 0 {
			c.begin(int(-2-v), "")
			continue
		}
		if n := len(o.Tests); n > 0 {
			o.Tests[n-1].Time, o.Tests[n-1].Ended = v, true
		}
		o.Running, o.RunName = -1, ""
		c.phase(-1)
	}
	if n := len(o.Tests); n > 0 && !o.Tests[n-1].Ended {
		o.RunName, o.Tests[n-1].Name = name, name
	}
	return nil
}

// hearStop notes where the replay waits.
func (c *replay) hearStop(m wire.Message) (err error) {
	stop := &Stop{}
	if err := m.Read(&stop.Boundary, &stop.Changes, &stop.Held); err != nil {
		return err
	}
	stop.Files, err = c.s.changedFiles()
	c.o.Stop = stop
	c.o.Opened = append(c.o.Opened, c.s.opens.Take()...)
	c.phase(-1)
	return err
}

// hearPart takes in the end of one mutant of a batch, and lets the next begin.
func (c *replay) hearPart(m wire.Message) (err error) {
	part := Part{}
	var k int
	if err := m.Read(&k, &part.Changes, &part.Held, &part.Entered, &part.Left); err != nil {
		return err
	}
	o := c.o
	part.Tests, part.Events = slices.Clone(o.Tests[c.first:]), slices.Clone(o.Events[c.events:])
	c.first, c.events = len(o.Tests), len(o.Events)
	part.Opened, part.CPU = c.s.opens.Take(), sandbox.CPUTime(c.pid)
	if part.Files, err = c.s.changedFiles(); err != nil {
		return err
	}
	o.Parts = append(o.Parts, part)
	if k+1 == len(c.r.Job.Parts) {
		c.soft = 0
	}
	if len(part.Files) > 0 {
		sandbox.KillGroup(c.pid) // the next must not find them; finishing puts them right
		o.Ended = true
		return nil
	}
	c.answer()
	return nil
}

// swapNext puts the next mutant's file in place.
func (c *replay) swapNext(k int) error {
	c.swapped = true
	if err := c.s.onlyTexts(); err != nil {
		return err
	}
	if k >= 0 && k < len(c.r.Edits) && c.r.Edits[k].Path != "" {
		e := c.r.Edits[k]
		if err := c.s.view.Swap(map[string][]byte{e.Path: e.Edit.Apply(c.r.Sources[e.Path])}); err != nil {
			return err
		}
	}
	c.s.opens.Settle()
	c.answer()
	return nil
}

// answer lets a batch go on.
func (c *replay) answer() {
	c.phase(-1)
	c.peer.send(wire.Order{Op: "go"}) // it may have ended, and then that shows
}
