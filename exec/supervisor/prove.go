//go:build linux

package supervisor

import (
	"errors"
	"maps"
	"slices"
	"time"

	"assay/exec/wire"
)

// prove runs a process that records calls, or makes some, to its end.
func (s *supervisor) prove(p Prove, rep *reply) error {
	if err := s.putInPlace(Walk{Texts: p.Texts}); err != nil {
		return err
	}
	setup := s.setup()
	setup.Prove = &p.Setup
	if p.Setup.What == "record" { // processes that tests start have to know what the texts call
		setup.Spool = s.spool()
	}
	s.shield(s.first)
	var err error
	if s.walker, err = s.startPHP(setup); err != nil {
		return err
	}
	rep.Outcome = &Outcome{Running: -1, Exit: -1}
	err = s.proofs(p, rep)
	rep.Outcome.Output = s.walker.output.take()
	var changed map[string]string
	if p.Setup.What != "record" {
		var looking error
		changed, looking = s.changedFiles()
		err = errors.Join(err, looking)
		maps.DeleteFunc(changed, func(file, digest string) bool { built, is := p.Built[file]; return is && built == digest })
	}
	rep.Outcome.Opened = slices.Sorted(maps.Keys(changed))
	s.endWalkers()
	s.events = nil
	return errors.Join(err, s.killLeftovers(), s.view.Restore(), s.view.Repair())
}

// proofs takes in what the process tells until it ends.
func (s *supervisor) proofs(p Prove, rep *reply) error {
	w, o := s.walker, rep.Outcome
	hear := func(m wire.Message) error {
		switch m.Kind {
		case "calls", "proof":
			rep.Told = append(rep.Told, m.Text(0))
		case "recorded", "ended":
			o.Done = true
		case "last":
			o.Last = m.Text(0)
		case "unfit":
			return errors.New(m.Text(0))
		}
		return nil
	}
	deadline := time.NewTimer(time.Duration(p.Limit))
	defer deadline.Stop()
	for {
		select {
		case m := <-w.peer.messages:
			if err := hear(m); err != nil {
				return err
			}
		case <-w.exited:
			w.peer.drained(true)
			for len(w.peer.messages) > 0 {
				if err := hear(<-w.peer.messages); err != nil {
					return err
				}
			}
			noteExit(o, w.cmd)
			return nil
		case <-deadline.C:
			o.TimedOut = true
			return nil
		}
	}
}
