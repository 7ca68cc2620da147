package project

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"syscall"
)

// errNoFile is that of ReadFile for a pipe, a device and the like.
var errNoFile = errors.New("it is no regular file")

// ReadFile is os.ReadFile for regular files alone: for a pipe it does not wait until somebody
// writes to it, nor does it read a device without end.
func ReadFile(path string) ([]byte, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, &fs.PathError{Op: "read", Path: path, Err: errNoFile}
	}
	return io.ReadAll(f)
}
