package recording

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"time"

	"assay/exec/wire"
)

// describe fills in what the runs told of a segment besides the state.
func (r *Recording) describe(n int, plain, probed *Run) {
	s := &r.Segments[n]
	if n < len(plain.Segments) {
		s.Time = time.Duration(plain.Segments[n].Time) * time.Microsecond
		s.Starts = startsIn(n, plain) && startsIn(n, probed)
		r.noteUnknown(n, plain, probed)
	}
	s.LeavesFiles = n < len(plain.Files) && len(plain.Files[n]) > 0 || n < len(probed.Files) && len(probed.Files[n]) > 0
	s.LeavesProcesses = n < len(plain.Alive) && plain.Alive[n]
	if s.LeavesProcesses != r.Lives(n) {
		s.Neutral = false
	}
	loaded := map[string]bool{}
	for _, run := range []*Run{plain, probed} {
		if n >= len(run.Segments) {
			continue
		}
		for path := range InRoot(run.Root, run.Segments[n].Files) {
			loaded[path] = true
		}
	}
	s.Loaded = slices.Sorted(maps.Keys(loaded))
	for _, path := range s.Loaded {
		if _, ok := r.loads[path]; !ok {
			r.loads[path] = n
		}
	}
	r.noteOpened(n, loaded, plain, probed)
	if n < len(plain.Segments) && n < len(probed.Segments) {
		if s.Held = plain.Segments[n].Held; s.Held != probed.Segments[n].Held {
			s.Held = AnyHeld
		}
	}
	s.OwnIn, s.Wrote = r.ownIn(n, plain), r.wrote(n, plain)
	if n < len(probed.Segments) {
		s.Used = probed.Segments[n].Used
		s.Points = slices.Clone(probed.Segments[n].Points.Points)
		slices.Sort(s.Points)
		s.Points = slices.Compact(s.Points)
		for _, p := range s.Points {
			r.passing[p] = append(r.passing[p], n)
		}
	}
}

// noteUnknown notes what is behind a segment that cannot be looked at, or compared.
func (r *Recording) noteUnknown(n int, plain, probed *Run) {
	for root, what := range plain.Segments[n].Unknown {
		if isMade(root) {
			_, both := unknownIn(probed, n)[root]
			r.Segments[n].Makes = r.Segments[n].Makes || both
			continue
		}
		r.Unknown[root], r.unseen[n+1] = what, true
	}
}

// wrote gives the roots that a segment changes, sorted, but for those that only one run has.
func (r *Recording) wrote(n int, plain *Run) (out []string) {
	for root := range changesOf(plain, n, map[string]string{}) {
		if !r.single[root] {
			out = append(out, root)
		}
	}
	slices.Sort(out)
	return out
}

// isMade reports whether what cannot be compared is a class or a function that eval() has made.
func isMade(root string) bool {
	return strings.HasPrefix(root, "class ") || strings.HasPrefix(root, "function ")
}

func unknownIn(run *Run, n int) map[string]string {
	if n >= len(run.Segments) {
		return nil
	}
	return run.Segments[n].Unknown
}

// startsIn reports whether processes were started in a segment of a run. One that something
// else on the machine starts may be taken for one of the tests', so both runs have to say so.
func startsIn(n int, run *Run) bool { return n >= len(run.Segments) || run.Segments[n].Starts }

// noteOpened fills in what was opened in a segment, and whether that was to load it. A process loads
// a file once, and says so, as the harness does of what it reads itself: what was opened more often
// was read as text as well. Of what is no source that says little: PHPUnit looks at test files first.
func (r *Recording) noteOpened(n int, loaded map[string]bool, plain, probed *Run) {
	s := &r.Segments[n]
	reads, loads := map[string]bool{}, map[string]int{}
	if n < len(probed.Segments) {
		for _, file := range probed.Segments[n].Foreign { // by each process once
			maps.Copy(reads, countIn(loads, probed.Root, file))
		}
	}
	if n < len(plain.Segments) {
		countIn(loads, plain.Root, plain.Segments[n].Files...)
		for _, file := range plain.Segments[n].Looked {
			countIn(loads, plain.Root, file)
		}
	}
	if n < len(plain.Opened) {
		s.Opened = slices.Sorted(maps.Keys(plain.Opened[n]))
	}
	for _, path := range s.Opened {
		if strings.HasSuffix(path, "/") {
			continue
		}
		if plain.Opened[n][path] > loads[path] {
			s.Texts = append(s.Texts, path)
		}
		if !loaded[path] {
			reads[path] = true
		}
	}
	s.Reads = slices.Sorted(maps.Keys(reads))
}

// countIn counts those of some absolute paths that lie below a root, each once, and gives them.
func countIn(counts map[string]int, root string, files ...string) map[string]bool {
	in := InRoot(root, files)
	for path := range in {
		counts[path]++
	}
	return in
}

// InRoot gives those of some absolute paths that lie below a root, relative to it.
func InRoot(root string, files []string) map[string]bool {
	out := map[string]bool{}
	for _, f := range files {
		if rel, err := filepath.Rel(root, f); err == nil && rel != ".." && !strings.HasPrefix(rel, "../") {
			out[filepath.ToSlash(rel)] = true
		}
	}
	return out
}

