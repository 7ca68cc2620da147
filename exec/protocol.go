package exec

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"strings"

	"assay/mutate"
)

// Two protocols are spoken.
//
// Between assay and a keeper (the same binary, so the two are always of one
// version): gob-encoded request and reply values over the keeper's standard
// input and output, strictly one reply a request.
//
// Between a keeper and PHP: one JSON value a line over an abstract Unix
// socket. Every PHP process makes a connection of its own and names the token
// it was given as its first line. Lines from PHP are headed by that token and
// preceded by an empty line; what is not is somebody else's bytes and is
// dropped. Messages from PHP are arrays, the first element names them:
//
//	["hello", pid, ...]                       the process is there
//	["unfit", why]                            it cannot work
//	["stage", 0, files, version]              stage 0 is ready; files: all included ones
//	["stage", 1, files, tests, built, fatal, version]  stage 1 is; see Suite9.php
//	["others", names]                         tests that are not run, before that
//	["whole", files, tests, complaints, unfit, unsure]  the whole stage is ready: what it has loaded, names
//	                                          of the tests, files at which PHP complained, tests that
//	                                          cannot be run again, and see Sequence::built()
//	["late", ok, why]                         a stage without one file is ready, or why it cannot be had
//	["forked", id, pid]                       an order was taken by a child
//	["exited", id, status, signal]            it ended; status -1 when by a signal
//	["nofork", id]                            no child could be made
//
// and from a child:
//
//	["start", test, points, name?]            before the test; points passed since the last end
//	["event", test, kind, fatal, message, name]   error, failure, warning, risky, incomplete, skipped
//	["end", test, microseconds, points?, files?]
//	["tail", points]                          passed by no test: fixtures, destructors, shutdown
//	["done", errors, failures, warnings, classes, memory]   all tests were run; PHPUnit goes on
//	                                          to its exit. classes: PHPUnit's own, [name, file];
//	                                          memory: the peak, in bytes
//	["runaway", point]                        passed far more often than any test does; it kills itself
//	["bottomless"]                            its calls are within calls without end; it kills itself
//	["used", files]                           of the whole stage's, functions were run of these
//	["prepared"]                              a sequence begins; waits
//	["used again"]                            of the same ones as was said last
//	["rests"]                                 the next mutant's tests were run; waits
//	["judged", clean]                         and left nothing
//	["passed over"]                           the next mutant cannot be judged like that, and left nothing
//	["swap", n]                               mutant n is next, -1 for none; waits for its file
//	["declares", test]                        a watched test has declared something by eval
//	["void"]                                  a test of the present one is green and leaves changed what it shares; the sequence ends
//	["learnt", states, apart]                 see outcome.States
//	["over", ok]                              the sequence is: its tests are still green without a mutant
//	["ended"]                                 nothing of the user's is left to run and PHPUnit's status
//	                                          stands; the process kills itself
//	["last", message]                         the fatal error that ended the process

// setup is the first message to a PHP process.
type setup struct {
	Op      string   `json:"op"` // "setup"
	PHPUnit string   `json:"phpunit"`
	Argv    []string `json:"argv"`
	Probed  bool     `json:"probed"`
	Spool   string   `json:"spool,omitempty"`
	Alone   *order   `json:"alone,omitempty"` // the process is its own child: do this and end
	// Preload has classes of PHPUnit with their files, to be loaded before
	// anything of the project is.
	Preload [][2]string `json:"preload,omitempty"`
	IDs     []string    `json:"ids,omitempty"`     // the names of all tests, in order, where no two are the same
	Unwinds bool        `json:"unwinds,omitempty"` // see knownRequest
}

// order asks a stage for a child.
type order struct {
	Op      string                `json:"op"` // "stage", "run", "learn": take Setup in place of the first, or "describe": say what the suite is and end
	Setup   *setup                `json:"setup,omitempty"`
	ID      int                   `json:"id"`
	Token   string                `json:"token"`
	Mode    string                `json:"mode"`              // "judge": stop at the first failure; "all": do not; "survey": report points
	Tests   any                   `json:"tests"`             // nil: all; numbers; or names with ByName
	ByName  bool                  `json:"by_name,omitempty"` // Tests are "Class::method" or IDs, in a suite built anew
	Numbers []int                 `json:"numbers,omitempty"` // with ByName: the same tests, one by one
	Preload []string              `json:"preload,omitempty"` // classes; see knownRequest
	Limits  map[int]int64         `json:"limits,omitempty"`  // point of a loop's body => passes in a test that are too many
	Often   map[int]map[int]int64 `json:"often,omitempty"`   // test => the same, where it is more
	Loops   map[int]int           `json:"loops,omitempty"`   // point of a loop => point of its body
	// Long, unless it is nil, has most tests told of when some have come
	// together, and has the numbers of those that are told of at once.
	Long []int      `json:"long"`
	Late *lateOrder `json:"late,omitempty"` // for "stage": build the suite without a file
	// Whole, for "stage", has everything loaded.
	Whole  *wholeOrder `json:"whole,omitempty"`
	Place  int         `json:"place,omitempty"`  // for "run" from such a stage: the place that is changed
	Mutant int         `json:"mutant,omitempty"` // and what to
	// Sequence, for the mode "sequence", has place, mutant, which of Lists has
	// the numbers of its tests, and which those that come first, or -1.
	Sequence [][4]int `json:"sequence,omitempty"`
	Lists    [][]int  `json:"lists,omitempty"`
	// Anew has, for the place of a mutant in Sequence, the methods whose tests are
	// made once more with it, as "Class::method": those whose data pass it, and
	// others, which may as well be run in other ways if it takes long.
	Anew map[int][2][]string `json:"anew,omitempty"`
	Swap bool                `json:"swap,omitempty"` // have each mutant's file swapped in as well: ask, and wait
	// Shared says that the tests are such as share state; Openers are run first,
	// unchanged, for what they leave. With Once no test is run again, so that
	// there can be one mutant only.
	Shared  bool  `json:"shared,omitempty"`
	Once    bool  `json:"once,omitempty"`
	Openers []int `json:"openers,omitempty"`
	// Watch has tests of which it is asked whether they declare something by eval.
	Watch []int `json:"watch,omitempty"`
	// Learn has no mutants: it asks what each of these tests leaves; see "learnt".
	Learn []int `json:"learn,omitempty"`
}

