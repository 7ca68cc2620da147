//go:build linux

package supervisor

import (
	"crypto/sha256"
	"encoding/hex"
	"io"
	"os"
	"path/filepath"
)

// mostHashed bounds, in bytes, how much of a file is looked at.
const mostHashed = 1 << 20

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
		addFile(out, name, filepath.Join(dir, c.Path))
	}
	return out, nil
}

// mostFiles bounds how many files below a directory that was made are looked at.
const mostFiles = 2000

// addFile notes a file or, where it is a directory that is new, all that is below it.
func addFile(out map[string]string, name, path string) {
	out[name] = fileDigest(path)
	entries, err := os.ReadDir(path)
	if err != nil {
		return
	}
	for _, e := range entries {
		if len(out) < mostFiles {
			addFile(out, name+"/"+e.Name(), filepath.Join(path, e.Name()))
		}
	}
}

func fileDigest(path string) string {
	info, err := os.Lstat(path)
	switch {
	case err != nil:
		return ""
	case !info.Mode().IsRegular():
		return info.Mode().String()
	}
	f, err := os.Open(path)
	if err != nil {
		return "unread " + info.Mode().String()
	}
	defer f.Close()
	h := sha256.New()
	io.Copy(h, io.LimitReader(f, mostHashed))
	return hex.EncodeToString(h.Sum(nil)[:8]) + info.Mode().String()
}

// clean kills what a replay left running and makes the view what it was.
func (s *supervisor) clean() error {
	if err := s.killLeftovers(); err != nil {
		return err
	}
	if s.replay != nil && s.replay.swapped {
		if err := s.onlyTexts(); err != nil {
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
