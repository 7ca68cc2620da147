package wire

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Protocol is the version that both sides name in their first message.
const Protocol = 9

// Setup is the first message to a PHP process.
type Setup struct {
	Op      string      `json:"op"`              // "setup"
	Token   string      `json:"token,omitempty"` // of a process that is started: what heads its lines from now on
	PHPUnit string      `json:"phpunit"`
	Argv    []string    `json:"argv"`
	Forks   bool        `json:"forks"`             // wait for orders when PHPUnit is loaded; else build the suite at once
	Records string      `json:"records,omitempty"` // "plain" or "probed": tell of every segment
	Spool   string      `json:"spool,omitempty"`   // where processes that tests start leave the points they pass
	Preload [][2]string `json:"preload,omitempty"` // classes of PHPUnit with their files, to be loaded first
	// Looks, unless it is nil, has the boundaries at which a recording looks at the state and
	// waits; of the segments between them it tells without either.
	Looks []int `json:"looks,omitempty"`
	// Declared are names, in lower case, of which a recording tells at its end in which
	// files they were declared; functions have "()" behind them.
	Declared []string `json:"declared,omitempty"`
	// Volatile are roots of the state whose values differ from run to run: 1 where the
	// shape counts, 2 where the kind does, 3 where nothing does.
	Volatile map[string]int `json:"volatile,omitempty"`
	Job      *Job           `json:"job,omitempty"` // what the process does itself, where it does not fork
	Prove    *Prove         `json:"prove,omitempty"`
}

// Prove has a process record the calls that the suite makes of the sources, or make calls
// itself where the suite has been built.
type Prove struct {
	What    string          `json:"what"`              // "record" or "run"
	Sources []string        `json:"sources,omitempty"` // paths, relative to the root, whose functions tell of calls
	Wanted  []int           `json:"wanted,omitempty"`  // points of the functions for which it is done
	Jobs    json.RawMessage `json:"jobs,omitempty"`    // of "run"; see package proving
}

// MarshalJSON packs the paths that are not UTF-8, which JSON must be; see pack.
func (s Setup) MarshalJSON() ([]byte, error) {
	type plain Setup
	p := plain(s)
	p.PHPUnit, p.Spool, p.Argv, p.Preload = pack(s.PHPUnit), pack(s.Spool), slices.Clone(s.Argv), slices.Clone(s.Preload)
	for i := range p.Argv {
		p.Argv[i] = pack(p.Argv[i])
	}
	for i := range p.Preload {
		p.Preload[i][1] = pack(p.Preload[i][1])
	}
	return json.Marshal(p)
}

// Order is any later message to PHP.
type Order struct {
	Op    string      `json:"op"` // "fork", "go" (on to boundary Until, or at segment Next), "look" (a walker tells once more where it stands), "quit"
	ID    int         `json:"id,omitempty"`
	Token string      `json:"token,omitempty"` // of the child
	Setup *Setup      `json:"setup,omitempty"` // for the child
	Job   *Job        `json:"job,omitempty"`   // of the child; without one it walks through the suite, from where its parent stands to Until
	Until int         `json:"until,omitempty"`
	Next  int         `json:"next,omitempty"`
	Then  map[int]int `json:"then,omitempty"`  // as Job.Then, from here on
	Quiet [][2]int    `json:"quiet,omitempty"` // as Job.Quiet, from here on
}

// The kinds of Job.
const (
	Play  = "play"  // the suite as PHPUnit runs it, from where the process stands
	Batch = "batch" // copies of tests, for many mutants one after the other
)

// Job is what a replay does.
type Job struct {
	Kind   string `json:"kind"`
	Place  int    `json:"place,omitempty"` // number of the place that is changed; 0: none
	Mutant int    `json:"mutant,omitempty"`
	Next   int    `json:"next"` // the first segment that is not left out
	// Long, unless it is nil, has most tests told of when some have come together, and
	// has the numbers of those that are told of at once.
	Long []int `json:"long"`
	// Then has, by segment, which one is the next if it leaves nothing and is green: the
	// process does not stop there.
	Then map[int]int `json:"then,omitempty"`
	// Quiet are ranges of segments, the second number not in them, ascending: behind one of
	// these that is green the next is run, and nobody looks at what it has left.
	Quiet [][2]int `json:"quiet,omitempty"`
	// Parts are the mutants of a batch: place, mutant, which of Lists has its tests.
	Parts [][3]int `json:"parts,omitempty"`
	Lists [][]int  `json:"lists,omitempty"`
	Swap  bool     `json:"swap,omitempty"`  // have each mutant's file swapped in as well
	Tells bool     `json:"tells,omitempty"` // of a batch: which functions each part has entered
	// Own are tests of a batch that leave what is declared under another name in every run;
	// Known are the names that the recordings have.
	Own   []int    `json:"own,omitempty"`
	Known []string `json:"known,omitempty"`
	All   bool     `json:"all,omitempty"` // go on behind a test that fails
	Ender bool     `json:"ender,omitempty"`
	// Limits are passes of the bodies of loops in a test that are too many, by point;
	// Often the same by test, where it is more; Loops have the point of a body for the
	// point of its loop.
	Limits map[int]int64         `json:"limits,omitempty"`
	Often  map[int]map[int]int64 `json:"often,omitempty"`
	Loops  map[int]int           `json:"loops,omitempty"`
}

