//go:build linux

package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// checkWritable says why a file could not be written after a long run, as far as that can be
// known without a trace.
func checkWritable(path string) error {
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		if info.Mode().Type() != fs.ModeDevice|fs.ModeCharDevice {
			return nil // a pipe, say: to open it may take a reader
		}
		f, err := os.OpenFile(path, os.O_WRONLY, 0)
		if err != nil {
			return unwritable(path, err)
		}
		defer f.Close()
		if err := takesBytes(f); err != nil {
			return unwritable(path, err)
		}
		return nil
	}
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	dir := filepath.Dir(path)
	fd, err := unix.Open(dir, unix.O_TMPFILE|unix.O_WRONLY|unix.O_CLOEXEC, 0o600) // a file without a name
	if err == nil {
		return unix.Close(fd)
	}
	if !errors.Is(err, unix.EOPNOTSUPP) && !errors.Is(err, unix.EISDIR) && !errors.Is(err, unix.EINVAL) && !errors.Is(err, unix.ENOENT) {
		return unwritable(path, err)
	}
	// Nothing can be tried there.
	var st unix.Statfs_t
	if unix.Statfs(dir, &st) == nil && (st.Type == unix.PROC_SUPER_MAGIC || st.Type == unix.SYSFS_MAGIC) {
		return unwritable(path, errors.New("no files are made there"))
	}
	if err := unix.Access(dir, unix.W_OK|unix.X_OK); err != nil {
		return unwritable(path, err)
	}
	return nil
}

// takesBytes reports why nothing can be written to an open file that is no regular one, as to
// /dev/full. It writes no byte.
func takesBytes(f *os.File) error {
	_, err := unix.Write(int(f.Fd()), nil)
	return err
}

func unwritable(path string, err error) error {
	var at *fs.PathError
	if errors.As(err, &at) {
		err = at.Err
	}
	return fmt.Errorf("cannot write %s: %w", path, err)
}
