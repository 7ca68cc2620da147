package mutate

import (
	"fmt"
	"time"

	"assay/mutate/syntax"
)

// An Edit replaces the bytes of a span of one file by New.
type Edit struct {
	syntax.Span
	New string
}

// Apply gives the text with the edit made; src is not changed.
func (e Edit) Apply(src []byte) []byte {
	out := make([]byte, 0, len(src)-e.Len()+len(e.New))
	out = append(out, src[:e.Start]...)
	out = append(out, e.New...)
	return append(out, src[e.End:]...)
}

// An Operator is a rule that makes small changes. Everything there is to say
// about it is in this one value: the rule, its explanation, and the example
// that is run as its first test.
type Operator struct {
	// ID is "family/name", lower case with dashes. Users' configurations and
	// saved results hold it: it is never renamed once it was released.
	ID string
	// Doc says in its first line what is changed, and after a blank line what
	// a survivor tells the reader about the tests, as long as no more is known than that
	// it survived.
	Doc string
	// Input says what to do where the changed expression never had another value than the
	// original's: which case is missing. Outcome says what to do where it had one in some
	// test, and none failed: which assertion is missing. "" where no mutant of the operator
	// is in an expression whose values can be compared.
	Input, Outcome string
	// Hint gives texts that are truer of one change than those above; nil where these will
	// do. Pure. n is the node that Apply made the edit for.
	Hint func(f *syntax.File, n *syntax.Node, e Edit) Hints
	// Before and After are statements without "<?php". The operator applies to
	// Before exactly once and gives exactly After; Validate runs it.
	Before, After string
	// Kinds are the node kinds that Apply is called for.
	Kinds []string
	// Apply gives the edits for one node, in source order; pure. It is called
	// only for nodes that are not Bad.
	Apply func(*syntax.File, *syntax.Node) []Edit
	// Wide operators make mutants that others nearly always subsume, or that
	// few people act on. They are not in the breadth "core".
	Wide bool
	// Version counts changes of Apply; reused verdicts depend on it.
	Version int
}

// Family is the part of the ID before the slash.
func (o *Operator) Family() string {
	for i := range o.ID {
		if o.ID[i] == '/' {
			return o.ID[:i]
		}
	}
	return o.ID
}

// A Source is one file of the project as it was when it was read.
type Source struct {
	Path string // relative to the project root, with "/"
	Text []byte // never changed
	Sum  string // SHA-256 in hexadecimal digits of what was judged, where Text only stands in for it; else ""
}

// A Mutant is one edit to one file.
type Mutant struct {
	ID       string // short, safe in a shell, the same on every run; see ids.go
	Op       *Operator
	Source   *Source
	Edit     Edit   // byte offsets into Source.Text
	Line     int    // 1-based, of Edit.Start
	Column   int    // 1-based, in bytes
	Class    string // full name, "" outside classes
	Function string // method or function, "" outside
	// Point is the probe point whose passing means that the change may have
	// been reached, or FileLevel.
	Point int
	// Entered is the point of the block that has to be entered for the change to make a
	// difference, of a loop, a catch or a case; 0 where Point says all that is known.
	Entered int
	// Outside is set where no function holds the change: it may decide about what the
	// file declares.
	Outside bool
	// Inspected is set where the change can also be read without being run:
	// the default of a parameter, by whatever makes doubles of a class.
	Inspected bool
	// Lazy is set where the change is in a value that PHP works out when it is asked for:
	// that the file is loaded says nothing of it.
	Lazy bool
	// Constant is the name of the class constant that has another value, where
	// nothing but that is different: who does not name it cannot tell.
	Constant string
	// Unit is a fingerprint of the function that holds the change, or of the
	// member or statement outside of functions: the same as long as its code is.
	// "" where the mutant was not made of a tree.
	Unit string
	// Begin is the byte offset at which the statement begins that the operator
	// changes; Edit.Start where it changes something smaller.
	Begin int
	// Place is where a copy of the code can stand that has the change.
	Place Place
	// Sites are expressions around the change whose values can be compared, the largest
	// first.
	Sites []Site
	// Skipped is the reason in the user's own comment that skips the mutant; ""
	// if none does.
	Skipped string
}

// FileLevel is the point of a mutant that no statement holds: every test in
// whose process the file was loaded may see it.
const FileLevel = 0

// Before is the text that the edit removes.
func (m *Mutant) Before() string { return string(m.Source.Text[m.Edit.Start:m.Edit.End]) }

