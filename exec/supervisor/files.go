//go:build linux

package supervisor

import "path/filepath"

// changedFiles gives the files that differ from what was accepted last, each with a
// digest of what it is now, "" for gone. Paths are "project/..." or "temp/...".
func (s *supervisor) changedFiles() (map[string]string, error) {
	changes, err := s.view.Damage()
	if err != nil || len(changes) == 0 {
		return nil, err
	}
	out := map[string]string{}
	for _, c := range changes {
		dir, name := s.view.Root(), "project/"+c.Path
		if c.Place != "project" {
			dir, name = c.Place, "temp/"+c.Path
		}
		if c.Path == "." || c.What == "times" {
			continue // of a directory in which something was made and taken away
		}
		s.digests.add(out, name, filepath.Join(dir, c.Path))
	}
	return out, nil
}

// clean kills what a replay left running and makes the view what it was.
func (s *supervisor) clean() error {
	if err := s.killLeftovers(); err != nil {
		return err
	}
	if s.replay != nil && s.replay.swapped {
		inPlace := s.onlyTexts
		if s.replay.own { // as likely as not the next wants that, too
			inPlace = s.putAway
		}
		if err := inPlace(); err != nil {
			return err
		}
	}
	changes, err := s.view.Damage()
	if err != nil || len(changes) == 0 {
		return err
	}
	err = s.view.Repair()
	s.opens.Settle()
	return err
}
