//go:build field

package main

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"assay/mutate/syntax"
)

// maxUnread is the share of lines that may be left unread.
const maxUnread = 1.0 / 20_000

// TestFieldUnread counts the lines of the projects that cannot be read: of every file
// that is called .php, vendor and tests too, as assay reads them, with the PHP on PATH.
// A line counts that has a byte of what is left alone; data behind __halt_compiler
// are no code. What PHP itself refuses is named apart.
func TestFieldUnread(t *testing.T) {
	o := fieldEnvironment(t)
	reader := &reader{php: "php"}
	defer reader.close()
	files, lines, unread := 0, 0, 0
	for name := range strings.SplitSeq(os.Getenv("FIELD_NAMES"), ",") {
		ofProject, read := unread, lines
		err := filepath.WalkDir(filepath.Join(o.dir, "projects", name), func(path string, d fs.DirEntry, err error) error {
			if err != nil || !d.Type().IsRegular() || !strings.HasSuffix(path, ".php") {
				return err
			}
			text, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			files++
			n := 1 + bytes.Count(text, []byte("\n"))
			lines += n
			f, err := reader.read(t.Context(), path, text)
			if err != nil {
				t.Logf("%s: %v", path, err)
				unread += n
				return nil
			}
			left := linesLeft(f)
			for _, line := range left {
				t.Logf("%s:%d: %s", path, line, f.Line(line))
			}
			unread += len(left)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: %d lines, %d unread", name, lines-read, unread-ofProject)
	}
	t.Logf("all: %d files, %d lines, %d unread", files, lines, unread)
	if float64(unread) > maxUnread*float64(lines) {
		t.Errorf("%d of %d lines cannot be read, more than 1 in 20,000", unread, lines)
	}
	if reader.fault != nil {
		t.Error(reader.fault)
	}
}

// linesLeft gives the lines of a file that have something of what is left alone.
func linesLeft(f *syntax.File) []int {
	var out []int
	for _, d := range slices.Concat(f.Damage, f.Doubts) {
		if d.Start >= f.HaltOffset() {
			continue
		}
		from, _ := f.Position(d.Start)
		to, _ := f.Position(max(d.Start, d.End-1))
		for line := from; line <= to; line++ {
			out = append(out, line)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
