//go:build linux

package main

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"assay/mutate"
	"assay/mutate/project"
)

// edited gives a note for each source file, and each test file, that was
// written since the project was read: nobody knows which text a test saw, and the places of
// mutants are those of the text that was read.
func (c *codebase) edited(r *mutate.Result) []mutate.Note {
	var notes []mutate.Note
	seen := map[string]bool{}
	note := func(path string, text []byte) {
		if seen[path] {
			return
		}
		seen[path] = true
		if c.isEdited(path, text) {
			notes = append(notes, mutate.Note{Kind: "edited", Path: path,
				Text: "This file was changed while the run went on: its verdicts may be about either text. Run assay again."})
		}
	}
	for _, v := range r.Verdicts {
		note(v.Mutant.Source.Path, v.Mutant.Source.Text)
	}
	for _, path := range slices.Concat(c.Files, c.Tests) {
		note(path, nil)
	}
	slices.SortFunc(notes, func(a, b mutate.Note) int { return strings.Compare(a.Path, b.Path) })
	return notes
}

// isEdited reports whether a file has been written since the project was read, or has
// another text; nil is any text.
func (c *codebase) isEdited(path string, text []byte) bool {
	if !filepath.IsAbs(path) {
		path = filepath.Join(c.Root, filepath.FromSlash(path))
	}
	info, err := os.Stat(path)
	if err != nil {
		return true
	}
	// A time that has not come yet says nothing.
	if m := info.ModTime(); m.After(c.began) && m.Before(time.Now().Add(time.Second)) {
		return true
	}
	if text == nil {
		return false
	}
	if !info.Mode().IsRegular() || info.Size() != int64(len(text)) {
		return true
	}
	now, err := project.ReadFile(path)
	return err != nil || !bytes.Equal(now, text)
}
