//go:build linux

package exec

import (
	"fmt"
	"os"
	osexec "os/exec"
	"time"
)

// phpFile is a file that PHP is started from, as it was when the engine was
// opened.
type phpFile struct {
	path string
	size int64
	time time.Time
}

// notePHP remembers the files that PHP is started from: the one that is called,
// and the binary behind it, which is another one if that is a script.
func (e *Engine) notePHP(binary string) error {
	called, err := osexec.LookPath(e.set.PHP)
	if err != nil {
		return err
	}
	for _, path := range []string{called, binary} {
		info, err := os.Stat(path)
		if err != nil {
			if path == called {
				return err
			}
			continue // PHP does not always know where it lies
		}
		e.phpFiles = append(e.phpFiles, phpFile{path, info.Size(), info.ModTime()})
	}
	return nil
}

// samePHP gives a *ProjectError if PHP is no longer what it was, and so is not
// sure to have been while a test ran: tests start PHP, too, and one that fails
// because it is gone has not noticed a change. Removing a package, or bringing
// it up to date, does that to a long run.
func (e *Engine) samePHP() error {
	for _, f := range e.phpFiles {
		now, err := os.Stat(f.path)
		what := "was changed"
		switch {
		case err != nil:
			what = fmt.Sprintf("has gone (%v)", err)
		case now.Size() == f.size && now.ModTime().Equal(f.time):
			continue
		}
		return &ProjectError{fmt.Sprintf("%s %s while tests were run with it", f.path, what),
			"With PHP back as it was, `assay run --resume` goes on with what was decided before."}
	}
	return nil
}
