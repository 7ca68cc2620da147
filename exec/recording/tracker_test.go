package recording

import (
	"slices"
	"testing"

	"assay/exec/wire"
)

// forTracking is a recording in which test 2 sets a, test 4 sets it back, and test 5
// leaves a clock behind and a file with a name of its own.
func forTracking(t *testing.T) *Recording {
	of := func(clock string) made {
		return made{kinds: tests(6), changes: map[int]wire.Changes{
			0: {"global b": value("0")},
			2: {"global a": value("1")},
			4: {"global a": {}},
			5: {"global clock": {Value: clock, Shape: "int"}},
		}, files: map[int]map[string]string{5: {"temp/" + clock: "d"}}}
	}
	return recorded(t, of("1"), of("2"))
}

// TestTracker: a replay begins in the recording's state, says what it changes, and has
// converged where all roots have what the recording has there.
func TestTracker(t *testing.T) {
	type step struct {
		segment  int // that was run; 0: none
		changes  wire.Changes
		boundary int
		diverged []string
	}
	for _, c := range []struct {
		name  string
		start int
		steps []step
	}{
		{"nothing happened", 1, []step{{1, nil, 2, nil}}},
		{"it changes what the recording changes", 2, []step{{2, wire.Changes{"global a": value("1")}, 3, nil}, {3, nil, 4, nil}}},
		{"it does not", 2, []step{{2, nil, 3, []string{"global a"}}, {3, nil, 4, []string{"global a"}}, {4, nil, 5, nil}}},
		{"it changes something else", 2, []step{{2, wire.Changes{"global a": value("2")}, 3, []string{"global a"}}}},
		{"two things, by name", 1, []step{{1, wire.Changes{"global z": value("1"), "global b": value("9")}, 2, []string{"global b", "global z"}}}},
		{"and puts them back", 1, []step{
			{1, wire.Changes{"global z": value("1"), "global b": value("9")}, 2, []string{"global b", "global z"}},
			{2, wire.Changes{"global a": value("1"), "global z": {}, "global b": value("0")}, 3, nil}}},
		{"sooner than the recording", 3, []step{{3, wire.Changes{"global a": {}}, 4, []string{"global a"}}, {4, nil, 5, nil}}},
		{"later", 4, []step{{4, nil, 5, []string{"global a"}}, {5, wire.Changes{"global a": {}, "global clock": {Value: "3", Shape: "int"}}, 6, nil}}},
		{"segments were left out that change nothing", 3, []step{{4, wire.Changes{"global a": {}}, 5, nil}}},
		{"what it changed before it converged is the recording's", 2, []step{
			{2, wire.Changes{"global a": value("1")}, 3, nil}, {4, wire.Changes{"global a": {}}, 5, nil}, {6, wire.Changes{"global a": value("1"), "global clock": {Value: "9", Shape: "int"}}, 7, []string{"global a"}}}},
		{"a clock shows another time", 5, []step{{5, wire.Changes{"global clock": {Value: "77", Shape: "int"}}, 6, nil}}},
		{"a clock shows no time", 5, []step{{5, wire.Changes{"global clock": {Value: "77", Shape: "null"}}, 6, []string{"global clock"}}}},
		{"a file where the recording leaves none", 1, []step{{1, wire.Changes{"file temp/9": value("d")}, 2, []string{"file temp/9"}}}},
		{"a file where the recording leaves such", 5, []step{{5, wire.Changes{"global clock": {Value: "3", Shape: "int"}, "file temp/9": value("d")}, 6, nil}}},
		{"or a directory with files in it", 5, []step{{5, wire.Changes{"global clock": {Value: "3", Shape: "int"}, "file temp/9": value("d"), "file temp/9/a/b": value("d")}, 6, nil}}},
		{"but not in the project", 5, []step{{5, wire.Changes{"global clock": {Value: "3", Shape: "int"}, "file project/9": value("d")}, 6, []string{"file project/9"}}}},
		{"a root that does not count", 1, []step{{1, wire.Changes{"file temp/1": value("other")}, 2, nil}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			track := forTracking(t).Track(c.start)
			for _, s := range c.steps {
				track.Note(s.segment, s.changes)
				if got := track.Converged(s.boundary); got != (s.diverged == nil) || !slices.Equal(track.Diverged, s.diverged) {
					t.Errorf("at boundary %d: converged %v, diverged %q, want %q", s.boundary, got, track.Diverged, s.diverged)
				}
			}
		})
	}
}

// TestPutBack: a file that was changed and is as it was where the replay began.
func TestPutBack(t *testing.T) {
	m := made{kinds: tests(3), files: map[int]map[string]string{0: {"project/log": "first"}}}
	track := recorded(t, m, m).Track(1)
	track.Note(1, wire.Changes{"file project/log": value("changed"), "file project/new": value("n")})
	if track.Converged(2) || len(track.Diverged) != 2 {
		t.Fatalf("diverged: %q", track.Diverged)
	}
	track.PutBack("file project/new", 1)
	if track.Converged(2) || !slices.Equal(track.Diverged, []string{"file project/log"}) {
		t.Errorf("diverged: %q", track.Diverged)
	}
	track.PutBack("file project/log", 1)
	if !track.Converged(2) {
		t.Errorf("diverged: %q", track.Diverged)
	}
}

