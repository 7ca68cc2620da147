package recording

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"sort"
	"strings"
	"sync"
	"time"

	"assay/exec/wire"
)

// Kind says what a segment is.
type Kind uint8

// The zero Kind is a bug wherever it is seen.
const (
	KindUnset Kind = iota
	Build          // bootstrap and data providers
	Enter          // what is run before the first test of a class
	Test
	Leave // what is run after the last test of a class
	End   // shutdown functions and destructors
)

// A Segment is a part of the suite's run.
type Segment struct {
	Kind    Kind
	Test    int // number of the test; -1 for none
	Class   string
	Time    time.Duration
	Points  []int // passed, ascending
	Loaded  []string
	Opened  []string // in the project, besides what was loaded
	Used    []string // project files of which functions were run
	Neutral bool
	// Reads has the sources that are opened here by somebody else than who loads them: read as
	// text, or run by a process that the tests start.
	Reads []string
	// Texts has what was opened more often than processes say that they have loaded it, so that it
	// may be read as text.
	Texts []string
	// Held is a digest of what the test still holds that has a destructor; "" for nothing,
	// AnyHeld where it is not the same from run to run.
	Held string
	// OwnIn has patterns of the names of roots that are left here and are others in every run:
	// of files, and of static properties and variables; see patternOf.
	OwnIn []string
	// Makes is true where classes or functions are made by eval() whose names are the same in both runs.
	Makes bool
	// Wrote has the roots that were changed here in the first run, sorted, but for these.
	Wrote []string
	// Starts is true where processes may be started.
	Starts bool
	// LeavesFiles is true where files are others when it is over.
	LeavesFiles bool
	// LeavesProcesses is true where processes that were started here, or before, live
	// on when it is over.
	LeavesProcesses bool
}

// declared begins the pattern of a static property or variable.
const declared = "declared "

// AnyHeld stands for what a test holds that differs from run to run.
const AnyHeld = "*"

// A TestInfo is one test.
type TestInfo struct {
	ID, Class, Method string
	File              string // of its class, as the process saw it
	Text, Data        string // what its data say; their digest
	Depends           []string
	Segment           int
	Time              time.Duration
	Outcome           string // "passed", or the last event that PHPUnit had of it
	Assertions        int
}

// State numbers what is the same at all boundaries that have it.
type State int

// A Recording is what was seen of the unchanged suite.
type Recording struct {
	Segments []Segment
	Tests    []TestInfo
	Volatile []string            // roots of which only the shape or the kind counts, sorted
	Ignored  []string            // roots that do not count at all, sorted
	Unknown  map[string]string   // roots that cannot be seen whole => what hides something
	unseen   []bool              // boundary => some of these are there
	states   []State             // boundary => state
	keys     []string            // state => what tells it apart in all runs
	history  map[string][]change // root => its digests, by boundary
	count    int
	passing  map[int][]int // point => segments, ascending
	loads    map[string]int
	levels   map[string]Level // root => what counts of it, where that is not the value
	single   map[string]bool  // ignored roots that only one of the runs has
	common   map[string]bool  // words that names of these have in both runs
	raised   sync.Map         // root => Level: roots that were forgiven
	patterns sync.Map         // of the names of forgiven roots that are others in every run
}

// change is the digest that a root has from a boundary on.
type change struct {
	boundary int
	digest   wire.Digest
}

// Level says what counts of a root.
type Level int

// Levels, each coarser than the one before.
const (
	ByValue Level = iota
	ByShape
	ByKind
	NotAtAll
)

// of gives what counts of a digest; "" for as declared.
func (l Level) of(d wire.Digest) string {
	switch l {
	case ByValue:
		return d.Value
	case ByShape:
		return d.Shape
	case ByKind:
		return d.Kind
	}
	return ""
}

// atLeast gives the first level from one on at which two digests are the same.
func (l Level) atLeast(a, b wire.Digest) Level {
	for l.of(a) != l.of(b) {
		l++
	}
	return l
}

