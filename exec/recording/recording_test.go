package recording

import (
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"assay/exec/wire"
)

// made is a made-up run: what it says of each segment, the building of the suite and the
// end of the process with it.
type made struct {
	kinds   []string // of the segments between these two: "test", "enter", "leave"
	changes map[int]wire.Changes
	files   map[int]map[string]string
	opened  map[int]map[string]int
	loaded  map[int][]string
	foreign map[int][]string
	points  map[int]map[int]int
	unknown map[int]map[string]string
	events  []wire.Event
}

const root = "/view"

func (m made) run() *Run {
	run := &Run{Root: root, Ran: map[int]Ran{}, Events: m.events}
	for _, kind := range m.kinds {
		row := wire.SegmentRow{Kind: kind, Test: -1, Class: "T"}
		if kind == "test" {
			row.Test = len(run.Suite.Tests)
			run.Ran[row.Test] = Ran{Time: time.Duration(row.Test+1) * time.Millisecond, Assertions: row.Test, Ended: true}
			run.Suite.Tests = append(run.Suite.Tests, wire.Row{ID: "T::" + string(rune('a'+row.Test)), Class: "T", Method: string(rune('a' + row.Test)), File: root + "/tests/T.php"})
		}
		run.Suite.Segments = append(run.Suite.Segments, row)
	}
	for n := range len(m.kinds) + 2 {
		run.Segments = append(run.Segments, wire.Segment{N: n, Time: int64(100 * n), Changes: m.changes[n], Files: m.loaded[n], Foreign: m.foreign[n], Points: wire.CountsOf(m.points[n]), Unknown: m.unknown[n]})
		run.Files = append(run.Files, m.files[n])
		run.Opened = append(run.Opened, m.opened[n])
	}
	return run
}

