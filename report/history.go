package report

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"assay/mutate"
)

// A Record is one run in a history: a line of a text file, which is one JSON
// object (UTF-8; bytes of PHP names that are not are written "\xE4"). Sets of
// mutants are told as what is new in them and what has gone since the line
// before, so that a line is short, its diff says what happened, and the lines
// of two branches can be put together in any order.
type Record struct {
	Format  string            `json:"format"` // HistoryFormat
	When    time.Time         `json:"when"`   // the run's beginning, whole seconds
	Commit  string            `json:"commit,omitempty"`
	Scope   string            `json:"scope"` // says what was looked at and with which operators; only equal ones can be compared
	PHP     string            `json:"php"`
	PHPUnit string            `json:"phpunit"`
	Seconds float64           `json:"seconds"` // that the run took
	Judged  int               `json:"judged"`  // mutants; the other verdicts were reused
	Counts  Counts            `json:"counts"`
	Classes map[string]Counts `json:"classes"`
	moves                     // new, gone: of the mutants that survive, by their IDs
	// Killed are those of gone that tests kill now. Lost are those that survive
	// or are unreached now, were killed before, and whose own code is as it was.
	Killed    []string `json:"killed"`
	Lost      []string `json:"lost"`
	Unreached moves    `json:"unreached"`
	Accepted  moves    `json:"accepted"`       // or skipped, or equivalent
	Units     moves    `json:"units"`          // fingerprints of the functions that hold mutants
	Page      string   `json:"page,omitempty"` // that --write html wrote of this run, relative to the history's directory

	known *standing // in the last record of each scope of a history that was read: all there is
}

// moves are what is new in a set, and what has gone, against the line before;
// sorted.
type moves struct {
	New  []string `json:"new"`
	Gone []string `json:"gone"`
}

// standing are the sets of a scope after a record; sorted.
type standing struct{ survived, unreached, accepted, units []string }

// HistoryFormat opens every line of a history.
const HistoryFormat = "assay history 2"

// Counts are mutants: killed (or timed out), survived, unreached. In
// JSON a list of the three.
type Counts struct{ Killed, Survived, Unreached int }

// MarshalJSON writes a list.
func (c Counts) MarshalJSON() ([]byte, error) {
	return json.Marshal([3]int{c.Killed, c.Survived, c.Unreached})
}

// UnmarshalJSON is the inverse of MarshalJSON.
func (c *Counts) UnmarshalJSON(b []byte) error {
	var list []int
	if err := json.Unmarshal(b, &list); err != nil {
		return err
	}
	if len(list) != 3 {
		return fmt.Errorf("%d figures, want 3: killed, survived, unreached", len(list))
	}
	*c = Counts{list[0], list[1], list[2]}
	return nil
}

// Value is the mutation score in percent; ok is false when nothing counts.
func (c Counts) Value() (percent float64, ok bool) {
	return c.score().Value()
}

func (c Counts) score() mutate.Score {
	return mutate.Score{Killed: c.Killed, Survived: c.Survived, Unreached: c.Unreached}
}

func countsOf(s mutate.Score) Counts { return Counts{s.Killed + s.TimedOut, s.Survived, s.Unreached} }

// RecordOf makes the record of a result that is not partial. before are the
// records so far.
func RecordOf(r *mutate.Result, before []Record, when time.Time, scope, commit string, judged int) Record {
	rec := Record{Format: HistoryFormat, When: when.UTC().Truncate(time.Second), Commit: commit, Scope: scope, PHP: r.PHP, PHPUnit: r.PHPUnit,
		Seconds: float64(r.Elapsed.Milliseconds()) / 1000, Judged: judged, Counts: countsOf(Total(r)), Classes: map[string]Counts{}}
	for _, c := range Classes(r) {
		if c.Score.Counted() > 0 {
			name := marked(c.Title())
			n, s := rec.Classes[name], countsOf(c.Score)
			rec.Classes[name] = Counts{n.Killed + s.Killed, n.Survived + s.Survived, n.Unreached + s.Unreached}
		}
	}
	last := &standing{}
	for i := range before {
		if before[i].Scope == scope && before[i].known != nil {
			last = before[i].known
		}
	}
	rec.compare(r, last)
	return rec
}

// compare fills in what is another than it was.
func (rec *Record) compare(r *mutate.Result, last *standing) {
	now, units, unitOf, status := &standing{}, map[string]bool{}, map[string]string{}, map[string]mutate.Status{}
	for _, v := range r.Verdicts {
		id, unit := v.Mutant.ID, unitMark(v.Mutant)
		units[unit], unitOf[id], status[id] = true, unit, v.Status
		switch v.Status {
		case mutate.Survived:
			now.survived = append(now.survived, id)
		case mutate.Unreached:
			now.unreached = append(now.unreached, id)
		case mutate.Accepted, mutate.Skipped, mutate.Equivalent:
			now.accepted = append(now.accepted, id)
		}
	}
	now.units = slices.Collect(maps.Keys(units))
	for _, set := range [][]string{now.survived, now.unreached, now.accepted, now.units} {
		slices.Sort(set)
	}
	rec.moves, rec.Unreached = movesOf(last.survived, now.survived), movesOf(last.unreached, now.unreached)
	rec.Accepted, rec.Units = movesOf(last.accepted, now.accepted), movesOf(last.units, now.units)
	rec.Killed, rec.Lost = []string{}, []string{}
	for _, id := range rec.Gone {
		if s := status[id]; s == mutate.Killed || s == mutate.TimedOut {
			rec.Killed = append(rec.Killed, id)
		}
	}
	for _, id := range slices.Concat(rec.New, rec.Unreached.New) {
		killed := !has(last.survived, id) && !has(last.unreached, id) && !has(last.accepted, id)
		if killed && has(last.units, unitOf[id]) {
			rec.Lost = append(rec.Lost, id)
		}
	}
	slices.Sort(rec.Lost)
	rec.known = now
}