// A Run is what one process told of its segments, in order; the first is 0.
type Run struct {
	Suite    wire.Suite
	Segments []wire.Segment
	Files    []map[string]string // segment => files that it left changed => digest, "" for gone
	Alive    []bool              // segment => whether processes that the tests started lived behind it
	Opened   []map[string]int    // segment => what was opened, relative to the root, and how often
	Ran      map[int]Ran         // test => its run
	Events   []wire.Event
	Root     string      // of the view
	Memory   int64       // the peak, in bytes
	Built    int64       // microseconds that building the suite took
	Limit    string      // of PHP on that, as memory_limit has it; "" where the project sets its own
	Classes  [][2]string // PHPUnit's own that were loaded, with their files
	Declared [][2]string // names that were asked for, with the files that declared them
	// Values has what observed expressions had, by site; see wire.Values.
	Values  map[int][]string
	Refused []int // mutants that were observed, and of whose values some could not be worked out
}

// Ran is what was seen of one test's run.
type Ran struct {
	Time       time.Duration
	Assertions int
	Ended      bool
}

// FileRoot names the root that stands for a file in the view.
func FileRoot(path string) string { return "file " + path }

// New puts together what two runs told: one of the sources as they are, one with
// points in them. The error says in what the two differ that must not.
func New(plain, probed *Run) (*Recording, error) {
	if err := SameSuite(plain.Suite, probed.Suite); err != nil {
		return nil, err
	}
	r := &Recording{history: map[string][]change{}, passing: map[int][]int{}, loads: map[string]int{}, levels: map[string]Level{}, Unknown: map[string]string{}}
	n := len(plain.Suite.Segments) + 1
	if len(plain.Segments) < n || len(probed.Segments) < n {
		return nil, fmt.Errorf("of %d segments %d and %d were told of", n, len(plain.Segments), len(probed.Segments))
	}
	r.Segments = make([]Segment, n+1)
	r.Segments[0] = Segment{Kind: Build, Test: -1}
	r.Segments[n] = Segment{Kind: End, Test: -1}
	for i, row := range plain.Suite.Segments {
		kind := map[string]Kind{"test": Test, "enter": Enter, "leave": Leave}[row.Kind]
		r.Segments[i+1] = Segment{Kind: kind, Test: row.Test, Class: row.Class}
	}
	r.addTests(plain)
	r.compare(plain, probed)
	r.states, r.unseen = make([]State, n+1), make([]bool, n+2)
	r.number(plain)
	for i := range r.Segments {
		r.describe(i, plain, probed)
	}
	return r, nil
}

// SameSuite makes sure that two processes have built the same tests in the same order.
func SameSuite(a, b wire.Suite) error {
	for i := range a.Tests {
		if i >= len(b.Tests) || a.Tests[i].ID != b.Tests[i].ID {
			return fmt.Errorf("the suite is not the same when it is built twice: test %d is %s only once", i+1, a.Tests[i].ID)
		}
	}
	if len(a.Tests) != len(b.Tests) {
		return fmt.Errorf("the suite has %d tests when built once and %d when built again", len(a.Tests), len(b.Tests))
	}
	if !slices.Equal(a.Segments, b.Segments) {
		return fmt.Errorf("the suite has the same tests when it is built twice, and other classes around them")
	}
	return nil
}

func (r *Recording) addTests(plain *Run) {
	r.Tests = make([]TestInfo, len(plain.Suite.Tests))
	for i, t := range plain.Suite.Tests {
		ran := plain.Ran[i]
		r.Tests[i] = TestInfo{ID: t.ID, Class: t.Class, Method: t.Method, File: t.File, Text: t.Text, Data: t.Data, Depends: t.Depends,
			Time: ran.Time, Assertions: ran.Assertions, Outcome: "passed"}
	}
	for i, s := range r.Segments {
		if s.Kind == Test {
			r.Tests[s.Test].Segment = i
		}
	}
	for _, e := range plain.Events {
		if e.Test >= 0 && e.Test < len(r.Tests) {
			r.Tests[e.Test].Outcome = e.Kind
		}
	}
}

// FileDigest is what counts of a file whose content has a digest; "" for a file that is
// gone.
func FileDigest(content string) wire.Digest {
	if content == "" {
		return wire.Digest{}
	}
	return wire.Digest{Value: content, Shape: "file", Kind: "file"}
}

