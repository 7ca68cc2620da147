package report

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"assay/mutate"
)

// A Record is one run in a history: a line of a text file, which is one JSON
// object (UTF-8; bytes of PHP names that are not are written "\xE4"). Which
// mutants survive is told as what is new and what has gone since the line
// before, so that a line is short, its diff says what happened, and the lines
// of two branches can be put together in any order.
type Record struct {
	Format   string            `json:"format"` // HistoryFormat
	When     time.Time         `json:"when"`   // the run's beginning, whole seconds
	Commit   string            `json:"commit,omitempty"`
	Scope    string            `json:"scope"` // says what was looked at and with which operators; only equal ones can be compared
	PHP      string            `json:"php"`
	PHPUnit  string            `json:"phpunit"`
	Seconds  float64           `json:"seconds"` // that the run took
	Judged   int               `json:"judged"`  // mutants; the other verdicts were reused
	Counts   Counts            `json:"counts"`
	Classes  map[string]Counts `json:"classes"`
	New      []string          `json:"new"`  // IDs of mutants that survive now and did not before, sorted
	Gone     []string          `json:"gone"` // that survived before and do not now
	Survives []string          `json:"-"`    // all that survive, worked out when a history is read; sorted
}

// HistoryFormat opens every line of a history.
const HistoryFormat = "assay history 1"

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
	for _, v := range r.Verdicts {
		if v.Status == mutate.Survived {
			rec.Survives = append(rec.Survives, v.Mutant.ID)
		}
	}
	slices.Sort(rec.Survives)
	var last []string
	for _, b := range before {
		if b.Scope == scope {
			last = b.Survives
		}
	}
	rec.New, rec.Gone = without(rec.Survives, last), without(last, rec.Survives)
	return rec
}

// without gives what is in a and not in b; both sorted. It is not nil.
func without(a, b []string) []string {
	out := []string{}
	for _, s := range a {
		if _, found := slices.BinarySearch(b, s); !found {
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
			return nil, fmt.Errorf("line %d has the format %q; this assay reads %q", n, rec.Format, HistoryFormat)
		}
		out = append(out, rec)
	}
	if err := lines.Err(); err != nil {
		return nil, err
	}
	slices.SortStableFunc(out, func(a, b Record) int { return a.When.Compare(b.When) })
	survive := map[string]map[string]bool{} // by scope
	for i := range out {
		set := survive[out[i].Scope]
		if set == nil {
			set = map[string]bool{}
			survive[out[i].Scope] = set
		}
		for _, id := range out[i].New {
			set[id] = true
		}
		for _, id := range out[i].Gone {
			delete(set, id)
		}
		for id := range set {
			out[i].Survives = append(out[i].Survives, id)
		}
		slices.Sort(out[i].Survives)
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
