//go:build linux

package main

import (
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"assay/mutate"
	"assay/report"
)

// The result of a project's last run is kept in the user's cache directory,
// so that single mutants can be looked at afterwards. Losing it costs nothing
// but that.

// lastRunPath gives the file for a project's root.
func lastRunPath(root string) (string, error) {
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256([]byte(root))
	return filepath.Join(cache, "assay", hex.EncodeToString(sum[:8])+".json.gz"), nil
}

// makeStateDir makes the directory of these files before anything else is done:
// it may lie in a project, and then its coming would be a change there. Who
// writes into it finds out where it cannot be had.
func makeStateDir() {
	if path, err := lastRunPath(""); err == nil {
		os.MkdirAll(filepath.Dir(path), 0o700)
	}
}

// saveLastRun keeps a result for showing.
func saveLastRun(r *mutate.Result) error {
	path, err := lastRunPath(r.Root)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return err
	}
	return keepDocument(report.Describe(r, report.Options{Timings: true, Tests: true}), path)
}

// saveDocument keeps what has been added to a last run.
func saveDocument(d *report.Document, root string) error {
	path, err := lastRunPath(root)
	if err != nil {
		return err
	}
	return keepDocument(d, path)
}

func keepDocument(d *report.Document, path string) error {
	return report.WriteFile(path, func(w io.Writer) error {
		z := gzip.NewWriter(w)
		return errors.Join(d.Write(z), z.Close())
	})
}

// lastRun gives the result that saveLastRun kept, or nil when there is none.
func lastRun(root string) (*report.Document, error) {
	path, err := lastRunPath(root)
	if err != nil {
		return nil, err
	}
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	d, err := report.ReadJSON(z)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return d, nil
}