// Where gives "Acme\Fare::total", "Acme\fare", or the path for code outside
// functions.
func (m *Mutant) Where() string {
	switch {
	case m.Class != "" && m.Function != "":
		return m.Class + "::" + m.Function
	case m.Class != "":
		return m.Class
	case m.Function != "":
		return m.Function
	}
	return m.Source.Path
}

// A TestID names one test: "Acme\FareTest::testTotal", with "#2" or "#name"
// behind it for a row of a data provider.
type TestID string

// Status is what became of a mutant.
type Status uint8

// The zero Status is a bug wherever it is seen in a verdict.
const (
	Unset      Status = iota
	Killed            // some test failed on it
	TimedOut          // the tests did not end in their time
	Survived          // all tests passed
	Unreached         // no test runs the code: nothing to execute
	Stillborn         // PHP refuses to compile it
	Accepted          // would have survived or been unreached, and the user accepted that (see Verdict.WouldBe)
	Skipped           // not judged, because a comment of the user's says so
	Equivalent        // would have survived or been unreached, and no test can kill it: it is the same code (see Verdict.WouldBe)
	Broken            // our own failure; never counted as anything else
)

var statusNames = [...]string{"unset", "killed", "timed_out", "survived", "unreached", "stillborn", "accepted", "skipped", "equivalent", "broken"}

// String gives the name used in result files.
func (s Status) String() string {
	if int(s) >= len(statusNames) {
		panic(fmt.Sprintf("mutate: status %d has no name", s))
	}
	return statusNames[s]
}

// ParseStatus is the inverse of String.
func ParseStatus(name string) (Status, error) {
	for i, n := range statusNames {
		if n == name && i > 0 {
			return Status(i), nil
		}
	}
	return Unset, fmt.Errorf("status %q is not known", name)
}

// How says by what a mutant was killed.
type How uint8

const (
	HowUnset     How = iota // not killed
	Assertion               // an assertion failed
	Error                   // an error, exception, warning or notice that the suite counts
	PrematureEnd            // the process ended before the tests did, or with another exit status
	Memory                  // the memory limit
	Crash                   // a signal
)

var howNames = [...]string{"", "assertion", "error", "premature_end", "memory", "crash"}

// String gives the name used in result files; "" for HowUnset.
func (h How) String() string { return howNames[h] }

// ParseHow is the inverse of String.
func ParseHow(name string) (How, error) {
	for i, n := range howNames {
		if n == name {
			return How(i), nil
		}
	}
	return HowUnset, fmt.Errorf("how %q is not known", name)
}

// A Verdict is what is known about one mutant after a run.
type Verdict struct {
	Mutant   *Mutant
	Status   Status
	Killer   TestID        // the test that killed it; "" if none or not one test
	Killers  []TestID      // with Result.AllKills: those of Reaching that kill it by themselves; in the same order
	How      How           // for Killed
	Detail   string        // one line for people: the failure's message, why broken
	Reaching []TestID      // tests that reach the change, first those that are likeliest to fail on it
	Ran      int           // how many tests were run on it
	Time     time.Duration // the own time of the tests that were run
	// WouldBe is what the Status of an accepted mutant would be if nobody had
	// accepted it, and that of an equivalent one if nobody knew: Survived or Unreached. Detail
	// is the reason then. Unset in all other verdicts.
	WouldBe Status
	// New is set for a mutant that survived or that no test reaches, and that
	// is not among those of the result which this one is compared with.
	New   bool
	Rests Rests
	Seen  Seen // of one that survived, or would if nobody had accepted it, or found it equivalent
	// Proof is a test that kills the mutant, which has survived: it was looked for, and is
	// not among the tests. nil where there is none.
	Proof *Proof
}

// Rests is what a verdict rests on besides the change, the tests that were
// planned for it and what these use when nothing is changed.
type Rests struct {
	// Opened are files and, with a slash at the end, directories of the project
	// that were opened while the mutant was judged; "*" is all there are.
	Opened []string
	Whole  bool // all tests of the suite were run
}

// A Test is one test of the unchanged suite.
type Test struct {
	ID      TestID
	Time    time.Duration
	Reached int // how many probe points it passes
}

// A Note is something about the run that the reader must know to judge it.
type Note struct {
	Kind string // "damage", "volatile", "view", "left_out", ...
	Path string // file it is about, or ""
	Line int    // 1-based, or 0
	Text string // a sentence
}