// wholeOrder asks for a stage that has loaded classes of the sources.
type wholeOrder struct {
	Classes []string `json:"classes"`
}

// lateOrder asks for a stage in which one file is not loaded although building
// the suite uses it; see Late.php.
type lateOrder struct {
	Classes []string `json:"classes"` // that the file declares, in lower case
	File    string   `json:"file"`    // absolute
	IDs     []string `json:"ids"`     // the names of all tests, in order
}

// message is one line from PHP.
type message struct {
	kind string
	args []json.RawMessage
}

func parseMessage(line []byte) (message, error) {
	var args []json.RawMessage
	var m message
	if err := json.Unmarshal(line, &args); err != nil {
		return m, err
	}
	if len(args) == 0 {
		return m, fmt.Errorf("empty message")
	}
	if err := json.Unmarshal(args[0], &m.kind); err != nil {
		return m, err
	}
	m.args = args[1:]
	return m, nil
}

// get decodes argument i into a value of type T; the zero value when it is not
// there or of another type, which a caller that cares finds out by ok.
func get[T any](m message, i int) (v T, ok bool) {
	if i >= len(m.args) {
		return v, false
	}
	ok = json.Unmarshal(m.args[i], &v) == nil
	if list, is := any(v).([]string); is {
		unpack(list)
	}
	return v, ok
}

// unpack puts the bytes of paths that are not UTF-8 in place of what stands for
// them in a message: a zero byte and base64.
func unpack(paths []string) {
	for i, p := range paths {
		if rest, is := strings.CutPrefix(p, "\x00"); is {
			if b, err := base64.StdEncoding.DecodeString(rest); err == nil {
				paths[i] = string(b)
			}
		}
	}
}

// A request goes to a keeper.
type request struct {
	Open  *openRequest
	Run   *runRequest
	Bare  *bareRequest
	Known *knownRequest
}

// openRequest starts PHP in the keeper's view.
type openRequest struct {
	Launch  bool     // that is all; another request says what to swap
	PHP     []string // the command: binary and ini settings
	Harness string   // directory of the PHP files
	Env     []string // full environment, without TMPDIR
	Setup   setup
	Swap    map[string][]byte // files to put into the view for good, before anything starts
	Forks   bool              // false: no stages, every run is a process of its own
	Limits  limits
}

// knownRequest tells what the survey found.
type knownRequest struct {
	Times    []int64     // microseconds a test
	Memory   int64       // bytes that a child may have in memory; a limit of the project's own holds besides
	Preload  [][2]string // PHPUnit's classes that a whole run loads, with their files, under rootMark where they are the project's; the stages are made anew with them
	Unwinds  bool        // code may run when PHP destroys generators and fibers at its end
	IDs      []string    // for a worker that has loaded nothing of the project yet: the names of the tests, each once
	Schemata *schemataRequest
}

// limits are what a child gets beyond what its tests are known to take. A
// child that exceeds Soft is suspected of not ending: whether it does is then
// found out by counting, and Hard decides only where counting does not.
type limits struct {
	Soft, Hard, Wall int64 // microseconds: of processor time twice, then of real time
	Factor           int64 // times the known time of the test, added to each
	Output           int64 // bytes of output kept
}

