//go:build linux

package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"os"
	osexec "os/exec"
	"path/filepath"
	"time"

	"assay/exec/pool"
)

// keptFor is how long a worker keeps archives that it has fetched, from their last use on: most
// runs of a project have the same packages.
const keptFor = 7 * 24 * time.Hour

// keptDir is the folder of these, in the user's cache directory.
func keptDir() (string, error) {
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", err
	}
	dir := filepath.Join(cache, "assay", "pool")
	return dir, os.MkdirAll(dir, 0o700)
}

// fetchKept gives an archive, which it fetches where it is not there yet. Without a place to keep
// it, it is in the work directory.
func (s *workshop) fetchKept(ctx context.Context, f pool.File, fetch pool.Fetch) (*os.File, error) {
	dir, err := keptDir()
	if err != nil {
		dir = s.work.Path
	}
	dropOld(dir)
	path := filepath.Join(dir, f.Sum)
	if have, err := os.Open(path); err == nil {
		if isAsNamed(have, f) {
			now := time.Now()
			os.Chtimes(path, now, now) // else it goes sooner, and is fetched again
			return have, nil
		}
		have.Close()
	}
	made, err := os.CreateTemp(dir, ".fetching-")
	if err != nil {
		return nil, err
	}
	err = fetch(ctx, f, made)
	if err == nil {
		err = os.Rename(made.Name(), path)
	}
	if err == nil {
		_, err = made.Seek(0, io.SeekStart)
	}
	if err != nil {
		os.Remove(made.Name())
		return nil, errors.Join(err, made.Close())
	}
	return made, nil
}

// isAsNamed reports whether a file is what its name says, and goes back to its beginning.
func isAsNamed(f *os.File, want pool.File) bool {
	h := sha256.New()
	n, err := io.Copy(h, f)
	if err != nil || n != want.Size || hex.EncodeToString(h.Sum(nil)) != want.Sum {
		return false
	}
	_, err = f.Seek(0, io.SeekStart)
	return err == nil
}

// dropOld removes what was not used for long, and what was not fetched to its end.
func dropOld(dir string) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return
	}
	for _, e := range entries {
		if info, err := e.Info(); err == nil && info.Mode().IsRegular() && time.Since(info.ModTime()) > keptFor {
			os.Remove(filepath.Join(dir, e.Name()))
		}
	}
}

// phpFor finds PHP as a run does.
func phpFor(name string) (string, error) {
	if name == "" {
		name = "php"
	}
	return osexec.LookPath(name)
}
