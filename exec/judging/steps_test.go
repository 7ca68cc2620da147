package judging

import (
	"fmt"
	"maps"
	"slices"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"assay/exec/recording"
	"assay/exec/wire"
)

// segment is one of a made-up recording.
type segment struct {
	kind   string // "test", "enter", "leave"
	leaves string // value of the one root that there is, from then on; "": it stays as it is, "-": as declared
	loads  string
	opens  string
	time   time.Duration
	alive  bool // a process that was started lives behind it
	writes bool // a file is another behind it
}

// record makes a recording of some segments; the building of the suite loads a file.
func record(t *testing.T, segments ...segment) *recording.Recording {
	t.Helper()
	run := &recording.Run{Root: "/p", Ran: map[int]recording.Ran{}}
	add := func(s segment) {
		w := wire.Segment{N: len(run.Segments), Time: s.time.Microseconds()}
		if s.leaves == "-" {
			w.Changes = wire.Changes{"global x": {}}
		} else if s.leaves != "" {
			w.Changes = wire.Changes{"global x": {Value: s.leaves, Shape: "int"}}
		}
		if s.loads != "" {
			w.Files = []string{"/p/" + s.loads}
		}
		var opened map[string]int
		if s.opens != "" {
			opened = map[string]int{s.opens: 1}
		}
		var files map[string]string
		if s.writes {
			files = map[string]string{"temp/log": fmt.Sprint(w.N)}
		}
		run.Segments, run.Files, run.Opened = append(run.Segments, w), append(run.Files, files), append(run.Opened, opened)
		run.Alive = append(run.Alive, s.alive)
	}
	add(segment{loads: "src/Built.php"})
	for _, s := range segments {
		row := wire.SegmentRow{Kind: s.kind, Test: -1, Class: "T"}
		if s.kind == "test" {
			row.Test = len(run.Suite.Tests)
			run.Suite.Tests = append(run.Suite.Tests, wire.Row{ID: string(rune('a' + row.Test)), Class: "T"})
		}
		run.Suite.Segments = append(run.Suite.Segments, row)
		add(s)
	}
	add(segment{})
	r, err := recording.New(run, run)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// The recording of most tests here, by segments: what is left behind makes three states.
//
//	0 building    1 a    2 b    3 c leaves 1    4 d    5 e as declared again    6 f loads src/F.php, opens notes.txt    7 g    8 end
func sevenTests(t *testing.T) *recording.Recording {
	return record(t, segment{kind: "test"}, segment{kind: "test"}, segment{kind: "test", leaves: "1"}, segment{kind: "test"},
		segment{kind: "test", leaves: "-"}, segment{kind: "test", loads: "src/F.php", opens: "notes.txt"}, segment{kind: "test"})
}

var all = []int{0, 1, 2, 3, 4, 5, 6}

// unshared are tests of which copies can be run, and that share no objects.
func unshared(tests []int) map[int][]string {
	out := map[int][]string{}
	for _, t := range tests {
		out[t] = nil
	}
	return out
}

// TestPlan goes through every form, entry and reason. What is wanted follows from the
// package comment.
func TestPlan(t *testing.T) {
	for _, c := range []struct {
		name    string
		subject Subject
		suite   func(*Suite)
		want    []Step
		reasons map[Reason]int
	}{
		{"one test, neutral: batched where its state is last",
			Subject{Entry: Selected, Path: "src/Built.php", Pairs: []int{1}, Order: []int{0}}, nil,
			[]Step{{Form: Batched, Entry: Selected, Boundary: 7, Tests: []int{0}}}, nil},
		{"the order that is asked for is kept",
			Subject{Entry: Selected, Pairs: []int{1, 2, 7}, Order: []int{6, 0, 1}}, nil,
			[]Step{{Form: Batched, Entry: Selected, Boundary: 7, Tests: []int{6, 0, 1}}}, nil},
		{"each state has a batch of its own, in the suite's order",
			Subject{Entry: Selected, Pairs: []int{1, 4}, Order: []int{0, 3}}, nil,
			[]Step{{Form: Batched, Entry: Selected, Boundary: 5, Tests: []int{3}}, {Form: Batched, Entry: Selected, Boundary: 7, Tests: []int{0}}},
			nil},
		{"not neutral: played, behind the batches",
			Subject{Entry: Selected, Pairs: []int{1, 3}, Order: []int{2, 0}}, nil,
			[]Step{{Form: Batched, Entry: Selected, Boundary: 7, Tests: []int{0}}, {Form: Played, Entry: Selected, Boundary: 3, Segments: []int{3}}},
			map[Reason]int{NotNeutral: 1}},
		{"one that reads files has the changed file in place, behind those that do not",
			Subject{Entry: Selected, Path: "src/Built.php", Pairs: []int{1, 6}, Order: []int{5, 0}}, nil,
			[]Step{{Form: Batched, Entry: Selected, Boundary: 7, Tests: []int{0}}, {Form: Batched, Entry: Selected, Boundary: 7, Swap: true, Tests: []int{5}}},
			nil},
		{"swapped in: no later than where the file is loaded",
			Subject{Entry: Swapped, Path: "src/F.php", Pairs: []int{6, 7}, Order: []int{6, 5}}, nil,
			[]Step{{Form: Batched, Entry: Swapped, Boundary: 6, Swap: true, Tests: []int{6, 5}}}, nil},
		{"swapped in, and loaded before the state comes: played from there",
			Subject{Entry: Swapped, Path: "src/Built.php", Pairs: []int{4}, Order: []int{3}}, nil,
			[]Step{{Form: Played, Entry: Swapped, Boundary: 0, Swap: true, Segments: []int{4}}}, map[Reason]int{NoBoundary: 1}},
		{"swapped in, and never loaded",
			Subject{Entry: Swapped, Path: "src/Never.php", Pairs: []int{2}, Order: []int{1}}, nil,
			[]Step{{Form: Batched, Entry: Swapped, Boundary: 7, Swap: true, Tests: []int{1}}}, nil},
		{"the building of the suite passes it for one test",
			Subject{Entry: Selected, Pairs: []int{0, 1, 2}, Order: []int{0, 1}, Rebuilt: map[int]bool{0: true}}, nil,
			[]Step{{Form: Batched, Entry: Selected, Boundary: 7, Tests: []int{1}}, {Form: Played, Entry: Swapped, Boundary: 0, Swap: true, Segments: []int{0}},
				{Form: Batched, Entry: Selected, Boundary: 7, Tests: []int{0}}},
			map[Reason]int{NoTest: 1}},
		{"the building of the suite passes it for nobody in particular",
			Subject{Entry: Selected, Pairs: []int{0, 1, 2}, Order: []int{0, 1}, All: true}, nil,
			[]Step{{Form: Played, Entry: Swapped, Boundary: 0, Swap: true, Segments: []int{0}}, {Form: Batched, Entry: Selected, Boundary: 7, Tests: []int{0, 1}}},
			map[Reason]int{NoTest: 1}},
		{"swapped in where the suite is built: all is played from there",
			Subject{Entry: Swapped, Path: "src/Built.php", Pairs: []int{0, 1, 2}, Order: []int{0, 1}, All: true}, nil,
			[]Step{{Form: Played, Entry: Swapped, Boundary: 0, Swap: true, Segments: []int{0, 1, 2}}}, map[Reason]int{NoBoundary: 2, NoTest: 1}},
		{"no copy can be made: played, with the file in place for the process that runs it",
			Subject{Entry: Selected, Pairs: []int{1}, Order: []int{0}}, func(s *Suite) { delete(s.Copied, 0) },
			[]Step{{Form: Played, Entry: Selected, Boundary: 1, Swap: true, Segments: []int{1}}}, map[Reason]int{NotCopied: 1}},
		{"a copy did not pass unchanged",
			Subject{Entry: Selected, Pairs: []int{1}, Order: []int{0}}, func(s *Suite) { s.Refused[0] = true },
			[]Step{{Form: Played, Entry: Selected, Boundary: 1, Segments: []int{1}}}, map[Reason]int{Refused: 1}},
		{"batches are closed",
			Subject{Entry: Selected, Pairs: []int{1, 2}, Order: []int{0, 1}}, func(s *Suite) { s.NoBatches = true },
			[]Step{{Form: Played, Entry: Selected, Boundary: 1, Segments: []int{1, 2}}}, map[Reason]int{Closed: 2}},
		{"nothing can be forked",
			Subject{Entry: Selected, Pairs: []int{1, 7}, Order: []int{0, 6}}, func(s *Suite) { s.Cold = true },
			[]Step{{Form: Played, Entry: Swapped, Boundary: 0, Swap: true, Segments: []int{1, 7}}}, map[Reason]int{OnlyCold: 2}},
		{"nobody knows which files are opened",
			Subject{Entry: Selected, Path: "src/Built.php", Pairs: []int{1, 3}, Order: []int{0, 2}}, func(s *Suite) { s.Unwatched = true },
			[]Step{{Form: Batched, Entry: Selected, Boundary: 7, Swap: true, Tests: []int{0}}, {Form: Played, Entry: Selected, Boundary: 3, Swap: true, Segments: []int{3}}},
			map[Reason]int{NotNeutral: 1}},
		{"one that reads files, where the file is not loaded yet: played",
			Subject{Entry: Selected, Path: "src/Never.php", Pairs: []int{6}, Order: []int{5}}, nil,
			[]Step{{Form: Played, Entry: Selected, Boundary: 6, Swap: true, Segments: []int{6}}}, map[Reason]int{NoBoundary: 1}},
		{"the end of the process is no test",
			Subject{Entry: Selected, Pairs: []int{8}}, nil,
			[]Step{{Form: Played, Entry: Selected, Boundary: 8, Segments: []int{8}}}, map[Reason]int{NoTest: 1}},
		{"nothing reaches it", Subject{Entry: Selected}, nil, nil, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := NewSuite(sevenTests(t), unshared(all), false)
			if c.suite != nil {
				c.suite(s)
			}
			var why [Reasons]int
			if d := gocmp.Diff(c.want, s.Plan(&c.subject, &why)); d != "" {
				t.Errorf("want (-) and got (+):\n%s", d)
			}
			for r, n := range why {
				if n != c.reasons[Reason(r)] {
					t.Errorf("%v is counted %d times, want %d", Reason(r), n, c.reasons[Reason(r)])
				}
			}
		})
	}
}

