package exec

import (
	"maps"
	"path/filepath"
	"slices"
	"time"
	"unicode/utf8"

	"assay/exec/sandbox"
)

// lateStages are stages that lack one file each, made when the first mutant of
// that file comes, with the most recently used one last. They spare the mutants
// of a file that data providers load the building of the whole suite.
type lateStages struct {
	live []lateStage
	bad  map[string]bool // files of which there can be none
	none bool            // this PHPUnit's adapter makes no such stages
}

type lateStage struct {
	path string
	peer *peer
	pid  int
}

// mostLate bounds how many late stages are kept.
const mostLate = 3

func (l *lateStages) has(pid int) bool {
	return slices.ContainsFunc(l.live, func(s lateStage) bool { return s.pid == pid })
}

// lateStage gives the late stage of a file, or nil where there can be none.
func (k *keeper) lateStage(r runRequest) (*peer, error) {
	l := &k.late
	if !utf8.ValidString(k.view.Root() + "/" + r.Path) {
		return nil, nil // PHP could not be told which file it is about
	}
	if l.none || l.bad[r.Path] || len(r.Classes) == 0 || k.req.Setup.Probed {
		return nil, nil
	}
	if i := slices.IndexFunc(l.live, func(s lateStage) bool { return s.path == r.Path }); i >= 0 {
		s := l.live[i]
		l.live = slices.Delete(l.live, i, i+1)
		if !isClosed(s.peer.closed) {
			l.live = append(l.live, s)
			return s.peer, nil
		}
		k.board.forget(s.peer)
	}
	if len(l.live) == mostLate {
		k.endLate(l.live[0])
		l.live = slices.Delete(l.live, 0, 1)
	}
	s, ok, err := k.startLate(r)
	if err != nil || !ok {
		if l.bad == nil {
			l.bad = map[string]bool{}
		}
		l.bad[r.Path] = true
		return nil, err
	}
	l.live = append(l.live, s)
	return s.peer, k.view.Accept()
}

// startLate makes a late stage; ok is false when PHP says that it cannot be had.
func (k *keeper) startLate(r runRequest) (s lateStage, ok bool, err error) {
	s = lateStage{path: r.Path, peer: k.board.expect()}
	ids := make([]string, len(k.facts.Tests))
	for i, t := range k.facts.Tests {
		ids[i] = t.ID
	}
	k.serial++
	err = k.stage0.send(order{Op: "stage", ID: k.serial, Token: s.peer.token, Preload: k.earlyIn1(),
		Late: &lateOrder{Classes: r.Classes, File: filepath.Join(k.view.Root(), filepath.FromSlash(r.Path)), IDs: ids}})
	if err != nil {
		return s, false, err
	}
	deadline := time.After(startupTime)
	for {
		select {
		case m := <-s.peer.messages:
			switch m.kind {
			case "hello":
				s.pid, _ = get[int](m, 0)
			case "late":
				if ok, _ = get[bool](m, 0); !ok {
					k.endLate(s)
				}
				return s, ok, nil
			case "stage":
				k.late.none = true
				k.endLate(s)
				return s, false, nil
			}
		case <-s.peer.closed:
			if len(s.peer.messages) > 0 {
				continue
			}
			k.endLate(s)
			return s, false, nil
		case <-deadline:
			k.endLate(s)
			return s, false, nil
		}
	}
}

func (k *keeper) endLate(s lateStage) {
	if s.pid > 0 && sandbox.Alive(s.pid) {
		sandbox.KillGroup(s.pid)
	}
	k.board.forget(s.peer)
}

func (k *keeper) dropLate() {
	for _, s := range k.late.live {
		k.endLate(s)
	}
	k.late.live = nil
}

// heldBack gives the classes that must not be asked for while a suite is built
// without a file: those that it declares, and those that cannot be declared
// without them. Sorted; nil when the file declares none.
func (s *Survey) heldBack(path string) []string {
	s.lateMu.Lock()
	defer s.lateMu.Unlock()
	if classes, ok := s.held[path]; ok {
		return classes
	}
	if s.held == nil {
		s.held, s.heirs = map[string][]string{}, map[string][]string{}
		for _, p := range s.points {
			for class, needs := range p.Links {
				for _, n := range needs {
					s.heirs[n] = append(s.heirs[n], class)
				}
			}
		}
	}
	found := map[string]bool{}
	var add func(class string)
	add = func(class string) {
		if !found[class] {
			found[class] = true
			for _, heir := range s.heirs[class] {
				add(heir)
			}
		}
	}
	if p := s.points[path]; p != nil {
		for class := range p.Links {
			add(class)
		}
	}
	s.held[path] = slices.Sorted(maps.Keys(found))
	return s.held[path]
}