// recorded makes a recording of two runs, or of one and the same.
func recorded(t *testing.T, plain, probed made) *Recording {
	t.Helper()
	r, err := New(plain.run(), probed.run())
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func value(v string) wire.Digest { return wire.Digest{Value: v, Shape: "string", Kind: "string"} }

// tests gives the kinds of so many tests.
func tests(n int) []string { return slices.Repeat([]string{"test"}, n) }

// TestSegments: what both runs say is put together, with the points of the probed one
// and the times of the other.
func TestSegments(t *testing.T) {
	kinds := []string{"enter", "test", "test", "leave"}
	plain := made{kinds: kinds, loaded: map[int][]string{0: {root + "/src/A.php", "/usr/share/php/X.php"}, 2: {root + "/src/B.php", root + "/src/B.php"}},
		opened: map[int]map[string]int{2: {"src/B.php": 1, "notes.txt": 1, "dir/": 2, "src/C.php": 2, "src/D.php": 3, "src/E.php": 1}, 3: {"src/B.php": 1}}, unknown: map[int]map[string]string{2: {"global g": "a generator"}},
		events: []wire.Event{{Test: 1, Kind: "skipped"}, {Test: -1, Kind: "warning"}}}
	probed := made{kinds: kinds, points: map[int]map[int]int{0: {3: 1}, 2: {9: 4, 2: 1}, 3: {2: 1}, 5: {7: 1}},
		loaded: map[int][]string{2: {root + "/src/A.php"}}, foreign: map[int][]string{2: {root + "/src/C.php", "/elsewhere/D.php", root + "/src/D.php", root + "/src/C.php", root + "/src/D.php", root + "/src/E.php"}}}
	r := recorded(t, plain, probed)
	want := []Segment{
		{Kind: Build, Test: -1, Points: []int{3}, Loaded: []string{"src/A.php"}},
		{Kind: Enter, Test: -1, Class: "T", Time: 100 * time.Microsecond, Neutral: true},
		{Kind: Test, Test: 0, Class: "T", Time: 200 * time.Microsecond, Points: []int{2, 9}, Loaded: []string{"src/A.php", "src/B.php"},
			Opened: []string{"dir/", "notes.txt", "src/B.php", "src/C.php", "src/D.php", "src/E.php"}, Neutral: true,
			Reads: []string{"notes.txt", "src/C.php", "src/D.php", "src/E.php"}, Texts: []string{"notes.txt", "src/D.php"}},
		{Kind: Test, Test: 1, Class: "T", Time: 300 * time.Microsecond, Points: []int{2}, Neutral: true, Opened: []string{"src/B.php"}, Reads: []string{"src/B.php"}, Texts: []string{"src/B.php"}},
		{Kind: Leave, Test: -1, Class: "T", Time: 400 * time.Microsecond, Neutral: true},
		{Kind: End, Test: -1, Time: 500 * time.Microsecond, Points: []int{7}},
	}
	if d := gocmp.Diff(want, r.Segments); d != "" {
		t.Errorf("segments, want (-) and got (+):\n%s", d)
	}
	wantTests := []TestInfo{
		{ID: "T::a", Class: "T", Method: "a", File: root + "/tests/T.php", Segment: 2, Time: time.Millisecond, Outcome: "passed"},
		{ID: "T::b", Class: "T", Method: "b", File: root + "/tests/T.php", Segment: 3, Time: 2 * time.Millisecond, Outcome: "skipped", Assertions: 1},
	}
	if d := gocmp.Diff(wantTests, r.Tests); d != "" {
		t.Errorf("tests, want (-) and got (+):\n%s", d)
	}
	if got := r.Passing(2); !slices.Equal(got, []int{2, 3}) || r.Passing(4) != nil {
		t.Errorf("point 2 is passed in %v, point 4 in %v", got, r.Passing(4))
	}
	if n, ok := r.LoadedIn("src/A.php"); n != 0 || !ok {
		t.Errorf("src/A.php was loaded in %d, %v", n, ok)
	}
	if n, ok := r.LoadedIn("src/B.php"); n != 2 || !ok {
		t.Errorf("src/B.php was loaded in %d, %v", n, ok)
	}
	if _, ok := r.LoadedIn("src/C.php"); ok {
		t.Error("what another process loaded counts as loaded")
	}
	for boundary, want := range [][]string{nil, {"src/A.php"}, {"src/A.php"}, {"src/A.php", "src/B.php"}} {
		if got := r.LoadedBy(boundary); !slices.Equal(got, want) {
			t.Errorf("by boundary %d %q is loaded, want %q", boundary, got, want)
		}
	}
	if r.End() != 5 || r.Unknown["global g"] == "" || r.NeutralShare() != 1 {
		t.Errorf("end %d, unknown %v, neutral %v", r.End(), r.Unknown, r.NeutralShare())
	}
}

// TestStates: boundaries have the same state where all roots do, whatever came between.
func TestStates(t *testing.T) {
	m := made{kinds: tests(6), changes: map[int]wire.Changes{
		0: {"global a": value("1"), "global b": value("1")},
		2: {"global a": value("2")},
		3: {"global a": value("2")}, // told of, and the same
		4: {"global a": value("1"), "global b": value("2")},
		5: {"global b": value("1")},
		6: {"global a": {}, "global b": {}},
	}}
	r := recorded(t, m, m)
	var states []State
	for n := 1; n <= r.End(); n++ {
		states = append(states, r.StateAt(n))
	}
	if d := gocmp.Diff([]State{0, 0, 1, 1, 2, 0, 3}, states); d != "" || r.States() != 4 {
		t.Errorf("%d states; at the boundaries, want (-) and got (+):\n%s", r.States(), d)
	}
	var neutral []int
	for n, s := range r.Segments {
		if s.Neutral {
			neutral = append(neutral, n)
		}
	}
	if !slices.Equal(neutral, []int{1, 3}) || r.NeutralShare() != 2.0/6 {
		t.Errorf("neutral are %v, a share of %v", neutral, r.NeutralShare())
	}
	for _, c := range []struct{ like, limit, want int }{{1, 7, 6}, {1, 5, 2}, {1, 1, 1}, {1, 0, 0}, {3, 7, 4}, {7, 6, 0}, {7, 99, 7}} {
		if got := r.LastWith(r.StateAt(c.like), c.limit); got != c.want {
			t.Errorf("the last boundary up to %d in the state of %d is %d, want %d", c.limit, c.like, got, c.want)
		}
	}
	again := recorded(t, m, m)
	if r.StatesKey([]int{1, 3}) != again.StatesKey([]int{1, 3}) {
		t.Error("the same states have another key in another recording")
	}
	if r.StatesKey([]int{1, 3}) == r.StatesKey([]int{1, 1}) || r.StatesKey([]int{1, 6}) != r.StatesKey([]int{2, 2}) {
		t.Error("keys do not tell states apart")
	}
}

// TestStateThatIsFirstAsDeclared: a state in which nothing has changed is one, too.
func TestStateThatIsFirstAsDeclared(t *testing.T) {
	m := made{kinds: tests(2), changes: map[int]wire.Changes{1: {"global a": value("1")}, 2: {"global a": {}}}}
	r := recorded(t, m, m)
	if r.States() != 2 || r.StateAt(1) != r.StateAt(3) || r.Segments[1].Neutral || r.Segments[2].Neutral {
		t.Errorf("%d states, %v", r.States(), r.Segments)
	}
}

// TestFilesAreState: files that are left make a state, and one that is gone again makes
// the old one.
func TestFilesAreState(t *testing.T) {
	m := made{kinds: tests(3), files: map[int]map[string]string{1: {"project/log": "d"}, 3: {"project/log": ""}}}
	r := recorded(t, m, m)
	if r.StateAt(1) == r.StateAt(2) || r.StateAt(2) != r.StateAt(3) || r.StateAt(1) != r.StateAt(4) || !r.Segments[2].Neutral || len(r.Segments[1].OwnIn) > 0 {
		t.Errorf("states %v, %v", r.states, r.Segments)
	}
}

// TestVolatile: of a root whose value differs between the runs only the shape counts, of
// one whose shape differs the kind, and where that differs nothing does.
func TestVolatile(t *testing.T) {
	of := func(clock, list string, file string) made {
		return made{kinds: tests(4), changes: map[int]wire.Changes{
			1: {"global clock": {Value: clock, Shape: "int"}, "global list": {Value: list, Shape: list, Kind: "array"},
				"global odd": {Value: list, Shape: list, Kind: list}, "global same": value("s")},
			2: {"global clock": {Value: clock + "0", Shape: "int"}},
			3: {"global clock": {Value: "none", Shape: "null"}},
			4: {"global list": {Value: list + "m", Shape: list, Kind: "array"}, "global odd": {Value: list + "p", Shape: list, Kind: list}},
		}, files: map[int]map[string]string{2: {"temp/" + file: "d"}, 4: {"project/log": file}}}
	}
	r := recorded(t, of("1", "two", "x1"), of("2", "three", "x2"))
	if d := gocmp.Diff([]string{"file project/log", "global clock", "global list"}, r.Volatile); d != "" {
		t.Errorf("volatile, want (-) and got (+):\n%s", d)
	}
	if d := gocmp.Diff([]string{"file temp/x1", "file temp/x2", "global odd"}, r.Ignored); d != "" {
		t.Errorf("ignored, want (-) and got (+):\n%s", d)
	}
	if d := gocmp.Diff([]bool{false, false, true, false, false, false}, neutrals(r)); d != "" {
		t.Errorf("neutral, want (-) and got (+):\n%s", d)
	}
	for n, s := range r.Segments {
		if (len(s.OwnIn) > 0) != (n == 2) {
			t.Errorf("segment %d leaves files with names of their own: %v", n, s.OwnIn)
		}
	}
}

func neutrals(r *Recording) (out []bool) {
	for _, s := range r.Segments {
		out = append(out, s.Neutral)
	}
	return out
}

// TestVolatileInOneRun: a root that only one of the runs touches does not count.
func TestVolatileInOneRun(t *testing.T) {
	r := recorded(t, made{kinds: tests(2), changes: map[int]wire.Changes{1: {"global a": value("1")}}}, made{kinds: tests(2)})
	if len(r.Volatile) != 0 || !slices.Equal(r.Ignored, []string{"global a"}) || r.States() != 1 {
		t.Errorf("volatile %v, ignored %v, %d states", r.Volatile, r.Ignored, r.States())
	}
}

// TestDifferentSuites: two runs that did not build the same suite are no recording.
func TestDifferentSuites(t *testing.T) {
	base := made{kinds: tests(2)}
	renamed := base.run()
	renamed.Suite.Tests[1].ID = "T::z"
	short := base.run()
	short.Segments = short.Segments[:2]
	for _, c := range []struct {
		name, want string
		probed     *Run
	}{
		{"another test", "test 2 is T::b only once", renamed},
		{"fewer tests", "test 2 is T::b only once", made{kinds: tests(1)}.run()},
		{"more tests", "has 2 tests when built once and 3 when built again", made{kinds: tests(3)}.run()},
		{"another fixture", "other classes around them", made{kinds: []string{"enter", "test", "test"}}.run()},
		{"not run to the end", "of 3 segments 4 and 2 were told of", short},
	} {
		if _, err := New(base.run(), c.probed); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// TestInRoot: only what lies below the root, told from there.
func TestInRoot(t *testing.T) {
	got := InRoot("/view", []string{"/view/a.php", "/view/b/c.php", "/viewer/d.php", "/e.php", "/view/../f.php", "/view/..g.php"})
	want := map[string]bool{"a.php": true, "b/c.php": true, "..g.php": true}
	if d := gocmp.Diff(want, got); d != "" {
		t.Errorf("want (-) and got (+):\n%s", d)
	}
}
