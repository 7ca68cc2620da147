package report

import (
	"bytes"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"assay/mutate"
)

// known is the fixture as it is where a team has looked at it before: one
// survivor was accepted, one is new.
func known(t testing.TB) *mutate.Result {
	r := fixture(t)
	r.Compared = true
	accepted := &r.Verdicts[2]
	accepted.WouldBe, accepted.Status, accepted.Detail = accepted.Status, mutate.Accepted, "the deck is never full, says <the> *crew*"
	r.Verdicts[5].New = true
	r.Notes = append(r.Notes, mutate.Note{Kind: "stale", Path: "assay.accepted", Line: 4, Text: "There is no mutant Ferry.berth.boundary-included.aaaaa any more."})
	return r
}

func TestKnownSurvivorsInEveryFormat(t *testing.T) {
	for _, f := range Formats() {
		if f.Name == "matrix" {
			continue // which test kills what, and nothing else
		}
		got := printed(t, f, known(t), Options{})
		if f.Name != "html" && f.Name != "junit" {
			golden(t, f.Name+"-known.golden", got)
		}
		if said := map[bool]string{true: "new", false: "New"}[f.Name == "json" || f.Name == "sarif" || f.Name == "junit"]; f.Name != "gitlab" && !bytes.Contains(got, []byte(said)) {
			t.Errorf("%s: does not mark what is new", f.Name)
		}
		for what, reason := range map[string]string{"accepted": "the deck is never full, says", "skipped": "the log is not behaviour", "stale": "Ferry.berth.boundary-included.aaaaa"} {
			if !bytes.Contains(got, []byte(reason)) && !(what == "stale" && (f.Name == "junit" || f.Name == "github" || f.Name == "gitlab")) {
				t.Errorf("%s: says nothing of the one that is %s", f.Name, what)
			}
		}
	}
}

func TestAcceptedDoNotCount(t *testing.T) {
	before, after := Total(fixture(t)), Total(known(t))
	want := before
	want.Survived--
	want.Accepted++
	if diff := cmp.Diff(want, after); diff != "" {
		t.Error(diff)
	}
}

func TestKnownSurvivorsFitTheSchemas(t *testing.T) {
	text := printed(t, formatOf(t, "json"), known(t), Options{Timings: true})
	validate(t, text)
	d, err := ReadJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	files := map[string]string{"src/Ferry.php": ferry, "src/lamps.php": tide}
	r, err := d.Result(func(path string) ([]byte, error) { return []byte(files[path]), nil }, fixtureOps)
	if err != nil {
		t.Fatal(err)
	}
	r.Root = known(t).Root
	for _, f := range Formats() {
		// Names that are not UTF-8 stay marked, which shows in some formats.
		want, got := printed(t, f, known(t), Options{Timings: true}), printed(t, f, r, Options{Timings: true})
		if f.Name == "text" || f.Name == "json" || f.Name == "markdown" {
			if diff := cmp.Diff(string(want), string(got)); diff != "" {
				t.Errorf("%s of the saved result: %s", f.Name, diff)
			}
		}
	}
	if strings.Count(string(text), `"new":true`) != 1 || strings.Count(string(text), `"would_be":"survived"`) != 2 { // an accepted and an equivalent one
		t.Errorf("new and would_be:\n%s", text)
	}
}