// TestUnwatched: an opened file without a name says that nobody watched.
func TestUnwatched(t *testing.T) {
	if NewSuite(sevenTests(t), unshared(all), false).Unwatched {
		t.Error("it was watched")
	}
	if !NewSuite(record(t, segment{kind: "test", opens: "*"}), nil, false).Unwatched {
		t.Error("it was not watched")
	}
}

// TestFixturesArePlayed: what is run before and after a class is no test, and played.
func TestFixturesArePlayed(t *testing.T) {
	s := NewSuite(record(t, segment{kind: "enter"}, segment{kind: "test"}, segment{kind: "leave"}), unshared([]int{0}), false)
	var why [Reasons]int
	got := s.Plan(&Subject{Entry: Selected, Pairs: []int{1, 2, 3}, Order: []int{0}}, &why)
	want := []Step{{Form: Batched, Entry: Selected, Boundary: 3, Tests: []int{0}}, {Form: Played, Entry: Selected, Boundary: 1, Segments: []int{1, 2, 3}}} // 2: the last test of the class leads to 3
	if d := gocmp.Diff(want, got); d != "" || why[NoTest] != 2 {
		t.Errorf("%v; want (-) and got (+):\n%s", why, d)
	}
}

// TestProcessesAreNotShared: where a process lives that the tests have started, no replay
// begins: each starts its own.
func TestProcessesAreNotShared(t *testing.T) {
	s := NewSuite(record(t, segment{kind: "test"}, segment{kind: "enter", alive: true}, segment{kind: "test", alive: true},
		segment{kind: "test", alive: true}, segment{kind: "leave"}, segment{kind: "test"}), unshared([]int{0, 1, 2, 3}), false)
	var why [Reasons]int
	got := s.Plan(&Subject{Entry: Selected, Path: "src/Built.php", Pairs: []int{1, 3, 4, 6}, Order: []int{0, 1, 2, 3}}, &why)
	want := []Step{{Form: Batched, Entry: Selected, Boundary: 6, Tests: []int{0, 3}}, {Form: Played, Entry: Selected, Boundary: 2, Segments: []int{3, 4}}}
	if d := gocmp.Diff(want, got); d != "" || why[Shares] != 2 {
		t.Errorf("%v; want (-) and got (+):\n%s", why, d)
	}
	if n, ok := s.Next(2, true, []int{3, 4}); n != 2 || !ok {
		t.Errorf("what starts the process is left out: %d, %v", n, ok)
	}
}