// A Result is a whole run: all that reports are made of.
type Result struct {
	Root     string // absolute project root
	Project  string // name in composer.json, or the folder's
	PHP      string // version
	PHPUnit  string // version
	Breadth  string // of the operators: "core" or "wide"
	Partial  bool   // interrupted, or cut short by a budget
	AllKills bool   // Verdict.Killers are known
	Compared bool   // with another result: Verdict.New means something
	Verdicts []Verdict
	Tests    []Test
	Notes    []Note
	LeftOut  int // mutants that exist and were not judged (sample, budget, interruption)
	Suite    time.Duration
	Elapsed  time.Duration
	Engine   *Figures // nil where nothing was judged
	Part     *Part    // nil for a run in one piece
}

// Figures say how the engine came to the verdicts. No verdict depends on them, and some
// are others in every run.
type Figures struct {
	Tests      int
	Neutral    float64     // share of tests that leave the state as they find it, from 0 to 1
	States     int         // that were seen between tests
	Volatile   int         // parts of the state of which only the kind of value is compared
	Hiding     int         // tests that leave what cannot be compared whole
	Unknown    int         // parts of the state that cannot be seen whole
	Changed    []Changed   // parts of the state that most tests leave changed
	Compared   Comparisons // what replays were saved by comparing values
	Compiled   Compilations
	ToEnd      []Refusal // why mutants that were not killed had the rest of the suite run; those of most mutants
	WentBack   int       // times that a walker which was kept at a place of the suite stood in for a new one
	NotBack    int       // times that it did not, since it was not as it had been left
	NotBatched []Reason  // why tests could not be replayed for many mutants in one process
	Ways       []Way     // of replaying, by name
}

// Comparisons say how far the values of changed expressions were compared with those of the
// original while the suite was recorded.
type Comparisons struct {
	Mutants, Compared int // all that were judged; those that have an expression to compare
	Pairs, Same       int // of a mutant and a segment that passes it; those in which the value never was another
	Decided           int // mutants that survive without a replay
	Segments, Usable  int // of the suite; those that did, while values were compared, what they had done before
}

// Compilations say for how many mutants that no test kills the compiled code was compared with
// that of the original.
type Compilations struct {
	Compared, Alike int
	Refused         []Refusal // by reason
}

// A Refusal is why something was not done for mutants, or more was than for others.
type Refusal struct {
	Why     string
	Mutants int
}

// A Changed is a part of the state, as a static property, and how many tests leave it
// changed.
type Changed struct {
	What  string
	Tests int
}

// A Reason is one of [Figures.NotBatched].
type Reason struct {
	Why   string
	Pairs int // of a mutant and a segment of the suite
}

// A Way counts the replays of one kind.
type Way struct {
	Name      string
	Processes int
	Steps     int // of mutants
	Time      time.Duration
	Faults    int64 // minor page faults
}

// Score is the tally of a set of verdicts.
type Score struct {
	Total, Killed, TimedOut, Survived, Unreached, Stillborn, Accepted, Skipped, Equivalent, Broken int
}

// Add counts one verdict.
func (s *Score) Add(v Verdict) {
	s.Total++
	switch v.Status {
	case Killed:
		s.Killed++
	case TimedOut:
		s.TimedOut++
	case Survived:
		s.Survived++
	case Unreached:
		s.Unreached++
	case Stillborn:
		s.Stillborn++
	case Accepted:
		s.Accepted++
	case Skipped:
		s.Skipped++
	case Equivalent:
		s.Equivalent++
	case Broken:
		s.Broken++
	default:
		panic("mutate: verdict without a status for " + v.Mutant.ID)
	}
}

// Counted is the number of mutants that the score is about: all that are not
// stillborn, accepted, skipped, equivalent or broken.
func (s Score) Counted() int { return s.Killed + s.TimedOut + s.Survived + s.Unreached }

// Value is the mutation score in percent: killed and timed out over counted.
// ok is false when nothing counts.
func (s Score) Value() (percent float64, ok bool) {
	if s.Counted() == 0 {
		return 0, false
	}
	return 100 * float64(s.Killed+s.TimedOut) / float64(s.Counted()), true
}

// Reached is the share, in percent, of counted mutants that some test reaches.
func (s Score) Reached() (percent float64, ok bool) {
	if s.Counted() == 0 {
		return 0, false
	}
	return 100 * float64(s.Counted()-s.Unreached) / float64(s.Counted()), true
}
