package project

import (
	"os"
	"path/filepath"
	"strings"
)

// below gives path relative to dir when it is dir or lies below it.
func below(dir, path string) (string, bool) {
	r, err := filepath.Rel(dir, path)
	if err != nil || r == ".." || strings.HasPrefix(r, ".."+string(filepath.Separator)) {
		return "", false
	}
	return r, true
}

// walker lists the files below a directory. It enters no directory twice and
// skips hidden ones, as PHPUnit does.
type walker struct {
	within  string          // follow no symbolic link out of this real directory
	skip    map[string]bool // real directories, and names, not to be entered
	entered map[string]bool
	file    func(real string)       // called with each file's real path
	odd     func(real, what string) // called with what is neither a file nor a directory
	problem func(path, what string)
}

// walk takes a directory by its real path.
func (w *walker) walk(dir string) {
	if w.entered[dir] || w.skip[dir] {
		return
	}
	w.entered[dir] = true
	entries, err := os.ReadDir(dir)
	if err != nil {
		w.problem(dir, "cannot be read ("+reason(err)+")")
	}
	for _, e := range entries {
		path, kind := filepath.Join(dir, e.Name()), e.Type()
		if kind&os.ModeSymlink != 0 {
			if path, kind = w.follow(path); path == "" {
				continue
			}
		}
		switch {
		case kind.IsDir():
			if !strings.HasPrefix(e.Name(), ".") && !w.skip[e.Name()] {
				w.walk(path)
			}
		case kind.IsRegular():
			w.file(path)
		default:
			w.odd(path, kindOf(kind))
		}
	}
}

// follow gives the place that a symbolic link leads to, or "".
func (w *walker) follow(link string) (string, os.FileMode) {
	real, err := filepath.EvalSymlinks(link)
	if err != nil {
		w.problem(link, "is a symbolic link that leads nowhere, or round in a circle")
		return "", 0
	}
	info, err := os.Stat(real)
	if err != nil {
		w.problem(link, "cannot be read ("+reason(err)+")")
		return "", 0
	}
	if _, ok := below(w.within, real); !ok {
		if info.IsDir() || strings.HasSuffix(link, ".php") {
			w.problem(link, "is a symbolic link to a place outside the project ("+real+")")
		}
		return "", 0
	}
	return real, info.Mode().Type()
}

// kindOf says what kind of thing something is that is neither a file nor a directory.
func kindOf(kind os.FileMode) string {
	switch {
	case kind&os.ModeNamedPipe != 0:
		return "a named pipe"
	case kind&os.ModeSocket != 0:
		return "a socket"
	}
	return "a device"
}