// TestPlay: pairs are played together, unless too much time goes by between two of them
// with segments that are not neutral.
func TestPlay(t *testing.T) {
	for _, c := range []struct {
		name    string
		between segment // segments 2 and 3 of four
		subject Subject
		pairs   []int
		want    []Step
	}{
		{"neutral between", segment{kind: "test", time: time.Second}, Subject{Entry: Selected}, []int{1, 4},
			[]Step{{Form: Played, Entry: Selected, Boundary: 1, Segments: []int{1, 4}}}},
		{"a little between", segment{kind: "test", leaves: "n", time: 2 * time.Millisecond}, Subject{Entry: Selected}, []int{1, 4},
			[]Step{{Form: Played, Entry: Selected, Boundary: 1, Segments: []int{1, 4}}}},
		{"much between", segment{kind: "test", leaves: "n", time: 3 * time.Millisecond}, Subject{Entry: Selected}, []int{1, 4},
			[]Step{{Form: Played, Entry: Selected, Boundary: 1, Segments: []int{1}}, {Form: Played, Entry: Selected, Boundary: 4, Segments: []int{4}}}},
		{"much, and none of it between two", segment{kind: "test", leaves: "n", time: time.Second}, Subject{Entry: Selected}, []int{1, 2, 3, 4},
			[]Step{{Form: Played, Entry: Selected, Boundary: 1, Segments: []int{1, 2, 3, 4}}}},
		{"swapped in: all in one, from where the file is loaded", segment{kind: "test", leaves: "n", time: time.Second}, Subject{Entry: Swapped, Path: "src/Built.php"}, []int{1, 4},
			[]Step{{Form: Played, Entry: Swapped, Boundary: 0, Swap: true, Segments: []int{1, 4}}}},
		{"swapped in, and loaded by a test that does not pass it: that is played as well", segment{kind: "test", loads: "src/Late.php"}, Subject{Entry: Swapped, Path: "src/Late.php"}, []int{4},
			[]Step{{Form: Played, Entry: Swapped, Boundary: 2, Swap: true, Segments: []int{2, 4}}}},
		{"with the building of the suite: all in one", segment{kind: "test", leaves: "n", time: time.Second}, Subject{Entry: Selected}, []int{0, 4},
			[]Step{{Form: Played, Entry: Swapped, Boundary: 0, Swap: true, Segments: []int{0, 4}}}},
		{"never loaded: from the first of them", segment{kind: "test"}, Subject{Entry: Swapped, Path: "src/Never.php"}, []int{2, 4},
			[]Step{{Form: Played, Entry: Swapped, Boundary: 2, Swap: true, Segments: []int{2, 4}}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			second := c.between
			if second.leaves != "" {
				second.leaves += "n"
			}
			s := NewSuite(record(t, segment{kind: "test"}, c.between, second, segment{kind: "test"}), unshared([]int{0, 1, 2, 3}), false)
			if d := gocmp.Diff(c.want, s.Play(&c.subject, slices.Clone(c.pairs))); d != "" {
				t.Errorf("want (-) and got (+):\n%s", d)
			}
		})
	}
}

