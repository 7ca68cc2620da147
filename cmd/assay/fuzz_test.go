//go:build linux

package main

import (
	"os"
	"path/filepath"
	"testing"
)

// FuzzConfig: whatever assay.toml holds, reading it does not panic, and the place of a value
// is found.
func FuzzConfig(f *testing.F) {
	f.Add([]byte("paths = ['src']\njobs = 3\nwrite = [\"json=x\"]\n"))
	f.Add([]byte("memory-limit = 'x'\n[table]\nallow-connect = [1, 'a']\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		c := &configFile{path: "assay.toml", text: text, given: map[string]bool{}}
		c.values, c.err = c.decode()
		c.refusedPair()
		for _, key := range configKeys() {
			c.place(key, "x")
		}
		c.paths()
	})
}

// FuzzAccepted: whatever assay.accepted holds, reading it does not panic, and what is read
// and written is read as the same.
func FuzzAccepted(f *testing.F) {
	f.Add([]byte(acceptHead + "# why\nKiln.tooHot.boundary-included.zngkm a4m93gjwib src/Kiln.php because nobody reads it\n"))
	f.Add([]byte("<<<<<<< ours\n=======\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		l, err := parseAccepted(text)
		if err != nil {
			return
		}
		again, err := parseAccepted([]byte(l.text()))
		if err != nil {
			t.Fatalf("%v, of what was written:\n%s", err, l.text())
		}
		if len(again.entries) != len(l.entries) {
			t.Fatalf("%d entries, then %d", len(l.entries), len(again.entries))
		}
		for i, e := range l.entries {
			if o := again.entries[i]; e.id != o.id || e.unit != o.unit || e.path != o.path || e.reason != o.reason {
				t.Fatalf("%+v, then %+v", e, o)
			}
		}
	})
}

// FuzzJournal: whatever a journal holds, reading it does not panic, and only whole records
// count.
func FuzzJournal(f *testing.F) {
	line := func(body string) string { return checksum([]byte(body)) + " " + body + "\n" }
	f.Add([]byte(line(journalVersion+"key") + line(`{"id":"a","status":"killed"}`) + "torn"))
	f.Add([]byte(line(journalVersion+"other") + line(`{"id":"a"}`)))
	f.Add([]byte(line(journalVersion+"key") + line(`[]`)))
	f.Fuzz(func(t *testing.T, text []byte) {
		path := filepath.Join(t.TempDir(), "journal")
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		file, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer file.Close()
		j := &journal{path: path, file: file, known: map[string]keptVerdict{}}
		if err := j.read("key"); err == nil && (j.end < 0 || j.end > int64(len(text)) || j.end > 0 && text[j.end-1] != '\n') {
			t.Fatalf("%d of %d bytes count", j.end, len(text))
		}
	})
}
