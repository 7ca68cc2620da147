package judging

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"assay/exec/recording"
)

// Form says how pairs are replayed.
type Form uint8

// The zero Form is a bug.
const (
	FormUnset Form = iota
	Batched
	Played
)

// Entry says how a mutant gets into a process.
type Entry uint8

// The zero Entry is a bug.
const (
	EntryUnset Entry = iota
	Selected         // the file was loaded with its mutants in it
	Swapped          // the changed file is in place when it is loaded
)

// A Subject is a mutant, as far as it matters for planning.
type Subject struct {
	Entry Entry
	Path  string // of its file
	Pairs []int  // segments that pass it, ascending
	Order []int  // the tests among them, in the order that kills soonest
	// Rebuilt are tests whose data may be others with the mutant, because the building
	// of the suite passes it for them; all of them where All is true.
	Rebuilt map[int]bool
	All     bool
	// FromStart is true where the suite has to be built with the mutant, although nothing
	// of that passes it.
	FromStart bool
}

// A Step is some pairs of a mutant.
type Step struct {
	Form     Form
	Entry    Entry
	Boundary int  // where the replay begins; 0: with the building of the suite
	Swap     bool // the changed file is in place as well, for those who read it
	Tests    []int
	Segments []int // ascending; played
	// Through is true where all segments behind the first are run, whatever state is left.
	Through bool
	// Alone is true where all that is asked is whether a test, the only one of Tests,
	// fails by itself, with the segments that are run for it.
	Alone bool
}

// Reason says why a pair cannot be batched.
type Reason uint8

// Reasons, in the order in which they are looked for. The zero Reason is none.
const (
	NoReason   Reason = iota
	NoTest            // the segment is no test
	NotCopied         // no copy of the test can be run
	NotNeutral        // the test leaves the state changed
	NoBoundary        // where the mutant can get in, the state is another
	Refused           // a copy, unchanged, did not pass there
	Suspicious        // the batch ended there
	OnlyCold          // PHP cannot fork, or is not to
	Shares            // processes live there that the tests have started
	Closed            // the controls of batches did not pass
	NoControl         // nothing there could serve as a control
	Scattered         // the mutant's tests begin in more states than batches are worth
	Reasons           // their number
)

var reasonTexts = [Reasons]string{"", "no test", "not copied", "not neutral", "no boundary with that state",
	"refused by the rehearsal", "ended a batch", "no forks", "processes live", "batches are closed", "no control", "too many states"}

func (r Reason) String() string {
	if r >= Reasons {
		panic(fmt.Sprintf("judging: reason %d has no text", r))
	}
	return reasonTexts[r]
}

// Suite is what planning asks of the unchanged suite.
type Suite struct {
	*recording.Recording
	Copied    map[int][]string // tests of which copies can be run, and the roots of objects that these share with others
	Refused   map[int]bool     // tests of which a copy did not pass
	Cold      bool             // nothing can be forked
	NoBatches bool             // everything is played
	Whole     bool             // every mutant has the whole suite run, since what tests leave is not put back
	Unwatched bool             // nobody knows which files tests open
	main      map[recording.State]int
	time      []time.Duration // segment => time of all before it
}

// NewSuite prepares for planning.
func NewSuite(r *recording.Recording, copied map[int][]string, cold bool) *Suite {
	s := &Suite{Recording: r, Copied: copied, Refused: map[int]bool{}, Cold: cold, main: map[recording.State]int{}, time: timesBefore(r)}
	for n := 1; n < r.End(); n++ {
		if !r.Lives(n) {
			s.main[r.StateAt(n)] = n
		}
		s.Unwatched = s.Unwatched || slices.Contains(r.Segments[n].Opened, "*")
	}
	return s
}

// limit is the last boundary from which a mutant can get in.
func (s *Suite) limit(m *Subject) int {
	if m.Entry == Swapped {
		if n, ok := s.LoadedIn(m.Path); ok {
			return n
		}
	}
	return s.End()
}

