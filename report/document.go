package report

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"assay/mutate"
)

// FormatName and SchemaVersion open every result file. The version grows when
// a field changes its meaning or goes; new fields leave it as it is.
const (
	FormatName    = "assay result"
	SchemaVersion = 3
)

// A Document is a result file, field by field; testdata/report/result.schema.json
// says the same as a JSON Schema. Bytes that are not UTF-8, which PHP allows in
// names and strings, are written "\xE4"; where that happens to the text of an
// edit, a second field holds its exact bytes in base64.
type Document struct {
	Format        string       `json:"format"`
	SchemaVersion int          `json:"schema_version"`
	Project       string       `json:"project"`
	PHP           string       `json:"php"`
	PHPUnit       string       `json:"phpunit"`
	Breadth       string       `json:"breadth"`
	Partial       bool         `json:"partial"`
	LeftOut       int          `json:"left_out"`
	AllKills      bool         `json:"all_kills,omitempty"` // the killers of each mutant are known
	Compared      bool         `json:"compared,omitempty"`
	Part          *PartEntry   `json:"part,omitempty"` // of a run in several parts
	SuiteMS       *float64     `json:"suite_ms,omitempty"`
	ElapsedMS     *float64     `json:"elapsed_ms,omitempty"`
	Engine        *EngineEntry `json:"engine,omitempty"` // with timings only
	Summary       Tally        `json:"summary"`
	Classes       []ClassTally `json:"classes"`
	Files         []FileEntry  `json:"files"`
	Tests         []TestEntry  `json:"tests"`
	TestSets      [][]int      `json:"test_sets"` // each list of tests that reaches some mutant, once
	Notes         []NoteEntry  `json:"notes"`
	Mutants       []Entry      `json:"mutants"`

	reaching [][]mutate.TestID // of TestSets, as far as they were asked for
	units    []string          // of mutants, where they are known
	exact    map[string]string // see exactly
}

// A Tally counts mutants. Score and Reached are percentages, nil when no
// mutant counts.
type Tally struct {
	Mutants    int      `json:"mutants"`
	Killed     int      `json:"killed"`
	TimedOut   int      `json:"timed_out"`
	Survived   int      `json:"survived"`
	Unreached  int      `json:"unreached"`
	Stillborn  int      `json:"stillborn"`
	Accepted   int      `json:"accepted"`
	Skipped    int      `json:"skipped"`
	Equivalent int      `json:"equivalent"`
	Broken     int      `json:"broken"`
	Score      *float64 `json:"score"`
	Reached    *float64 `json:"reached"`
}

// A ClassTally is the tally of one class, or of the code of a file outside
// classes.
type ClassTally struct {
	Class string `json:"class"`
	File  string `json:"file"`
	Tally
}