// Digest tells values of a root of the state apart; Shape only their form, Kind only what
// kind of value it is. A Shape or Kind that is as declared is "".
type Digest struct{ Value, Shape, Kind string }

// UnmarshalJSON reads [value, shape, kind], or null for the zero Digest.
func (d *Digest) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		return nil
	}
	var all [3]string
	if err := json.Unmarshal(b, &all); err != nil {
		return err
	}
	d.Value, d.Shape, d.Kind = all[0], all[1], all[2]
	return nil
}

// Changes are roots of the state that changed. The zero Digest says that a root is as
// declared again.
type Changes map[string]Digest

// Row is one test as the suite describes it.
type Row struct {
	ID, Class, Method string
	Depends           []string // "Class::method" or "Class::class"
	File              string
	Text              string // what its data say, or the beginning of it
	Data              string // digest of its data; "" for none
}

// UnmarshalJSON reads the row's array.
func (r *Row) UnmarshalJSON(b []byte) error {
	fields := []any{&r.ID, &r.Class, &r.Method, &r.Depends, &r.File, &r.Text, &r.Data}
	err := unmarshalArray(b, fields)
	r.File = unpacked(r.File)
	return err
}

// SegmentRow is one segment as the suite describes it.
type SegmentRow struct {
	Kind  string // "test", "enter", "leave"
	Test  int    // -1: none
	Class string
}

// UnmarshalJSON reads the row's array.
func (r *SegmentRow) UnmarshalJSON(b []byte) error {
	return unmarshalArray(b, []any{&r.Kind, &r.Test, &r.Class})
}

// Suite is what a process says when it has built the suite.
type Suite struct {
	Files    []string // loaded by then
	Tests    []Row
	Segments []SegmentRow // from 1 on
	Fatal    map[string]bool
	Version  string // PHPUnit's
	// Copied has the tests of which copies can be run, each with the roots of objects that
	// it shares with others, as its copies do.
	Copied map[int][]string
	Others []string
	Built  map[string]map[int]bool // data provider's test, or "*" => points passed while building
}

// ReadSuite reads the message "suite".
func ReadSuite(m Message) (s Suite, err error) {
	err = m.Read(&s.Files, &s.Tests, &s.Segments, &s.Fatal, &s.Version, &s.Copied, &s.Others, &s.Built)
	unpack(s.Files)
	unpack(s.Others)
	return s, err
}

// Done is what a recording says at its end.
type Done struct {
	Memory   int64       // the peak, in bytes
	Limit    string      // of PHP on that, as memory_limit has it; "" where the project sets its own
	Classes  [][2]string // PHPUnit's own, with their files
	Declared [][2]string // of Setup.Declared those that are declared, with their files
}

// ReadDone reads the message "done".
func ReadDone(m Message) (d Done, err error) {
	err = m.Read(&d.Memory, &d.Limit, &d.Classes, &d.Declared)
	for _, list := range [][][2]string{d.Classes, d.Declared} {
		for i := range list {
			list[i][1] = unpacked(list[i][1])
		}
	}
	return d, err
}

// Values are what some sites had in a run, in the order in which they had them.
type Values struct {
	Sites    []int
	Literals []string // of the same index, as Observer::literal() gives them
}

// ReadValues reads the message "values".
func ReadValues(m Message) (v Values, err error) {
	if err = m.Read(&v.Sites, &v.Literals); err == nil && len(v.Sites) != len(v.Literals) {
		err = fmt.Errorf("%d values for %d sites", len(v.Literals), len(v.Sites))
	}
	if err != nil {
		return Values{}, err
	}
	unpack(v.Literals)
	return v, nil
}

// Segment is what was recorded of one.
type Segment struct {
	N, Next int
	Time    int64 // microseconds
	Points  Counts
	Files   []string
	Changes Changes
	Used    []string
	Unknown map[string]string
	Foreign []string // files that processes which it started have loaded
	Looked  []string // files that the harness itself has read as text
	Held    string   // digest of what its test still holds; "" for nothing that counts
	Starts  bool     // it may have started processes; the supervisor fills that in
}