// boundary gives where a test can be batched, or why it cannot.
func (s *Suite) boundary(m *Subject, test int) (int, Reason) {
	segment := s.Tests[test].Segment
	switch {
	case s.Cold:
		return 0, OnlyCold
	case s.NoBatches:
		return 0, Closed
	case s.Refused[test]:
		return 0, Refused
	case !s.isCopied(test) || slices.ContainsFunc(s.Copied[test], s.IsCoarse): // what a copy does to what it shares must show
		return 0, NotCopied
	case !s.Segments[segment].Neutral:
		return 0, NotNeutral
	case s.Lives(segment):
		return 0, Shares
	}
	state := s.StateAt(segment)
	if limit := s.limit(m); limit < s.main[state] {
		if n := s.LastWith(state, limit); n > 0 {
			return n, NoReason
		}
		return 0, NoBoundary
	}
	if m.Entry == Selected && s.swaps(segment) {
		// The file must have been loaded with its mutants in it: a batch that loads it
		// would load the changed one, and keep it for the mutants behind the first.
		if loaded, ok := s.LoadedIn(m.Path); !ok || s.main[state] <= loaded {
			return 0, NoBoundary
		}
	}
	return s.main[state], NoReason
}

// BatchedAt gives the boundary at which a test can be batched; ok is false for none.
func (s *Suite) BatchedAt(m *Subject, test int) (boundary int, ok bool) {
	boundary, reason := s.boundary(m, test)
	return boundary, reason == NoReason
}

// swaps reports whether the changed file has to be in place for a segment even if its
// mutant is selected, because it may be read there.
func (s *Suite) swaps(segment int) bool {
	return s.Unwatched || len(s.Segments[segment].Reads) > 0
}

// mostBetween is how much time may go by with segments that only lead from one pair to
// the next: another fork is quicker then.
const mostBetween = 5 * time.Millisecond

// Plan gives the steps of a mutant, in the order in which they are to be made, and
// counts why pairs are not batched.
//
// Where the building of the suite passes a mutant, the tests whose data that may change
// come behind a step that builds it: if that leaves the same suite, the same data and the
// same state, they are like all the others.
func (s *Suite) Plan(m *Subject, why *[Reasons]int) []Step {
	if s.Whole {
		return s.Play(m, m.Pairs)
	}
	order, pairs := m.Order, m.Pairs
	if s.scattered(m) {
		if why != nil {
			why[Scattered] += len(order)
		}
		order = nil
	}
	var steps []Step
	batched := map[int]bool{}
	if len(pairs) > 0 && pairs[0] == 0 && m.Entry == Selected && !s.Cold && !s.NoBatches {
		var first []int
		first, order = split(order, func(test int) bool { return !m.All && !m.Rebuilt[test] })
		steps, batched = s.batches(m, first, why)
		steps, pairs = append(steps, s.played(m, pairs[:1:1])), pairs[1:]
		if why != nil {
			why[NoTest]++
		}
	}
	more, in := s.batches(m, order, why)
	steps = append(steps, more...)
	maps.Copy(batched, in)
	var left []int
	for _, n := range pairs {
		if !batched[n] {
			left = append(left, n)
			if why != nil && s.Segments[n].Kind != recording.Test {
				why[NoTest]++
			}
		}
	}
	return append(steps, s.PlayOrThrough(m, left)...)
}

// split gives the tests of which something is true, and the rest.
func split(tests []int, is func(int) bool) (yes, no []int) {
	for _, t := range tests {
		if is(t) {
			yes = append(yes, t)
		} else {
			no = append(no, t)
		}
	}
	return yes, no
}

