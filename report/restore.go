package report

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"

	"assay/mutate"
)

// SourceLost is the kind of notes about files that are not what was judged any more.
const SourceLost = "source_lost"

// Restore makes a result of a document whose files may have changed since, or
// gone. read gives the text of a file by its path in the document. Of a file
// that is not the one that was judged only the text of the edits is known:
// it gets a text in which every edit stands at its place, blanks for all the
// rest, and a note of the kind [SourceLost]. lost names these files; in them
// the hash of the text means nothing.
func (d *Document) Restore(read func(path string) ([]byte, error), ops []*mutate.Operator) (r *mutate.Result, lost []string, err error) {
	var notes []mutate.Note
	r, err = d.result(func(path string) ([]byte, error) {
		f := d.File(path)
		text, fault := read(path)
		if fault == nil && f.Fits(text) {
			return text, nil
		}
		said := "has changed since it was judged"
		if fault != nil {
			said = "cannot be read any more"
		}
		lost = append(lost, path)
		notes = append(notes, mutate.Note{Kind: SourceLost, Path: path,
			Text: "This file " + said + ": of its lines only the text that mutants replace is shown."})
		return d.standIn(f)
	}, ops)
	if r != nil {
		r.Notes = append(r.Notes, notes...)
	}
	return r, lost, err
}

// standIn builds a text of the file's size from the edits that are known.
func (d *Document) standIn(f *FileEntry) ([]byte, error) {
	var es []*Entry
	for i := range d.Mutants {
		if d.Mutants[i].File == f.Path {
			es = append(es, &d.Mutants[i])
		}
	}
	slices.SortStableFunc(es, func(a, b *Entry) int { return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(a.End, b.End)) })
	text, known := bytes.Repeat([]byte{' '}, f.Bytes), make([]bool, f.Bytes)
	put := func(at int, s string) {
		copy(text[at:], s)
		for i := range len(s) {
			known[at+i] = true
		}
	}
	for _, e := range es {
		before, err := e.before()
		if err != nil {
			return nil, err
		}
		begin := e.Start - e.Column + 1 // of the line
		if e.Start < 0 || e.End > f.Bytes || e.End-e.Start != len(before) || begin < 0 || (begin == 0) != (e.Line == 1) {
			return nil, fmt.Errorf("mutant %s: its place in %s is not possible", e.ID, f.Path)
		}
		put(e.Start, before)
		if begin > 0 {
			put(begin-1, "\n")
		}
	}
	for _, e := range es {
		at := e.Start - e.Column
		missing := e.Line - 1 - bytes.Count(text[:e.Start], []byte("\n"))
		for ; missing > 0 && at >= 0; at-- {
			if !known[at] {
				put(at, "\n")
				missing--
			}
		}
		if missing != 0 {
			return nil, fmt.Errorf("mutant %s: line %d of %s is not where it says", e.ID, e.Line, f.Path)
		}
	}
	return text, nil
}
