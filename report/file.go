package report

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
)

// WriteFile writes a file whole or not at all: into a temporary file beside
// it, which then takes its place. A folder that is missing is not made.
func WriteFile(path string, write func(io.Writer) error) (err error) {
	if info, e := os.Stat(path); e == nil && !info.Mode().IsRegular() {
		return writeInto(path, info, write)
	}
	mode := fs.FileMode(0o644)
	if info, e := os.Stat(path); e == nil {
		mode = info.Mode().Perm()
		if path, e = filepath.EvalSymlinks(path); e != nil {
			return cannot(path, e)
		}
	}
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return cannot(path, err)
	}
	unfinished.Store(f.Name(), true)
	defer func() {
		if unfinished.Delete(f.Name()); err != nil {
			os.Remove(f.Name())
		}
	}()
	if err := errors.Join(write(f), f.Chmod(mode), f.Close()); err != nil {
		return cannot(path, err)
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return cannot(path, err)
	}
	return nil
}

// unfinished has the names of the temporary files that are being written.
var unfinished sync.Map

// Abandon removes what is being written, for a process that is about to end at once.
func Abandon() {
	unfinished.Range(func(name, _ any) bool {
		os.Remove(name.(string))
		return true
	})
}

// writeInto serves /dev/stdout, pipes and other files that cannot be replaced.
func writeInto(path string, info fs.FileInfo, write func(io.Writer) error) error {
	if info.IsDir() {
		return fmt.Errorf("cannot write %s: it is a folder; name a file in it", path)
	}
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		return cannot(path, err)
	}
	if err := errors.Join(write(f), f.Close()); err != nil {
		return cannot(path, err)
	}
	return nil
}

func isFolder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

func cannot(path string, err error) error {
	var at *fs.PathError
	switch {
	case errors.Is(err, fs.ErrNotExist) && !isFolder(filepath.Dir(path)):
		return fmt.Errorf("cannot write %s: there is no folder %s; make it first", path, filepath.Dir(path))
	case errors.As(err, &at):
		return fmt.Errorf("cannot write %s: %w", path, at.Err)
	}
	return fmt.Errorf("cannot write %s: %w", path, err)
}