// TestTrackFromTheBeginning: boundary 0 has no state; a replay from there says all that
// the building of the suite leaves.
func TestTrackFromTheBeginning(t *testing.T) {
	r := forTracking(t)
	track := r.Track(0)
	track.Note(0, wire.Changes{"global b": value("0")})
	if !track.Converged(1) {
		t.Errorf("diverged: %q", track.Diverged)
	}
	track = r.Track(0)
	track.Note(0, nil)
	if track.Converged(1) || !slices.Equal(track.Diverged, []string{"global b"}) {
		t.Errorf("diverged: %q", track.Diverged)
	}
}

// TestForgive: what a third process of unchanged code has otherwise is compared by as much
// as is the same there, and by no less.
func TestForgive(t *testing.T) {
	m := made{kinds: tests(3), changes: map[int]wire.Changes{
		1: {"global clock": {Value: "1", Shape: "int", Kind: "integer"}, "handler": {Value: "1", Shape: "list of 1", Kind: "Log::handle"}, "global odd": value("1")},
	}}
	r := recorded(t, m, m)
	leaves := func(clock, handler, odd wire.Digest) *Tracker {
		track := r.Track(1)
		track.Note(1, wire.Changes{"global clock": clock, "handler": handler, "global odd": odd})
		return track
	}
	clock := wire.Digest{Value: "2", Shape: "int", Kind: "integer"}
	handler := wire.Digest{Value: "2", Shape: "list of 2", Kind: "Log::handle"}
	third := leaves(clock, handler, wire.Digest{})
	if third.Converged(2) {
		t.Fatal("it is not what was recorded")
	}
	third.Forgive()
	if coarser, ignored := r.Forgiven(); !slices.Equal(coarser, []string{"global clock", "handler"}) || !slices.Equal(ignored, []string{"global odd"}) {
		t.Errorf("coarser %q, ignored %q", coarser, ignored)
	}
	for _, c := range []struct {
		name     string
		track    *Tracker
		diverged []string
	}{
		{"as recorded", leaves(m.changes[1]["global clock"], m.changes[1]["handler"], value("1")), nil},
		{"as in the third", leaves(clock, handler, wire.Digest{}), nil},
		{"other values", leaves(wire.Digest{Value: "3", Shape: "int", Kind: "integer"}, wire.Digest{Value: "3", Shape: "list of 3", Kind: "Log::handle"}, value("3")), nil},
		{"another shape", leaves(wire.Digest{Value: "3", Shape: "list of 1", Kind: "integer"}, handler, value("1")), []string{"global clock"}},
		{"no handler", leaves(clock, wire.Digest{}, value("1")), []string{"handler"}},
	} {
		if got := c.track.Converged(2); got != (c.diverged == nil) || !slices.Equal(c.track.Diverged, c.diverged) {
			t.Errorf("%s: converged %v, diverged %q", c.name, got, c.track.Diverged)
		}
	}
}

// TestForgivenNames: two recordings have agreed by chance in the name of a file. The third
// process has another name, and so has each one after it.
func TestForgivenNames(t *testing.T) {
	m := made{kinds: tests(2), files: map[int]map[string]string{1: {"temp/run-11": "d"}}}
	r := recorded(t, m, m)
	leaves := func(root string) *Tracker {
		track := r.Track(1)
		track.Note(1, wire.Changes{root: FileDigest("d")})
		return track
	}
	third := leaves("file temp/run-14")
	if third.Converged(2) {
		t.Fatal("it has another name")
	}
	third.Forgive()
	for root, want := range map[string]bool{"file temp/run-14": true, "file temp/run-15": true, "file project/run-15": false, "global x": false} {
		if got := leaves(root).Converged(2); got != want {
			t.Errorf("%s: converged %v, want %v", root, got, want)
		}
	}
}

// TestNamesOfTheirOwn: names that are others in every run are made after a pattern. What stands
// under a name that is not made after it counts, even beside them.
func TestNamesOfTheirOwn(t *testing.T) {
	of := func(word string) made {
		return made{kinds: tests(2), changes: map[int]wire.Changes{1: {"static $lines in Poster_" + word + "::line()": value("1")}},
			files: map[int]map[string]string{1: {"temp/poster-" + word + ".txt": "d"}}}
	}
	r := recorded(t, of("3fa9"), of("77b0"))
	for root, own := range map[string]bool{
		"static $lines in Poster_c001::line()": true, "static $lines in Poster_one::line()": true,
		"static $lines in Sheet_c001::line()": false, "static $words in Poster_c001::line()": false, `Fair\Press::$paper`: false,
		"file temp/poster-c001.txt": true, "file temp/sheet-c001.txt": false, "file temp/poster-c001.php": false, "file poster-c001.txt": false,
		"global poster": false,
	} {
		track := r.Track(1)
		track.Note(1, wire.Changes{root: FileDigest("x")})
		if got := track.Converged(2); got != own {
			t.Errorf("%s: converged %v, want %v", root, got, own)
		}
		if got := track.Own(); slices.Contains(got, root) != own {
			t.Errorf("%s: among the names of its own: %q", root, got)
		}
		if got := r.Counts(wire.Changes{root: FileDigest("x")}, 1, []int{1}); got == own {
			t.Errorf("%s: counts: %v", root, got)
		}
	}
	if !r.LeavesOwn(1) || r.LeavesOwn(2) {
		t.Errorf("the first test alone leaves what is declared under a name of its own: %v, %v", r.LeavesOwn(1), r.LeavesOwn(2))
	}
}