// A FileEntry is a source file as it was judged.
type FileEntry struct {
	Path   string `json:"path"`
	Bytes  int    `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// A TestEntry is a test; others refer to it by its index.
type TestEntry struct {
	Name   string   `json:"name"`
	TimeMS *float64 `json:"time_ms,omitempty"`
}

// A NoteEntry is a [mutate.Note].
type NoteEntry struct {
	Kind string `json:"kind"`
	Path string `json:"path,omitempty"`
	Line int    `json:"line,omitempty"`
	Text string `json:"text"`
}

// An Entry is a mutant and its verdict.
type Entry struct {
	ID            string          `json:"id"`
	Operator      string          `json:"operator"`
	File          string          `json:"file"`
	Class         string          `json:"class"`
	Function      string          `json:"function"`
	Line          int             `json:"line"`   // 1-based
	Column        int             `json:"column"` // 1-based, in bytes
	Start         int             `json:"start"`  // byte offset into the file
	End           int             `json:"end"`    // exclusive
	Before        string          `json:"before"`
	BeforeBase64  string          `json:"before_base64,omitempty"`
	After         string          `json:"after"`
	AfterBase64   string          `json:"after_base64,omitempty"`
	Status        string          `json:"status"`
	WouldBe       string          `json:"would_be,omitempty"`  // the status of an accepted mutant if nobody had accepted it
	New           bool            `json:"new,omitempty"`       // against the result that this one is compared with
	Observed      string          `json:"observed,omitempty"`  // never_differs, not_observed, differs
	Evaluated     *EvaluatedEntry `json:"evaluated,omitempty"` // of never_differs
	Killer        *string         `json:"killer"`
	Killers       []int           `json:"killers,omitempty"` // indices into tests; with all_kills those that kill it by themselves
	Failure       *string         `json:"failure"`           // by which a mutant was killed
	TestsReaching int             `json:"tests_reaching"`    // index into test_sets
	TestsRun      int             `json:"tests_run"`
	SameGapAs     string          `json:"same_gap_as,omitempty"` // the ID of the survivor that stands for it; see sameGaps
	Proof         *ProofEntry     `json:"proof,omitempty"`
	Reason        string          `json:"reason,omitempty"`  // why accepted, skipped, equivalent or broken
	Message       string          `json:"message,omitempty"` // of the failing test; with timings only
	TimeMS        *float64        `json:"time_ms,omitempty"`
}

// Describe gives the document of a result.
func Describe(r *mutate.Result, o Options) *Document {
	d := &Document{
		Format: FormatName, SchemaVersion: SchemaVersion,
		Project: marked(r.Project), PHP: r.PHP, PHPUnit: r.PHPUnit, Breadth: r.Breadth,
		Partial: r.Partial, LeftOut: r.LeftOut, AllKills: r.AllKills, Compared: r.Compared, Part: partEntry(r),
		Summary: tally(Total(r)),
		Classes: []ClassTally{}, Files: []FileEntry{}, Tests: []TestEntry{}, TestSets: [][]int{}, Notes: []NoteEntry{}, Mutants: []Entry{},
	}
	if o.Timings {
		d.SuiteMS, d.ElapsedMS, d.Engine = ms(r.Suite), ms(r.Elapsed), engineEntry(r.Engine)
	}
	for _, c := range Classes(r) {
		d.Classes = append(d.Classes, ClassTally{marked(c.Name), marked(c.File), tally(c.Score)})
	}
	slices.SortFunc(d.Classes, func(a, b ClassTally) int {
		if a.Class != b.Class {
			return strings.Compare(a.Class, b.Class)
		}
		return strings.Compare(a.File, b.File)
	})
	for _, n := range r.Notes {
		d.Notes = append(d.Notes, NoteEntry{n.Kind, marked(n.Path), n.Line, marked(n.Text)})
	}
	index := d.addTests(r, o)
	told := o
	told.Timings = o.Timings || r.Part != nil // reports on the whole tell what parts have seen
	told.Tests = o.Tests || r.Part != nil
	same := sameGaps(r)
	for _, v := range sorted(r.Verdicts) {
		d.addFile(v.Mutant.Source)
		e := entry(v, index, told)
		e.SameGapAs = same[v.Mutant.ID]
		if !o.Timings {
			e.TimeMS = nil
		}
		d.Mutants = append(d.Mutants, e)
	}
	return d
}

// addFile expects the files in order.
func (d *Document) addFile(s *mutate.Source) {
	if n := len(d.Files); n > 0 && d.Files[n-1].Path == marked(s.Path) {
		return
	}
	sum := s.Sum
	if sum == "" {
		sum = hash(s.Text)
	}
	d.Files = append(d.Files, FileEntry{marked(s.Path), len(s.Text), sum})
}

func hash(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// addTests lists the tests by name, with those that only a verdict knows.
func (d *Document) addTests(r *mutate.Result, o Options) *testIndex {
	byID := map[mutate.TestID]mutate.Test{}
	seen := map[*mutate.TestID]bool{}
	for _, v := range r.Verdicts {
		if len(v.Reaching) == 0 || seen[&v.Reaching[0]] {
			continue // verdicts often share one list
		}
		seen[&v.Reaching[0]] = true
		for _, id := range v.Reaching {
			byID[id] = mutate.Test{ID: id}
		}
	}
	for _, t := range r.Tests {
		byID[t.ID] = t
	}
	var ids []mutate.TestID
	for id := range byID {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	index := &testIndex{d, map[mutate.TestID]int{}, map[*mutate.TestID]int{}, map[string]int{}}
	for i, id := range ids {
		index.numbers[id] = i
		e := TestEntry{Name: marked(string(id))}
		if o.Timings {
			e.TimeMS = ms(byID[id].Time)
		}
		d.Tests = append(d.Tests, e)
	}
	return index
}

// testIndex numbers tests and lists of them. Verdicts often share one list, and lists
// are long.
type testIndex struct {
	d       *Document
	numbers map[mutate.TestID]int
	shared  map[*mutate.TestID]int // first element => its list, of those that were looked at
	lists   map[string]int         // content => index into TestSets
}

// set gives the index of a list of tests in TestSets.
func (x *testIndex) set(ids []mutate.TestID) int {
	if len(ids) > 0 {
		if n, ok := x.shared[&ids[0]]; ok && len(x.d.TestSets[n]) == len(ids) {
			return n
		}
	}
	list, key := make([]int, len(ids)), make([]byte, 0, 4*len(ids))
	for i, id := range ids {
		list[i] = x.numbers[id]
		key = binary.AppendUvarint(key, uint64(list[i]))
	}
	n, ok := x.lists[string(key)]
	if !ok {
		n = len(x.d.TestSets)
		x.lists[string(key)] = n
		x.d.TestSets = append(x.d.TestSets, list)
	}
	if len(ids) > 0 {
		x.shared[&ids[0]] = n
	}
	return n
}

func entry(v mutate.Verdict, index *testIndex, o Options) Entry {
	m := v.Mutant
	e := Entry{
		ID: m.ID, Operator: m.Op.ID, File: marked(m.Source.Path), Class: marked(m.Class), Function: marked(m.Function),
		Line: m.Line, Column: m.Column, Start: m.Edit.Start, End: m.Edit.End,
		Status: v.Status.String(), New: v.New, TestsRun: v.Ran,
	}
	if v.WouldBe != mutate.Unset {
		e.WouldBe = v.WouldBe.String()
	}
	e.Before, e.BeforeBase64 = exact(m.Before())
	e.After, e.AfterBase64 = exact(m.Edit.New)
	if v.Killer != "" {
		name := marked(string(v.Killer))
		e.Killer = &name
	}
	if v.How != mutate.HowUnset {
		failure := v.How.String()
		e.Failure = &failure
	}
	e.Observed, e.Evaluated = seenEntry(v.Seen, o)
	e.Proof = proofEntry(v.Proof, o)
	e.TestsReaching = index.set(v.Reaching)
	for _, id := range v.Killers {
		e.Killers = append(e.Killers, index.numbers[id])
	}
	switch {
	case v.Status == mutate.Skipped:
		e.Reason = marked(m.Skipped)
	case v.Status == mutate.Accepted, v.Status == mutate.Equivalent, v.Status == mutate.Broken:
		e.Reason = marked(v.Detail)
	case o.Timings:
		e.Message = marked(v.Detail)
	}
	if o.Timings {
		e.TimeMS = ms(v.Time)
	}
	return e
}

func tally(s mutate.Score) Tally {
	return Tally{
		Mutants: s.Total, Killed: s.Killed, TimedOut: s.TimedOut, Survived: s.Survived, Unreached: s.Unreached,
		Stillborn: s.Stillborn, Accepted: s.Accepted, Skipped: s.Skipped, Equivalent: s.Equivalent, Broken: s.Broken,
		Score: figure(s.Value()), Reached: figure(s.Reached()),
	}
}

// figure rounds to four digits behind the point, so that one mutant among a
// hundred thousand shows.
func figure(p float64, ok bool) *float64 {
	if !ok {
		return nil
	}
	p = math.Round(p*1e4) / 1e4
	return &p
}

func ms(d time.Duration) *float64 {
	f := math.Round(d.Seconds()*1e6) / 1e3
	return &f
}

// marked writes bytes that are not UTF-8 as "\xE4" and leaves the rest alone.
func marked(s string) string {
	if utf8.ValidString(s) {
		return s
	}
	var b strings.Builder
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRuneInString(s[i:])
		if r == utf8.RuneError && n == 1 {
			fmt.Fprintf(&b, "\\x%02X", s[i])
		} else {
			b.WriteString(s[i : i+n])
		}
		i += n
	}
	return b.String()
}

// exact gives the marked text, and the bytes in base64 where it had to be marked.
func exact(s string) (text, encoded string) {
	if utf8.ValidString(s) {
		return s, ""
	}
	return marked(s), base64.StdEncoding.EncodeToString([]byte(s))
}