// End is the number of the last segment.
func (r *Recording) End() int { return len(r.Segments) - 1 }

// StateAt gives the state at a boundary.
func (r *Recording) StateAt(boundary int) State { return r.states[boundary] }

// StatesKey tells apart the states in which some segments begin. It is the same in every
// run in which they are.
func (r *Recording) StatesKey(segments []int) string {
	h := sha256.New()
	for _, n := range segments {
		if n > 0 {
			h.Write([]byte(r.keys[r.states[n]]))
		}
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// States is the number of different states.
func (r *Recording) States() int { return r.count }

// Passing gives the segments that pass a point, ascending; not to be written to.
func (r *Recording) Passing(point int) []int { return r.passing[point] }

// LoadedIn gives the segment in which a file was loaded first; ok is false where it
// was loaded in none.
func (r *Recording) LoadedIn(path string) (n int, ok bool) {
	n, ok = r.loads[path]
	return n, ok
}

// LoadedBy gives the project's files that were loaded before a boundary.
func (r *Recording) LoadedBy(boundary int) []string {
	var out []string
	for path, n := range r.loads {
		if n < boundary {
			out = append(out, path)
		}
	}
	slices.Sort(out)
	return out
}

// Lives reports whether processes that the tests have started live at a boundary. A
// checkpoint there would share them with its replays.
func (r *Recording) Lives(boundary int) bool {
	return boundary > 0 && r.Segments[boundary-1].LeavesProcesses
}

// LivesEver reports whether tests leave processes that live on, anywhere in the suite.
func (r *Recording) LivesEver() bool {
	return slices.ContainsFunc(r.Segments, func(s Segment) bool { return s.LeavesProcesses })
}

// Unseen reports whether there is state at a boundary that cannot be seen whole.
func (r *Recording) Unseen(boundary int) bool { return r.unseen[boundary] }

// Hides reports whether a segment changes a root of which less than the value counts, leaves
// files under names that are others in every run, or makes classes or functions by eval() under
// names that are not: what else a mutant leaves in them does not show. Whoever looks through a
// folder finds its files; classes nobody finds without their names.
func (r *Recording) Hides(segment int) bool { return r.HiddenBy(segment) != "" }

// HiddenBy gives the first thing that has a segment hide something, for people; "" for none.
func (r *Recording) HiddenBy(segment int) string {
	s := r.Segments[segment]
	if s.Makes {
		return "code that is made by eval()"
	}
	if i := slices.IndexFunc(s.Wrote, r.IsCoarse); i >= 0 {
		return s.Wrote[i]
	}
	if slices.ContainsFunc(s.OwnIn, func(pattern string) bool { return !isDeclared(pattern) }) {
		return "files under names that are others in every run"
	}
	return ""
}

// HidingTests counts the tests that do.
func (r *Recording) HidingTests() (n int) {
	for _, t := range r.Tests {
		if r.Hides(t.Segment) {
			n++
		}
	}
	return n
}

// LastWith gives the last boundary up to a limit that has a state, and at which no
// processes live; 0 for none.
func (r *Recording) LastWith(s State, limit int) int {
	for n := min(limit, r.End()); n > 0; n-- {
		if r.states[n] == s && !r.Lives(n) {
			return n
		}
	}
	return 0
}

// NeutralShare is the share of tests that leave the state as they find it, from 0 to 1.
func (r *Recording) NeutralShare() float64 {
	tests, neutral := 0, 0
	for _, s := range r.Segments {
		if s.Kind == Test {
			tests++
			if s.Neutral {
				neutral++
			}
		}
	}
	if tests == 0 {
		return 1
	}
	return float64(neutral) / float64(tests)
}

// A Changed says how many tests leave something of the state changed.
type Changed struct {
	Root  string
	Tests int
}

// MostChanged gives the parts of the state that most tests leave changed, up to n of them.
func (r *Recording) MostChanged(n int) []Changed {
	var all []Changed
	for root, changes := range r.history {
		tests := 0
		for _, c := range changes {
			if r.Segments[c.boundary-1].Kind == Test {
				tests++
			}
		}
		if tests > 0 {
			all = append(all, Changed{root, tests})
		}
	}
	slices.SortFunc(all, func(a, b Changed) int {
		return cmp.Or(b.Tests-a.Tests, strings.Compare(a.Root, b.Root))
	})
	return all[:min(n, len(all))]
}

// digestAt gives the digest of a root at a boundary.
func (r *Recording) digestAt(root string, boundary int) wire.Digest {
	changes := r.history[root]
	i := sort.Search(len(changes), func(i int) bool { return changes[i].boundary > boundary })
	if i == 0 {
		return wire.Digest{}
	}
	return changes[i-1].digest
}

// Forgiven gives the roots of which less counts than the recordings tell, sorted; those of
// which nothing does are in ignored.
func (r *Recording) Forgiven() (coarser, ignored []string) {
	r.raised.Range(func(root, level any) bool {
		if level.(Level) == NotAtAll {
			ignored = append(ignored, root.(string))
		} else {
			coarser = append(coarser, root.(string))
		}
		return true
	})
	slices.Sort(coarser)
	slices.Sort(ignored)
	return coarser, ignored
}

// A Tracker follows the state of a replay from a boundary at which it is the
// recording's.
type Tracker struct {
	r        *Recording
	start    int
	asked    int // boundary of the last Converged
	own      map[string]wire.Digest
	left     map[string]bool // roots that were ever changed
	patterns map[string]bool // of the names of roots that the recording does not have, and that do not count
	Diverged []string        // roots that differ, as of the last Advance; sorted
}

// Track begins at a boundary.
func (r *Recording) Track(boundary int) *Tracker {
	return &Tracker{r: r, start: boundary, own: map[string]wire.Digest{}, left: map[string]bool{}, patterns: map[string]bool{}}
}

// Clone gives one that follows from here on by itself.
func (t *Tracker) Clone() *Tracker {
	c := *t
	c.own, c.left, c.patterns, c.Diverged = maps.Clone(t.own), maps.Clone(t.left), maps.Clone(t.patterns), slices.Clone(t.Diverged)
	return &c
}

// Note takes in roots that the replay has changed by the end of a segment.
func (t *Tracker) Note(segment int, changes wire.Changes) {
	for n := t.start; n <= segment && n < len(t.r.Segments); n++ {
		for _, pattern := range t.r.Segments[n].OwnIn {
			t.patterns[pattern] = true
		}
	}
	for root, d := range changes {
		t.own[root], t.left[root] = d, true
		if d.Value == "" && strings.HasPrefix(root, FileRoot("")) { // with all that was in a directory
			for below := range t.r.history {
				if strings.HasPrefix(below, root+"/") {
					t.own[below] = wire.Digest{}
				}
			}
		}
	}
}

// HasFilesOf says that files are as they are at a boundary, when the replay begins.
func (t *Tracker) HasFilesOf(boundary int) {
	for root := range t.r.history {
		if strings.HasPrefix(root, FileRoot("")) {
			t.own[root] = t.r.digestAt(root, boundary)
		}
	}
}

// PutBack says that a root is again what it was at a boundary.
func (t *Tracker) PutBack(root string, boundary int) { t.own[root] = t.r.digestAt(root, boundary) }

// Converged reports whether the state is what the recording has at a boundary.
func (t *Tracker) Converged(boundary int) bool {
	t.Diverged, t.asked = nil, boundary
	roots := map[string]bool{}
	for root := range t.own {
		roots[root] = true
	}
	for root, changes := range t.r.history {
		for _, c := range changes {
			if c.boundary > t.start && c.boundary <= boundary {
				roots[root] = true
			}
		}
	}
	for root := range roots {
		if own, level := t.ownDigest(root), t.r.level(root); level.of(own) != level.of(t.r.digestAt(root, boundary)) && !t.forgives(root) {
			t.Diverged = append(t.Diverged, root)
		}
	}
	slices.Sort(t.Diverged)
	if len(t.Diverged) > 0 {
		return false
	}
	t.start, t.own = boundary, map[string]wire.Digest{}
	return true
}

// ownDigest gives the digest that a root has in the replay.
func (t *Tracker) ownDigest(root string) wire.Digest {
	if own, ok := t.own[root]; ok {
		return own
	}
	return t.r.digestAt(root, t.start)
}

// Forgive has less count of the roots that have diverged, as much less as that takes, in all comparisons from now on. It is for a third process that runs unchanged code:
// two recordings that are made at a time can agree by chance in what time it is, or in the
// number of a process.
func (t *Tracker) Forgive() {
	for _, root := range t.Diverged {
		level := t.r.level(root).atLeast(t.ownDigest(root), t.r.digestAt(root, t.asked))
		t.r.raised.Store(root, level)
		if pattern := t.r.patternOf(root); level == NotAtAll && pattern != "" && t.r.history[root] == nil {
			t.r.patterns.Store(pattern, true) // the next process has another name there
		}
	}
}

func (t *Tracker) forgives(root string) bool { return t.r.isOwn(root, t.patterns) }

// Counts reports whether what was left behind by some segments that begin at a boundary, and
// are neutral, makes a difference.
func (r *Recording) Counts(changes wire.Changes, boundary int, segments []int) bool {
	patterns := r.patternsOf(segments)
	for root, d := range changes {
		if level := r.level(root); level.of(d) != level.of(r.digestAt(root, boundary)) && !r.isOwn(root, patterns) {
			return true
		}
	}
	return false
}

// Shape tells apart what the suite was seen to be made of, and where it leaves the same state as
// elsewhere; unlike the states themselves it is the same wherever the project lies.
func (r *Recording) Shape() string {
	h := sha256.New()
	for n, s := range r.Segments {
		fmt.Fprintf(h, "%d %q %d %v %d\n", s.Kind, s.Class, s.Test, s.Neutral, r.states[n])
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}
