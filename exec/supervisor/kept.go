//go:build linux

package supervisor

import (
	"fmt"
	"maps"
	"slices"

	"assay/exec/wire"
)

// keptWalker is a walker that stays where it stands while a process that was forked from it goes
// on, so that nobody has to walk there again.
type keptWalker struct {
	*process
	at    int
	texts map[string][]byte // in place for it; see supervisor.texts
}

// isKept reports whether the walker that stands stays where it is.
func (s *supervisor) isKept() bool {
	return slices.ContainsFunc(s.kept, func(k keptWalker) bool { return k.process == s.walker })
}

// keep keeps the walker.
func (s *supervisor) keep() {
	if !s.isKept() {
		s.kept = append(s.kept, keptWalker{s.walker, s.at, maps.Clone(s.texts)})
	}
}

// goBack has a walker stand that was kept, and stays so.
func (s *supervisor) goBack(r Return) (*Stop, error) {
	n := slices.IndexFunc(s.kept, func(k keptWalker) bool { return k.at == r.Boundary })
	if n < 0 {
		return nil, fmt.Errorf("no walker was kept at boundary %d", r.Boundary)
	}
	if !s.isKept() {
		s.end(s.walker)
	}
	k := s.kept[n]
	s.walker, s.at, s.texts = k.process, k.at, maps.Clone(k.texts)
	if err := s.onlyTexts(); err != nil {
		return nil, err
	}
	if err := s.walker.peer.send(wire.Order{Op: "look"}); err != nil {
		return nil, err
	}
	return s.stand()
}

// keptProcesses are the walkers that were kept.
func (s *supervisor) keptProcesses() []*process {
	var out []*process
	for _, k := range s.kept {
		out = append(out, k.process)
	}
	return out
}

// lasting are the processes that outlive a replay.
func (s *supervisor) lasting() []*process { return append(s.keptProcesses(), s.first, s.walker) }

// endKept ends the walkers that were kept, but for the one that stands.
func (s *supervisor) endKept() {
	for _, p := range s.keptProcesses() {
		if p != s.walker {
			s.end(p)
		}
	}
	s.kept = nil
}

// endWalkers ends all walkers.
func (s *supervisor) endWalkers() {
	s.endKept()
	s.end(s.walker)
	s.walker = nil
}