// changesOf gives the roots that a segment changed, with those of files; now has the
// roots that there are before it.
func changesOf[V any](run *Run, n int, now map[string]V) wire.Changes {
	if n >= len(run.Segments) {
		return nil
	}
	out := maps.Clone(run.Segments[n].Changes)
	if out == nil {
		out = wire.Changes{}
	}
	for path, digest := range run.Files[n] {
		root := FileRoot(path)
		if out[root] = FileDigest(digest); digest != "" {
			continue
		}
		for below := range now { // what was in a directory that is gone
			if strings.HasPrefix(below, root+"/") {
				out[below] = wire.Digest{}
			}
		}
	}
	return out
}

// compare finds the roots that differ from run to run, and at which level they do not.
func (r *Recording) compare(a, b *Run) {
	of := [2]map[string]wire.Digest{{}, {}}
	for n := range r.Segments {
		touched := map[string]bool{}
		for i, run := range []*Run{a, b} {
			for root, d := range changesOf(run, n, of[i]) {
				of[i][root], touched[root] = d, true
			}
		}
		for root := range touched {
			if l := r.levels[root].atLeast(of[0][root], of[1][root]); l > r.levels[root] {
				r.levels[root] = l
			}
		}
	}
	r.single = map[string]bool{}
	var words [2][]string
	for root, level := range r.levels {
		if level < NotAtAll {
			r.Volatile = append(r.Volatile, root)
			continue
		}
		_, inA := of[0][root]
		_, inB := of[1][root]
		switch r.single[root] = inA != inB; {
		case !r.single[root]:
		case inA:
			words[0] = append(words[0], wordsOf(root)...)
		default:
			words[1] = append(words[1], wordsOf(root)...)
		}
		r.Ignored = append(r.Ignored, root)
	}
	slices.Sort(r.Volatile)
	slices.Sort(r.Ignored)
	r.common = inBoth(words[0], words[1])
}

// Levels gives what counts of roots that differ from run to run.
func (r *Recording) Levels() map[string]int {
	out := map[string]int{}
	for root, level := range r.levels {
		out[root] = int(level)
	}
	return out
}

// level gives what counts of a root now.
func (r *Recording) level(root string) Level {
	if l, ok := r.raised.Load(root); ok {
		return l.(Level)
	}
	return r.levels[root]
}

// IsCoarse reports whether less than the value of a root counts.
func (r *Recording) IsCoarse(root string) bool { return r.level(root) != ByValue }

// number gives each boundary its state.
func (r *Recording) number(plain *Run) {
	now, known := map[string]string{}, map[string]State{}
	for n := range r.Segments {
		if n == 0 {
			r.states[0] = -1
			continue
		}
		for root, d := range changesOf(plain, n-1, now) {
			digest := r.levels[root].of(d)
			if now[root] == digest {
				continue
			}
			if now[root] = digest; digest == "" {
				delete(now, root)
			}
			r.history[root] = append(r.history[root], change{n, d})
		}
		key := stateKey(now)
		if _, ok := known[key]; !ok {
			known[key] = State(len(known))
			sum := sha256.Sum256([]byte(key))
			r.keys = append(r.keys, hex.EncodeToString(sum[:16]))
		}
		r.states[n] = known[key]
	}
	r.count = len(known)
	for n := 1; n < len(r.Segments)-1; n++ {
		r.Segments[n].Neutral = r.states[n] == r.states[n+1] && !r.touches(n+1)
	}
}

// touches reports whether some root has a new digest from a boundary on.
func (r *Recording) touches(boundary int) bool {
	for _, changes := range r.history {
		i := sort.Search(len(changes), func(i int) bool { return changes[i].boundary >= boundary })
		if i < len(changes) && changes[i].boundary == boundary {
			return true
		}
	}
	return false
}

func stateKey(now map[string]string) string {
	var b strings.Builder
	for _, root := range slices.Sorted(maps.Keys(now)) {
		b.WriteString(root)
		b.WriteByte(0)
		b.WriteString(now[root])
		b.WriteByte(0)
	}
	return b.String()
}