// ReadSegment reads the message "segment".
func ReadSegment(m Message) (s Segment, err error) {
	var points [2]string
	if err = m.Read(&s.N, &s.Next, &s.Time, &points, &s.Files, &s.Changes, &s.Used, &s.Unknown, &s.Foreign, &s.Held, &s.Looked); err != nil {
		return s, err
	}
	unpack(s.Files)
	unpack(s.Foreign)
	unpack(s.Used)
	unpack(s.Looked)
	s.Points, err = readCounts(points)
	return s, err
}

// Counts say how often points were passed: Times[i] times Points[i]. There are many of
// them, so they are no map.
type Counts struct{ Points, Times []int }

// CountsOf makes counts, by point.
func CountsOf(times map[int]int) Counts {
	var c Counts
	for _, p := range slices.Sorted(maps.Keys(times)) {
		c.Add(p, times[p])
	}
	return c
}

// Add notes that a point was passed some times.
func (c *Counts) Add(point, times int) {
	c.Points, c.Times = append(c.Points, point), append(c.Times, times)
}

// Join adds other counts; what is in both is in it twice then.
func (c *Counts) Join(others Counts) {
	c.Points, c.Times = append(c.Points, others.Points...), append(c.Times, others.Times...)
}

// readCounts reads points and times as PHP sends them: numbers with commas between them.
func readCounts(lists [2]string) (c Counts, err error) {
	for i, into := range []*[]int{&c.Points, &c.Times} {
		for text := range strings.SplitSeq(lists[i], ",") {
			if text == "" {
				continue
			}
			n, err := strconv.Atoi(text)
			if err != nil {
				return c, fmt.Errorf("a count of points: %w", err)
			}
			*into = append(*into, n)
		}
	}
	if len(c.Points) != len(c.Times) {
		return c, fmt.Errorf("%d points have %d counts", len(c.Points), len(c.Times))
	}
	return c, nil
}

// Event is something that PHPUnit counts against a test.
type Event struct {
	Test    int // -1: not a test of the suite as it was built
	Kind    string
	Fatal   bool // not green under the user's configuration
	Message string
	Name    string // of the test
}

// ReadEvent reads the message "event".
func ReadEvent(m Message) (e Event, err error) {
	return e, m.Read(&e.Test, &e.Kind, &e.Fatal, &e.Message, &e.Name)
}

// Message is one line from PHP.
type Message struct {
	Kind string
	args []json.RawMessage
}

// Parse reads a line.
func Parse(line []byte) (m Message, err error) {
	var args []json.RawMessage
	if err := json.Unmarshal(line, &args); err != nil {
		return m, err
	}
	if len(args) == 0 {
		return m, fmt.Errorf("empty message")
	}
	if err := json.Unmarshal(args[0], &m.Kind); err != nil {
		return m, err
	}
	m.args = args[1:]
	return m, nil
}

// Read decodes the arguments into values, as far as there are any.
func (m Message) Read(into ...any) error {
	if err := readArguments(m.args, into); err != nil {
		return fmt.Errorf("message %q: %w", m.Kind, err)
	}
	return nil
}

// Number gives argument i, or 0.
func (m Message) Number(i int) (n int) {
	if i < len(m.args) {
		json.Unmarshal(m.args[i], &n)
	}
	return n
}

// Text gives argument i, or "".
func (m Message) Text(i int) (s string) {
	if i < len(m.args) {
		json.Unmarshal(m.args[i], &s)
	}
	return s
}

func readArguments(args []json.RawMessage, into []any) error {
	for i, v := range into {
		if i >= len(args) {
			return nil
		}
		if len(args[i]) > 1 && args[i][0] == '[' && args[i][1] == ']' {
			continue // PHP has one empty array, and here it may be an empty map
		}
		if err := json.Unmarshal(args[i], v); err != nil {
			return fmt.Errorf("argument %d: %w", i, err)
		}
	}
	return nil
}

func unmarshalArray(b []byte, into []any) error {
	var args []json.RawMessage
	if err := json.Unmarshal(b, &args); err != nil {
		return err
	}
	return readArguments(args, into)
}

// unpack puts the bytes of paths that are not UTF-8 in place of what stands for
// them in a message: a zero byte and base64.
func unpack(paths []string) {
	for i, p := range paths {
		paths[i] = unpacked(p)
	}
}

func unpacked(path string) string {
	if rest, is := strings.CutPrefix(path, "\x00"); is {
		if b, err := base64.StdEncoding.DecodeString(rest); err == nil {
			return string(b)
		}
	}
	return path
}

// pack gives what stands for a path in a message, in either direction: itself, or a zero
// byte and base64 where it is not UTF-8.
func pack(path string) string {
	if utf8.ValidString(path) {
		return path
	}
	return "\x00" + base64.StdEncoding.EncodeToString([]byte(path))
}