// unitMark names the code of the function that holds a mutant, with its place.
func unitMark(m *mutate.Mutant) string {
	sum := sha256.Sum256([]byte(m.Class + "\x00" + m.Function + "\x00" + m.Unit))
	return hex.EncodeToString(sum[:4])
}

func movesOf(before, now []string) moves { return moves{without(now, before), without(before, now)} }

// after gives a set after moves; sorted.
func (m moves) after(set []string) []string {
	if len(m.New)+len(m.Gone) == 0 {
		return set
	}
	out := without(slices.Concat(set, m.New), m.Gone)
	slices.Sort(out)
	return slices.Compact(out)
}

func has(sorted []string, s string) bool {
	_, found := slices.BinarySearch(sorted, s)
	return found
}

// without gives what is in a and not in b, which is sorted. It is not nil.
func without(a, b []string) []string {
	out := []string{}
	for _, s := range a {
		if !has(b, s) {
			out = append(out, s)
		}
	}
	return out
}

// Line gives the record as a line of a history.
func (rec Record) Line() ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	err := enc.Encode(rec)
	return b.Bytes(), err
}

// ReadHistory reads a history and gives its records in the order of time. The
// error names the line, from 1.
func ReadHistory(r io.Reader) ([]Record, error) {
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, 256<<20)
	var out []Record
	for n := 1; lines.Scan(); n++ {
		line := bytes.TrimSpace(lines.Bytes())
		if len(line) == 0 {
			continue
		}
		var rec Record
		err := json.Unmarshal(line, &rec)
		switch {
		case bytes.HasPrefix(line, []byte("<<<<<<<")), bytes.HasPrefix(line, []byte("=======")), bytes.HasPrefix(line, []byte(">>>>>>>")):
			return nil, fmt.Errorf("line %d: a mark of a merge that was not finished; keep the lines of both sides and remove the marks", n)
		case err != nil:
			return nil, fmt.Errorf("line %d is no record of a run (%v); remove it", n, err)
		case rec.Format != HistoryFormat:
			return nil, fmt.Errorf("line %d has the format %q; this assay reads %q; begin a new file", n, rec.Format, HistoryFormat)
		}
		out = append(out, rec)
	}
	if err := lines.Err(); err != nil {
		return nil, err
	}
	slices.SortStableFunc(out, func(a, b Record) int { return a.When.Compare(b.When) })
	state := map[string]*standing{} // by scope
	for i, rec := range out {
		k := state[rec.Scope]
		if k == nil {
			k = &standing{}
			state[rec.Scope] = k
		}
		k.survived, k.unreached = rec.moves.after(k.survived), rec.Unreached.after(k.unreached)
		k.accepted, k.units = rec.Accepted.after(k.accepted), rec.Units.after(k.units)
		last := i == len(out)-1 || !slices.ContainsFunc(out[i+1:], func(r Record) bool { return r.Scope == rec.Scope })
		if last {
			out[i].known = k
		}
	}
	return out, nil
}

// Comparable gives the records that have the scope of the last one, at most n
// of them (0: all), and how many have another.
func Comparable(records []Record, n int) (same []Record, others int) {
	if len(records) == 0 {
		return nil, 0
	}
	scope := records[len(records)-1].Scope
	for _, rec := range records {
		if rec.Scope == scope {
			same = append(same, rec)
		} else {
			others++
		}
	}
	if n > 0 && len(same) > n {
		same = same[len(same)-n:]
	}
	return same, others
}

// A trend is what became of one class, or of all, over a history.
type trend struct {
	Title  string
	Counts []*Counts // nil where the class was not there
}

func (t trend) last() Counts { return *t.Counts[len(t.Counts)-1] }

// values are scores in percent, nil where there is none.
func (t trend) values() []*float64 {
	out := make([]*float64, len(t.Counts))
	for i, c := range t.Counts {
		if c == nil {
			continue
		}
		if v, ok := c.Value(); ok {
			out[i] = &v
		}
	}
	return out
}

// trends gives that of all, and those of the classes that the last run saw:
// the lowest score first.
func trends(records []Record) (all trend, classes []trend) {
	all = trend{Title: "all classes"}
	byName := map[string]*trend{}
	for i := range records {
		all.Counts = append(all.Counts, &records[i].Counts)
	}
	for name := range records[len(records)-1].Classes {
		t := &trend{Title: name, Counts: make([]*Counts, len(records))}
		for i := range records {
			if c, ok := records[i].Classes[name]; ok {
				t.Counts[i] = &c
			}
		}
		byName[name] = t
	}
	for _, t := range byName {
		classes = append(classes, *t)
	}
	slices.SortFunc(classes, func(a, b trend) int {
		av, _ := a.last().Value()
		bv, _ := b.last().Value()
		if av != bv {
			if av < bv {
				return -1
			}
			return 1
		}
		return strings.Compare(a.Title, b.Title)
	})
	return all, classes
}

// change is the last value less the first, both of them known.
func changeOver(values []*float64) (float64, bool) {
	for _, v := range values {
		if v != nil && values[len(values)-1] != nil {
			return *values[len(values)-1] - *v, true
		}
	}
	return 0, false
}