// TestThen: a replay goes on by itself behind what leaves nothing, but stops before what leaves
// files, so that it is known which segment has changed them. One that runs the rest of the suite
// need not know.
func TestThen(t *testing.T) {
	s := NewSuite(record(t, segment{kind: "test"}, segment{kind: "test"}, segment{kind: "test", writes: true}, segment{kind: "test"}, segment{kind: "test"}), nil, false)
	never := func(int) bool { return false }
	if got, want := s.Then(1, []int{1, 2, 4, 5}, never), (map[int]int{1: 2, 4: 5}); !maps.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	if got, want := s.ThenAll(1, never), (map[int]int{1: 2, 2: 3, 3: 4, 4: 5, 5: 6}); !maps.Equal(got, want) {
		t.Errorf("of all: %v, want %v", got, want)
	}
}

// TestNext: what a replay runs next. Of sevenTests, 3 and 5 are not neutral.
func TestQuiet(t *testing.T) {
	s := NewSuite(record(t, segment{kind: "test"}, segment{kind: "test"}, segment{kind: "test", writes: true}, segment{kind: "test"}, segment{kind: "test"},
		segment{kind: "test"}, segment{kind: "test"}), nil, false)
	never := func(int) bool { return false }
	at := func(n int) func(int) bool { return func(segment int) bool { return segment == n } }
	for _, c := range []struct {
		what string
		got  [][2]int
		want [][2]int
	}{
		{"pairs side by side, and looks around a writer of files", s.Quiet(1, []int{1, 2, 4, 5, 7}, never), [][2]int{{1, 2}, {4, 5}}},
		{"nothing side by side", s.Quiet(4, []int{4, 6}, never), nil},
		{"a stop before 5", s.Quiet(4, []int{4, 5, 6}, at(5)), [][2]int{{5, 6}}},
		{"the first look that finds another state", s.QuietWhile(1, 1, never), [][2]int{{1, 2}}},
		{"the second", s.QuietWhile(3, 2, never), [][2]int{{3, 6}}},
		{"the second, with a stop", s.QuietWhile(3, 2, at(5)), [][2]int{{3, 4}}},
		{"many", s.QuietWhile(1, 100, never), [][2]int{{1, 8}}},
		{"all", s.QuietAll(2, at(5)), [][2]int{{2, 4}, {5, 8}}},
	} {
		if !slices.Equal(c.got, c.want) {
			t.Errorf("%s: %v, want %v", c.what, c.got, c.want)
		}
	}
	s.Segments[4].Held = "a destructor's"
	if got, want := s.QuietWhile(3, 100, never), [][2]int{{3, 4}}; !slices.Equal(got, want) {
		t.Errorf("where something is held: %v, want %v", got, want)
	}
	if got, want := s.QuietAll(3, never), [][2]int{{3, 8}}; !slices.Equal(got, want) {
		t.Errorf("where something is held, and nobody asks: %v, want %v", got, want)
	}
}

