//go:build linux

package exec

import (
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"
)

// What tests write to places that --allow-write names is not put back, and is there for the
// tests of the next mutant: a file that the unchanged code has made spares the changed code
// the work. Where the suite changes something there, each mutant has the whole suite run on
// it, as a person would run it, and one worker at a time.

// mostInPlaces bounds how many files of these places are looked at; where there are more
// they count as changed.
const mostInPlaces = 100_000

// lookAtPlaces says what there is in the places that tests may write to: names, sizes and
// times of change.
func (e *Engine) lookAtPlaces() string {
	var b strings.Builder
	n := 0
	for _, place := range e.set.AllowWrite {
		filepath.WalkDir(place, func(path string, d fs.DirEntry, err error) error {
			if n++; n > mostInPlaces {
				return filepath.SkipAll
			}
			if err == nil {
				if info, err := d.Info(); err == nil {
					fmt.Fprintf(&b, "%s %d %d %v\n", path, info.Size(), info.ModTime().UnixNano(), info.Mode())
					return nil
				}
			}
			fmt.Fprintf(&b, "%s %v\n", path, err)
			return nil
		})
	}
	if n > mostInPlaces {
		return ""
	}
	return b.String()
}

// notePlaces notes whether a run of the suite has changed something in these places.
func (e *Engine) notePlaces(before string) {
	if len(e.set.AllowWrite) > 0 && (before == "" || before != e.lookAtPlaces()) {
		e.changesPlaces.Store(true)
	}
}