// batches gives the steps that batch what can be of some tests, and whose segments those
// are.
func (s *Suite) batches(m *Subject, tests []int, why *[Reasons]int) (steps []Step, batched map[int]bool) {
	type key struct {
		boundary int
		swap     bool
	}
	batches := map[key][]int{}
	var keys []key
	batched = map[int]bool{}
	for _, test := range tests {
		n, reason := s.boundary(m, test)
		if reason != NoReason {
			if why != nil {
				why[reason]++
			}
			continue
		}
		segment := s.Tests[test].Segment
		k := key{n, m.Entry == Swapped || s.swaps(segment)}
		if batches[k] == nil {
			keys = append(keys, k)
		}
		batches[k] = append(batches[k], test)
		batched[segment] = true
	}
	slices.SortFunc(keys, func(a, b key) int {
		if a.boundary != b.boundary {
			return a.boundary - b.boundary
		}
		if a.swap == b.swap {
			return 0
		}
		if b.swap {
			return -1
		}
		return 1
	})
	for _, k := range keys {
		steps = append(steps, Step{Form: Batched, Entry: m.Entry, Boundary: k.boundary, Swap: k.swap, Tests: batches[k]})
	}
	return steps, batched
}

// Play gives the steps that play some pairs.
func (s *Suite) Play(m *Subject, pairs []int) []Step {
	if s.Whole {
		return []Step{s.Through(m, m.Pairs)}
	}
	var steps []Step
	pairs = s.withLastTests(pairs)
	for len(pairs) > 0 {
		n := s.together(m, pairs)
		steps = append(steps, s.played(m, pairs[:n:n]))
		pairs = pairs[n:]
	}
	return steps
}

// played gives the step that plays some segments.
func (s *Suite) played(m *Subject, segments []int) Step {
	step := Step{Form: Played, Entry: m.Entry, Segments: segments, Boundary: segments[0], Swap: m.Entry == Swapped}
	if m.Entry == Swapped && s.limit(m) < step.Boundary {
		if step.Boundary = s.limit(m); step.Boundary > 0 { // it may be loaded by nothing that passes the mutant
			step.Segments = slices.Insert(slices.Clone(segments), 0, step.Boundary)
		}
	}
	if m.FromStart || s.Whole {
		step.Boundary = 0
	}
	for s.Lives(step.Boundary) {
		step.Boundary--
	}
	if s.Cold {
		step.Boundary = 0
	}
	if step.Boundary == 0 { // files that have all their mutants in them take longer to load
		step.Entry, step.Swap = Swapped, true
	}
	for _, n := range segments {
		step.Swap = step.Swap || s.swaps(n) || s.Isolated(n)
	}
	return step
}

// Unseen gives the pairs of a mutant from the first on that begins or ends in a state that cannot be
// seen whole, or changes what cannot be compared whole; none where there is no such pair.
func (s *Suite) Unseen(m *Subject) []int {
	i := slices.IndexFunc(m.Pairs, func(n int) bool {
		return s.Recording.Unseen(n) || s.Hides(n) || n < s.End() && s.Recording.Unseen(n+1)
	})
	if i < 0 {
		return nil
	}
	return m.Pairs[i:]
}

// withLastTests adds the last test of a class to what is run after it: PHPUnit 9 counts a
// failure there against that test, and cannot where none has been run.
func (s *Suite) withLastTests(pairs []int) []int {
	var out []int
	for _, n := range pairs {
		if s.Segments[n].Kind == recording.Leave && s.Segments[n-1].Kind == recording.Test && (len(out) == 0 || out[len(out)-1] != n-1) {
			out = append(out, n-1)
		}
		out = append(out, n)
	}
	return out
}

// Isolated reports whether PHPUnit may run a segment's test in another process: it cannot be
// copied.
func (s *Suite) Isolated(segment int) bool {
	return s.Segments[segment].Kind == recording.Test && !s.isCopied(s.Segments[segment].Test)
}

func (s *Suite) isCopied(test int) bool {
	_, ok := s.Copied[test]
	return ok
}

// together says how many of some pairs are played by one process.
func (s *Suite) together(m *Subject, pairs []int) int {
	if m.Entry == Swapped || pairs[0] == 0 || s.Cold {
		return len(pairs)
	}
	for i := 1; i < len(pairs); i++ {
		between := time.Duration(0)
		for n := pairs[i-1] + 1; n < pairs[i]; n++ {
			if !s.Segments[n].Neutral {
				between += s.Segments[n].Time
			}
		}
		if between > mostBetween {
			return i
		}
	}
	return len(pairs)
}
