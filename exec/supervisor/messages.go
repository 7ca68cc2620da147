//go:build linux

package supervisor

import (
	"assay/exec/recording"
	"assay/exec/wire"
	"assay/mutate"
)

// RootMark stands for the view's root in what a Client sends.
const RootMark = "\x00root\x00"

// Everything stands among paths that were opened for all there are.
const Everything = "*"

// A request has one field that is not nil.
type request struct {
	Open     *Open
	Known    *Known
	Walk     *Walk
	Advance  *Advance
	Return   *Return
	Replay   *Replay
	Continue *Continue
	Finish   bool
	Bare     *Bare
	Prove    *Prove
}

type reply struct {
	Failure string // trouble of ours: nothing else counts
	Facts   Facts
	Suite   *wire.Suite
	Stop    *Stop
	Run     *recording.Run
	Outcome *Outcome
	Told    []string
}

// Open says how PHP is started.
type Open struct {
	PHP     []string // the command: binary and ini settings
	Harness string   // directory of the PHP files
	Env     []string // full environment, without TMPDIR
	Setup   wire.Setup
	Forks   bool // PHP can fork
	Limits  Limits
}

// Limits are what a replay gets beyond what its tests are known to take. One that
// exceeds Replay.Soft is suspected of not ending: whether it does is then found out by
// counting loops, and Hard decides only where counting does not.
type Limits struct {
	Hard, Wall int64 // microseconds: of processor time, and of real time
	Factor     int64 // times the known time of the test, added to each
	// Wait, or Factor times the known time of the test if that is more, is what a test may
	// spend only waiting, with all that it has started, in microseconds; 0: it is not looked at.
	Wait   int64
	Output int64 // bytes of output kept
}

// Facts is what is known of a supervisor once PHPUnit is loaded.
type Facts struct {
	Root    string // of the view
	Notes   []string
	PHPUnit string // version; "" where PHP does not fork, until a suite is built
	Foreign bool   // some of PHPUnit's classes come from other files than in a whole run
	Output  string // what was printed, where something failed
}

// Walk starts a walker.
type Walk struct {
	Texts map[string][]byte // files in place of the project's own, until Advance.Loaded names them
	// Looks, unless it is nil, has the boundaries at which a recording looks at the state,
	// ascending.
	Looks   []int
	Records string // "", "plain" or "probed": the whole suite is recorded
	// Declared are names of which a recording tells where they were declared; see wire.Setup.
	Declared []string
	Watch    bool // look for ports that are listened at
}

// Known is what the recording told.
type Known struct {
	Times    []int64        // of the tests, microseconds
	Volatile map[string]int // see wire.Setup
	Preload  [][2]string    // classes of PHPUnit that a whole run loads, with their files
	Memory   int64          // bytes that a replay may have in memory; 0: no limit
}

// Advance lets the walker go on to a boundary.
type Advance struct {
	Until  int
	Keep   bool     // a process forked from it goes on, and it stays; see Return
	Before []string // of Walk.Texts, what is loaded by now: the project's own text is put back at once
	Loaded []string // and by then
}

// Return has a walker that was kept be the one that stands.
type Return struct {
	Boundary int // at which it was kept
}

// Stop is a process that stands at a boundary.
type Stop struct {
	Boundary int
	Changes  wire.Changes      // of the state since the last stop
	Files    map[string]string // that are not as they were where the walker stands => digest, "" for gone
	Held     string            // digest of what the test that was run last still holds
	Events   []wire.Event
}

// Continue lets a replay go on.
type Continue struct {
	Next  int         // the next segment that is not left out
	Then  map[int]int // wire.Job.Then from there on
	Quiet [][2]int    // wire.Job.Quiet from there on
	Own   bool        // files are to have their own text from now on; see Replay
}

// Replay asks for one.
type Replay struct {
	Job  wire.Job
	From From
	Swap map[string][]byte // files to be in place meanwhile
	// Edits has, for each part of a batch, the edit of a file that is to be in place
	// meanwhile, where Job.Swap is set; Sources has these files.
	Edits   []FileEdit
	Sources map[string][]byte
	Soft    int64 // end it as a suspect behind so much processor time, in microseconds; 0: do not
	// Own has the project's own text in all files, for somebody reads or builds with them, and Changed in
	// place.
	Own     bool
	Changed map[string][]byte
}

// FileEdit is an edit of a file.
type FileEdit struct {
	Path string
	Edit mutate.Edit
}

// From says which process makes a replay.
type From uint8

// The zero From is a bug.
const (
	FromUnset  From = iota
	FromWalker      // where it stands
	FromFirst       // which has PHPUnit loaded, and nothing of the project
	FromNew         // a new process
)

// Outcome is what was seen of a replay since it was last told of.
type Outcome struct {
	Suite    *wire.Suite // where it has built the suite itself
	Stop     *Stop       // where it waits; nil: it has ended
	Tests    []TestRun
	Events   []wire.Event
	Parts    []Part
	Running  int    // number of the test that was running at the end; -1 for none
	RunName  string // its name, if it was told
	Done     bool   // PHPUnit came to the end of the suite
	Ended    bool   // it ended itself, all being done
	Exit     int    // -1 when ended by a signal or not known
	Signal   int
	TimedOut bool
	Spent    bool // it was by the processor time that it used, or by how often a loop went round, and not by the clock
	Suspect  bool // it was ended at the soft limit
	Exceeded bool // it was ended because it took too much memory
	Orphaned bool // its parent died before it: Exit is not known
	Last     string
	Output   string
	Log      []byte // of PHPUnit without the harness; nil where there is none
	Wall     int64  // microseconds
	Faults   int64  // minor page faults
	Opened   []string
	Ports    []uint16 // at which it or what it started listened, in a recording
}

// Part is one mutant of a batch.
type Part struct {
	Tests   []TestRun
	Events  []wire.Event
	Changes wire.Changes // by the last of the tests
	Left    wire.Changes // by the tests that may leave such; see wire.Job.Own
	Files   map[string]string
	Opened  []string
	Entered []int          // points of functions, if these were asked for
	Held    map[int]string // test => digest of what it still held
	CPU     int64          // microseconds of processor time that the process had used by then
}

// TestRun is one test in an outcome.
type TestRun struct {
	Test       int
	Name       string
	Time       int64 // microseconds
	Assertions int   // where it was told
	Ended      bool
}

// Bare is PHPUnit without the harness.
type Bare struct {
	Texts map[string][]byte // files that have another text
	Added map[string][]byte // files that are not there else; their folders are
	Args  []string          // of PHPUnit, before those of each run
	Log   bool              // have it write a log, in JUnit's format
	Limit int64             // nanoseconds of wall time
}

// Prove is a process that records calls, or makes some.
type Prove struct {
	Texts map[string][]byte // files in place of the project's own
	Setup wire.Prove
	Limit int64 // nanoseconds of wall time
	// Built are files that the building of the suite leaves changed, each with its digest, "" for
	// gone: the calls have not changed them.
	Built map[string]string
}
