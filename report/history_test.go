package report

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"assay/mutate"
)

// night makes the record of a result that is the fixture but for the status of
// some mutants.
func night(t *testing.T, before []Record, day int, scope string, status map[string]mutate.Status) Record {
	t.Helper()
	r := fixture(t)
	for i, v := range r.Verdicts {
		if s, ok := status[v.Mutant.ID]; ok {
			r.Verdicts[i].Status = s
		}
	}
	return RecordOf(r, before, time.Date(2026, 11, day, 3, 10, 0, 0, time.UTC), scope, "", len(r.Verdicts))
}

// lines writes records and reads them again.
func lines(t *testing.T, records ...Record) []Record {
	t.Helper()
	var b bytes.Buffer
	for _, rec := range records {
		line, err := rec.Line()
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Count(line, []byte("\n")) != 1 || line[len(line)-1] != '\n' || !json.Valid(line) {
			t.Fatalf("no line: %q", line)
		}
		b.Write(line)
	}
	out, err := ReadHistory(&b)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestHistoryTellsWhatCameAndWent(t *testing.T) {
	first := night(t, nil, 1, "a", nil)
	if got, want := strings.Join(first.New, " "), "delay-return-d2 fits-le-3a lamp-text-77"; got != want {
		t.Errorf("at first %s, want %s", got, want)
	}
	if got, want := first.Counts, (Counts{Killed: 2, Survived: 3, Unreached: 1}); got != want {
		t.Errorf("counts %v, want %v", got, want)
	}
	if got, want := first.Classes["Sound\\Ferry"], (Counts{2, 2, 1}); got != want {
		t.Errorf("of the class %v, want %v", got, want)
	}
	so := lines(t, first)
	second := night(t, so, 2, "a", map[string]mutate.Status{"fits-le-3a": mutate.Killed, "fits-lt-9e": mutate.Survived})
	if !slices.Equal(second.New, []string{"fits-lt-9e"}) || !slices.Equal(second.Gone, []string{"fits-le-3a"}) {
		t.Errorf("new %v, gone %v", second.New, second.Gone)
	}
	// A run of other files in between is nothing to compare with.
	so = lines(t, first, night(t, so, 2, "b", nil), second)
	third := night(t, so, 3, "a", nil)
	if !slices.Equal(third.New, []string{"fits-le-3a"}) || !slices.Equal(third.Gone, []string{"fits-lt-9e"}) {
		t.Errorf("new %v, gone %v", third.New, third.Gone)
	}
}

// What survived and does not any more was killed, lost its tests, was accepted
// or has other code; what survives and did not has other code, lost its tests,
// or was not even reached before.
func TestHistoryTellsWhy(t *testing.T) {
	const le, lt, text, crew, delay = "fits-le-3a", "fits-lt-9e", "lamp-text-77", "crew-plus-1b", "delay-gt-51"
	type of = map[string]mutate.Status
	for _, c := range []struct {
		before, now of
		unit        string // of the function fits, where it is another one now
		want        string
	}{
		{nil, nil, "", "nothing changed"},
		{nil, of{le: mutate.Killed}, "", "1 killed now"},
		{nil, of{le: mutate.TimedOut}, "", "1 killed now"},
		// Tests are taken out: nothing is better for it, and they are put back.
		{nil, of{lt: mutate.Survived}, "", "1 new by lost tests"},
		{nil, of{le: mutate.Unreached, lt: mutate.Unreached}, "", "2 unreached now"},
		{nil, of{delay: mutate.Unreached}, "", "1 unreached now"},
		{of{le: mutate.Unreached, lt: mutate.Unreached}, nil, "", "1 reached now, and survive"},
		{of{delay: mutate.Unreached}, nil, "", "nothing changed"},
		// Tests of what had none.
		{nil, of{crew: mutate.Survived}, "", "1 reached now, and survive"},
		{nil, of{crew: mutate.Killed}, "", "nothing changed"},
		// Other code.
		{nil, of{lt: mutate.Survived}, "other", "1 new by code"},
		{nil, of{lt: mutate.Unreached}, "other", "1 new by code"},
		{nil, of{le: mutate.Stillborn}, "", "1 gone with their code"},
		{nil, of{text: mutate.Accepted}, "", "1 accepted"},
		{nil, of{text: mutate.Skipped}, "", "1 accepted"},
		{of{text: mutate.Accepted}, nil, "", "1 no longer accepted"},
		{of{text: mutate.Accepted}, of{text: mutate.Killed}, "", "nothing changed"},
		{of{lt: mutate.Survived, text: mutate.Accepted}, of{crew: mutate.Survived, le: mutate.Killed, delay: mutate.Survived}, "",
			"1 new by lost tests, 1 reached now, and survive, 1 no longer accepted, 2 killed now"},
	} {
		so := lines(t, night(t, nil, 1, "a", c.before))
		r := fixture(t)
		for i, v := range r.Verdicts {
			if s, ok := c.now[v.Mutant.ID]; ok {
				r.Verdicts[i].Status = s
			}
			if v.Mutant.Function == "fits" {
				v.Mutant.Unit = c.unit
			}
		}
		rec := RecordOf(r, so, so[0].When.Add(time.Hour), "a", "", 0)
		if got := rec.changesSaid(); got != c.want {
			t.Errorf("%v, then %v: %s, want %s", c.before, c.now, got, c.want)
		}
		all := lines(t, append(so, rec)...)
		if diff := cmp.Diff(rec.known, all[1].known, cmp.AllowUnexported(standing{}), cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("%v, then %v: what is read is not what was: %s", c.before, c.now, diff)
		}
	}
}

// Two branches each add a line after a common one; put together in whatever
// order, the history says what survives at its end, by time.
func TestHistoryOfTwoBranches(t *testing.T) {
	base := night(t, nil, 1, "a", nil)
	so := lines(t, base)
	left := night(t, so, 2, "a", map[string]mutate.Status{"fits-le-3a": mutate.Killed})
	right := night(t, so, 3, "a", map[string]mutate.Status{"lamp-text-77": mutate.Killed, "fits-lt-9e": mutate.Survived})
	want := []string{"delay-return-d2", "fits-lt-9e"}
	for _, order := range [][]Record{{base, left, right}, {base, right, left}} {
		all := lines(t, order...)
		if got := all[2].known.survived; !slices.Equal(got, want) {
			t.Errorf("%v survive, want %v", got, want)
		}
	}
}

func TestHistoryRefuses(t *testing.T) {
	good, _ := night(t, nil, 1, "a", nil).Line()
	for text, want := range map[string]string{
		"<<<<<<< HEAD\n":           "line 2: a mark of a merge that was not finished",
		"{\"format\": \"x\"}":      `line 2 has the format "x"; this assay reads "assay history 2"`,
		"{\"counts\": [1, 2]}":     "line 2 is no record of a run (2 figures, want 3",
		"nothing":                  "line 2 is no record of a run (",
		string(good[:len(good)/2]): "line 2 is no record of a run (",
	} {
		_, err := ReadHistory(strings.NewReader(string(good) + text))
		if err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%.20q: %v, want %s", text, err, want)
		}
	}
}

