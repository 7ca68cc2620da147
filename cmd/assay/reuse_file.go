//go:build linux

package main

import (
	"bufio"
	"cmp"
	"compress/gzip"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"assay/report"
)

// A volume is a file of verdicts: of a run in one piece, or of a part. It is text in gzip: a
// line for the whole, then a line a verdict.
type volume struct {
	path string
	info fs.FileInfo // when it was read
	head memoryHead
	kept map[string]keptVerdict // by mutant ID
	news *news                  // what has come and gone in the project since
}

// readVolume reads a file of verdicts. It may be replaced meanwhile: what is read is whole.
func readVolume(path string) (*volume, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	v := &volume{path: path, kept: map[string]keptVerdict{}}
	if v.info, err = f.Stat(); err != nil {
		return nil, err
	}
	z, err := gzip.NewReader(bufio.NewReader(f))
	if err != nil {
		return nil, err
	}
	lines := json.NewDecoder(z)
	if err := lines.Decode(&v.head); err != nil {
		return nil, err
	}
	if v.head.Version != memoryVersion {
		return nil, errors.New("another assay wrote them")
	}
	for {
		var k keptVerdict
		err := lines.Decode(&k)
		if err == io.EOF {
			return v, nil
		}
		if err != nil {
			return nil, err
		}
		v.kept[k.ID] = k
	}
}

// write puts a volume in place, whole or not at all.
func (v *volume) write() error {
	if err := os.MkdirAll(filepath.Dir(v.path), 0o700); err != nil {
		return err
	}
	return report.WriteFile(v.path, func(w io.Writer) error {
		z := gzip.NewWriter(w)
		lines := json.NewEncoder(z)
		if err := lines.Encode(v.head); err != nil {
			return err
		}
		for _, id := range sortedKeys(v.kept) {
			if err := lines.Encode(v.kept[id]); err != nil {
				return err
			}
		}
		return z.Close()
	})
}

// removeUnlessNew removes the file, unless it has been written since it was read.
func (v *volume) removeUnlessNew() error {
	info, err := os.Stat(v.path)
	if err != nil || !os.SameFile(info, v.info) || !info.ModTime().Equal(v.info.ModTime()) {
		return nil // it is gone, or another
	}
	return os.Remove(v.path)
}

// takeIn adds the verdicts of older volumes that stay: those on files that are what they
// were, if the project has the same files; names leaves out of a list of files what this
// program wrote. Of two verdicts on a mutant the newer one stays: a volume that is newer may
// hold an older one, which its run was not about.
func (v *volume) takeIn(older []*volume, names func([]string) []string) {
	newestFirst(older)
	if v.head.Files == nil {
		v.head.Files = map[string]string{}
	}
	for _, o := range older {
		if !slices.Equal(names(v.head.Names), names(o.head.Names)) {
			continue
		}
		for id, k := range o.kept {
			sum, here := v.head.Files[k.File]
			if !here {
				sum = o.head.Files[k.File]
				v.head.Files[k.File] = sum
			}
			if own, known := v.kept[id]; sum == o.head.Files[k.File] && (!known || own.When < k.When) {
				v.kept[id] = k
			}
		}
	}
}

func newestFirst(list []*volume) {
	slices.SortStableFunc(list, func(a, b *volume) int {
		return cmp.Or(b.head.When.Compare(a.head.When), cmp.Compare(a.path, b.path))
	})
}
