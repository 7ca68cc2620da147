package report

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"assay/mutate"
)

// What a saved result does not hold is the text of the files. Without it every
// mutant keeps its place and its text, and the reader is told.
func TestRestoreWithoutTheSources(t *testing.T) {
	want := fixture(t)
	d, err := ReadJSON(bytes.NewReader(printed(t, Formats()[1], want, Options{})))
	if err != nil {
		t.Fatal(err)
	}
	r, lost, err := d.Restore(func(path string) ([]byte, error) {
		if path == "src/lamps.php" {
			return nil, errors.New("gone")
		}
		return []byte(ferry + "\n"), nil
	}, fixtureOps)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"src/Ferry.php", "src/lamps.php"}, lost); diff != "" {
		t.Error(diff)
	}
	byID := map[string]*mutate.Mutant{}
	for _, v := range want.Verdicts {
		byID[v.Mutant.ID] = v.Mutant
	}
	for _, v := range r.Verdicts {
		m, was := v.Mutant, byID[v.Mutant.ID]
		if m.Before() != was.Before() || m.Edit != was.Edit {
			t.Errorf("%s: %q at %v, was %q at %v", m.ID, m.Before(), m.Edit, was.Before(), was.Edit)
		}
		h, old := Diff(m.Source.Text, m.Edit, 0), Diff(was.Source.Text, was.Edit, 0)
		if h.OldStart != old.OldStart || h.Lines[0].Mark.Start != old.Lines[0].Mark.Start {
			t.Errorf("%s: shown at line %d, was at %d", m.ID, h.OldStart, old.OldStart)
		}
	}
	var said []string
	for _, n := range r.Notes {
		if n.Kind == "source_lost" {
			said = append(said, n.Path+": "+n.Text)
		}
	}
	if len(said) != 2 || !strings.Contains(said[0], "has changed since") || !strings.Contains(said[1], "cannot be read") {
		t.Errorf("notes: %q", said)
	}
}

func TestRestoreWithTheSources(t *testing.T) {
	files := map[string]string{"src/Ferry.php": ferry, "src/lamps.php": tide}
	want := printed(t, Formats()[1], fixture(t), Options{})
	d, err := ReadJSON(bytes.NewReader(want))
	if err != nil {
		t.Fatal(err)
	}
	r, lost, err := d.Restore(func(path string) ([]byte, error) { return []byte(files[path]), nil }, fixtureOps)
	if err != nil || len(lost) > 0 {
		t.Fatal(lost, err)
	}
	if diff := cmp.Diff(string(want), string(printed(t, Formats()[1], r, Options{}))); diff != "" {
		t.Error(diff)
	}
}

func TestRestoreRefusesPlacesThatCannotBe(t *testing.T) {
	d := Describe(fixture(t), Options{})
	d.Mutants[0].Line += 500
	_, _, err := d.Restore(func(string) ([]byte, error) { return nil, errors.New("gone") }, fixtureOps)
	if err == nil || !strings.Contains(err.Error(), "is not where it says") {
		t.Error(err)
	}
}