func TestNext(t *testing.T) {
	s := NewSuite(sevenTests(t), unshared(all), false)
	for _, c := range []struct {
		boundary  int
		converged bool
		pairs     []int
		segment   int
		ok        bool
		why       string
	}{
		{1, true, []int{1}, 1, true, "it stands before its pair"},
		{2, true, []int{1}, 0, false, "its last pair is behind it"},
		{2, false, []int{1}, 2, true, "diverged: nothing is left out"},
		{2, true, []int{1, 7}, 3, true, "what is not neutral leads to the next pair"},
		{4, true, []int{1, 7}, 5, true, "what is neutral is left out"},
		{6, true, []int{1, 7}, 7, true, "only neutral between"},
		{6, false, []int{1, 7}, 6, true, "diverged, before the next pair"},
		{8, true, []int{7}, 0, false, "converged before the end"},
		{8, true, []int{7, 8}, 8, true, "the end is a pair"},
		{8, false, []int{7}, 8, true, "diverged until the end"},
		{9, false, []int{7}, 0, false, "the end is over"},
		{9, true, []int{8}, 0, false, "the end is over"},
		{1, true, nil, 0, false, "no pairs"},
	} {
		if n, ok := s.Next(c.boundary, c.converged, c.pairs); n != c.segment && ok || ok != c.ok {
			t.Errorf("%s: boundary %d, converged %v, pairs %v: %d %v, want %d %v", c.why, c.boundary, c.converged, c.pairs, n, ok, c.segment, c.ok)
		}
	}
}

// TestReasonTexts: each reason has a text of its own.
func TestReasonTexts(t *testing.T) {
	seen := map[string]bool{}
	for r := NoReason + 1; r < Reasons; r++ {
		if text := r.String(); text == "" || seen[text] {
			t.Errorf("reason %d is %q", r, text)
		} else {
			seen[text] = true
		}
	}
	defer func() {
		if recover() == nil {
			t.Error("a reason that there is not has a text")
		}
	}()
	_ = Reasons.String()
}