// A figure stands where the axis says: 50 of 0 to 100 is half way.
func TestChartPlaces(t *testing.T) {
	a := axis{left: 10, right: 110, top: 0, bottom: 200, low: 0, high: 100}
	v := []*float64{new(float64), nil, new(float64), new(float64)}
	*v[2], *v[3] = 50, 100
	if got := a.traces(v); len(got) != 1 || got[0] != "76.7,100 110,0" {
		t.Errorf("%v", got)
	}
	if got, want := plot(v, 0, 100), "▁·▅█"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	for s, want := range map[float64]float64{0.3: 0.5, 1: 1, 1.1: 2, 30: 50, 60: 100} {
		if got := niceStep(s); got != want {
			t.Errorf("step %v, want %v: %v", s, want, got)
		}
	}
}

// Names come from PHP files and are shown, never obeyed.
func TestHistoryShowsNames(t *testing.T) {
	rec := night(t, nil, 1, "a", nil)
	rec.Classes["<b>\x1b[31m"] = Counts{1, 1, 1}
	rec.New = append(rec.New, "<script>")
	other := rec
	other.When = rec.When.Add(time.Hour)
	var page, text bytes.Buffer
	if err := HistoryHTML(&page, []Record{rec, other}, TrendOptions{Project: "<i>", Others: 2, PageOf: func(*Record) string { return "a b.html" }}); err != nil {
		t.Fatal(err)
	}
	if err := HistoryText(&text, []Record{rec, other}, 2, Options{}); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{"<b>", "<i>", "<script>", "http:", "https:", "src="} {
		if strings.Contains(page.String(), bad) {
			t.Errorf("the page holds %s", bad)
		}
	}
	if strings.Contains(text.String(), "\x1b") {
		t.Error("the text holds a control sequence")
	}
}

// trendOfNights is a history with all kinds of changes.
func trendOfNights(t *testing.T) []Record {
	a := night(t, nil, 1, "a", nil)
	b := night(t, lines(t, a), 2, "a", map[string]mutate.Status{"fits-le-3a": mutate.Killed, "lamp-text-77": mutate.Unreached})
	c := night(t, lines(t, a, b), 3, "a", map[string]mutate.Status{"fits-lt-9e": mutate.Survived})
	c.Commit = "c0ffee5c0ffee"
	c.When = b.When.Add(time.Hour)
	return lines(t, a, b, c)
}

// A browser makes of the page what it says: a dot a run in two charts, a line
// and a dot for each class, times where runs are of one day, commits under the
// points, and IDs that lead to the page of the run.
func TestHistoryPageInBrowser(t *testing.T) {
	file := filepath.Join(t.TempDir(), "trend.html")
	records := trendOfNights(t)
	var page bytes.Buffer
	pageOf := func(r *Record) string {
		if r.Commit != "" {
			return "nights/page.html"
		}
		return ""
	}
	if err := HistoryHTML(&page, records, TrendOptions{Project: "sound/ferries", PageOf: pageOf}); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, page.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	dom := browse(t, file, "", "--dump-dom")
	for what, want := range map[string]int{"<circle ": 3 + 3 + 2, "<polyline ": 1 + 1 + 2, `<rect class="bytests"`: 1, `<rect class="bare"`: 1, `<rect class="killed"`: 1, "<details": 2, "</main>": 1,
		">c0ffee5</text>": 3, "nights/page.html#fits-lt-9e": 1, "nights/page.html#": 3} {
		if got := strings.Count(dom, what); got != want {
			t.Errorf("%d of %s, want %d", got, what, want)
		}
	}
	t.Setenv("TZ", "UTC")
	if got := ask[[]string](t, file, "", wide, `return all("svg.chart")[0].querySelectorAll("text:not(.commit)").length ? [...all("svg.chart")[0].querySelectorAll("text:not(.commit)")].map(e => e.textContent).filter(s => s.includes(":")) : []`); len(got) != 2 {
		t.Errorf("of two runs of one day the times are %q", got)
	}
	if got := ask[bool](t, file, "", phone, `const e = document.querySelector(".newest"); return e.scrollWidth > e.clientWidth && Math.abs(e.querySelector("svg").getBoundingClientRect().right - e.getBoundingClientRect().right) < 4`); !got {
		t.Error("on a phone the newest run is not in view")
	}
}
