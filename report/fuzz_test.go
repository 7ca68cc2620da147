package report

import (
	"bytes"
	"errors"
	"io"
	"testing"
)

// FuzzResult: whatever the bytes, reading a result does not panic, and what is read can be
// shown and written in every format but one, without the sources.
func FuzzResult(f *testing.F) {
	for _, timings := range []bool{false, true} {
		f.Add(printed(f, Formats()[1], fixture(f), Options{Timings: timings}))
	}
	part := fixture(f)
	part.Part = partOfOne(part)
	f.Add(printed(f, Formats()[1], part, Options{}))
	f.Add([]byte(`{"format": "assay result", "schema_version": 3}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		d, err := ReadJSON(bytes.NewReader(text))
		if err != nil {
			return
		}
		size := 0
		for _, e := range d.Files {
			size += e.Bytes
		}
		if size > 1<<20 {
			return // it may be, and takes its time
		}
		if d.Part != nil && CheckParts([]string{"a"}, []*Document{d}, true) == nil {
			d = Merge([]*Document{d})
		}
		r, _, err := d.Restore(func(string) ([]byte, error) { return nil, errors.New("gone") }, fixtureOps)
		if err != nil {
			return
		}
		for _, format := range Formats() {
			if format.Name == "html" {
				continue // its page is large, and the data in it are those of json
			}
			if err := format.Write(io.Discard, r, Options{}); err != nil {
				t.Errorf("%s: %v", format.Name, err)
			}
		}
	})
}

// FuzzHistory: whatever the bytes, reading a history does not panic, and what is read can be
// shown.
func FuzzHistory(f *testing.F) {
	f.Add([]byte(`{"format":"` + HistoryFormat + `","when":"2026-01-02T03:04:05Z","scope":"a","new":["x"],"gone":["y"]}` + "\n"))
	f.Add([]byte("<<<<<<< ours\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		records, err := ReadHistory(bytes.NewReader(text))
		if err != nil || len(records) == 0 {
			return
		}
		same, others := Comparable(records, 3)
		if err := HistoryText(io.Discard, same, others, Options{}); err != nil {
			t.Error(err)
		}
		if err := HistoryHTML(io.Discard, same, TrendOptions{Project: "fuzz", Others: others}); err != nil {
			t.Error(err)
		}
	})
}