// runRequest is one child.
type runRequest struct {
	Path    string // file to swap, relative to the root; "" for none
	Text    []byte
	Mode    string
	Tests   []int                 // numbers; nil for all
	Names   []string              // the same tests as "Class::method", or as IDs, for a suite built anew
	Classes []string              // that the file declares, in lower case: lets a stage be made without it
	Cold    bool                  // a process of its own, whatever the stages could do
	Soft    bool                  // end it at the soft limit, as a suspect
	Exact   bool                  // have each test told of as it begins and ends
	Count   map[int]int64         // the text has probes: passes of the bodies of loops that are too many
	Loops   map[int]int           // loop => body, for Count
	Often   map[int]map[int]int64 // the same for single tests, where it is more
	Others  map[string][]byte     // files besides Path to swap; it does not matter if they are loaded already
	Whole   bool                  // from the whole stage, if it has loaded the file
	Place   int                   // number of the place there that is changed; 0: none
	Mutant  int
	// Sequence has one child run tests of several mutants, one after the other;
	// see order.
	Sequence [][4]int
	Lists    [][]int
	Anew     map[int][2][]string
	// Shared, Once, Openers, Learn and Watch are those of an order.
	Shared, Once   bool
	Openers, Learn []int
	Watch          []int
	// Swaps has each mutant of a sequence put into its file as well; Sources has
	// these files, by path.
	Swaps   []swap
	Sources map[string][]byte
}

// swap is an edit of a file.
type swap struct {
	Path string
	Edit mutate.Edit
}

// A reply answers a request.
type reply struct {
	Failure string // harness trouble: nothing else counts
	Stage   stageFacts
	Outcome outcome
	// To a knownRequest: paths of the sources that the whole stage has, whether it
	// can run tests of several mutants in one child, and the tests that cannot.
	Whole     map[string]bool
	Sequences bool
	Unfit     []int
	Anew      bool // and it can make tests anew there
}

// stageFacts is what the stages said when they were ready.
type stageFacts struct {
	PHPUnit string
	Root    string   // of the view
	Files0  []string // loaded in stage 0, absolute
	Files1  []string // loaded in stage 1, absolute
	Tests   []testRow
	Others  []string         // tests that are not methods of test classes and are not run: phpt files
	Built   map[string][]int // data provider's test, or "*" => points passed while building
	Fatal   map[string]bool  // which kinds of event are not green; "time_limit": PHPUnit ends long tests itself
	Notes   []string
	Opened  []string // what was opened in the view until the stages were ready; see opens.take
	Output  string   // what was printed, for a stage that did not come
	Foreign bool     // in stage 0 some of PHPUnit's classes come from other files than in a whole run
	Ports   []uint16 // at which the stages listen, where the network is shared; see sandbox.PortWatch
	Unfit   []int    // tests that cannot be run again and again in one process
	Wrapped bool     // the bootstrap put a stream wrapper of its own in front of files
}

// testRow is one test as the suite describes it.
type testRow struct {
	ID, Class, Method string
	Depends           []string // "Class::method" or "Class::class"
	Objects           []int    // in its data, that other tests get as well; the numbers mean nothing but that
	File              string
	Text              string // what its data say, or the beginning of it
}

// outcome is what was seen of one child.
type outcome struct {
	Tests    []testRun
	Events   []event
	Running  int    // number of the test that was running at the end; -1 for none
	RunName  string // its name, when the suite was built anew
	Started  int    // how many tests were started
	Done     bool   // PHPUnit came to the end of the suite
	Shut     bool   // PHP came to its shutdown functions; told only by a child that puts off telling of tests
	Tail     []int
	Memory   int64       // peak of the process, in bytes
	Classes  [][2]string // PHPUnit's own that were loaded, with their files
	Exit     int         // -1 when ended by a signal or not known
	Signal   int
	TimedOut bool
	Suspect  bool   // it was ended at the soft limit
	Runaway  int    // the point that was passed too often; 0: none
	OverFull bool   // it was ended because it took too much memory
	Orphaned bool   // its parent died before it: Exit is not known
	Last     string // PHP's fatal error, if it said so
	Output   string // the end of what was printed
	Wall     int64  // microseconds
	Stage    int    // where it was forked: 0, 1, 2 for a late stage, 3 for the whole stage; -1 for a process of its own
	Damage   []string
	Ports    []uint16  // at which it or what it started listened, in a whole run of the survey where the network is shared
	Opened   []string  // what was opened in the view; see opens.take
	Used     bool      // the files that were run without being opened are known, and among Opened
	Parts    []outcome // of a sequence: what came of each mutant, as far as it got
	Green    bool      // and that its tests were green afterwards
	Clean    bool      // of a part: it left nothing behind
	Void     bool      // of a sequence: a test of the mutant after the last part was green and left something; of a part: it says nothing
	Declares []int     // watched tests that have declared something by eval
	States   [][2]int  // to Learn: the state that each test finds and the one that it leaves; -1: some other
	Apart    []int     // tests of which that cannot be known; then there are no States
	Seen     []string  // of a part: those of Opened that were opened
}

// testRun is one test in an outcome.
type testRun struct {
	Test   int
	Name   string // where the suite was built anew
	Before []int  // points passed between the test before and this one
	Points map[int]int
	Files  []string // loaded since the test before ended
	Time   int64    // microseconds
	Ended  bool
}

// event is something that PHPUnit counts against a test.
type event struct {
	Test    int // -1: not a test of the suite as it was built
	Kind    string
	Fatal   bool // not green under the user's configuration
	Message string
	Name    string // of the test
}
