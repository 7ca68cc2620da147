//go:build linux

package exec

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"assay/exec/judging"
	"assay/exec/recording"
	"assay/mutate"
)

// Stats counts how replays were made.
type Stats struct {
	Tests, States int
	Neutral       float64             // share of tests that leave the state as they find it
	Volatile      int                 // roots of which only the shape counts
	Hiding        int                 // tests that leave what cannot be compared whole
	Unknown       int                 // roots that cannot be seen whole
	Changed       []recording.Changed // what most tests leave changed
	Compared      mutate.Comparisons
	Reasons       [judging.Reasons]int // why pairs were not batched
	ToEnd         map[string]int       // why mutants had the rest of the suite run => how many
	Ways          map[string]*Way
	WentBack      int // times that a walker stood once more that was kept
	NotBack       int // times that one could not
	planned       bool
}

// Way counts the replays of one kind.
type Way struct {
	Replays int           // processes
	Steps   int           // of mutants
	Time    time.Duration // of processes
	Faults  int64         // minor page faults
}

// mostNamed is how many parts of the state are named as those that are changed most often.
const mostNamed = 5

func newStats(b *Baseline) *Stats {
	return &Stats{Tests: len(b.Tests), States: b.rec.States(), Neutral: b.rec.NeutralShare(), Volatile: len(b.rec.Volatile), Hiding: b.rec.HidingTests(),
		Unknown: len(b.rec.Unknown), Changed: b.rec.MostChanged(mostNamed), Ways: map[string]*Way{}, ToEnd: map[string]int{}}
}

// compared counts of how many tasks the values were compared.
func (b *Baseline) compared(tasks []Task) mutate.Comparisons {
	c := mutate.Comparisons{Mutants: len(tasks), Segments: len(b.rec.Segments)}
	for _, t := range tasks {
		c.Pairs, c.Same = c.Pairs+len(t.Pairs)+t.Same, c.Same+t.Same
		if b.seen != nil && b.seen.number[t.Mutant] != 0 {
			c.Compared++
		}
		if len(t.Pairs) == 0 && t.Same > 0 {
			c.Decided++
		}
	}
	if b.seen != nil {
		for _, known := range b.seen.known {
			if known {
				c.Usable++
			}
		}
	}
	return c
}

// count notes a replay.
func (j *bench) count(way string, steps int, wall, faults int64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	w := j.stats.Ways[way]
	if w == nil {
		w = &Way{}
		j.stats.Ways[way] = w
	}
	w.Replays++
	w.Steps += steps
	w.Time += time.Duration(wall) * time.Microsecond
	w.Faults += faults
}

// forgiven says which parts of the state were not compared.
func (j *bench) forgiven() {
	coarser, ignored := j.b.rec.Forgiven()
	if len(coarser) > 0 {
		j.e.remark("Of %s the value is another in every process, so that only the kind of value is compared: %s.", manyThings(len(coarser)), firstOf(coarser, 5))
	}
	if len(ignored) > 0 {
		j.e.remark("Of %s the value is another in every process, and is not compared: %s.", manyThings(len(ignored)), firstOf(ignored, 5))
	}
}

// Stats gives what all calls of Judge have counted; nil before the first.
func (e *Engine) Stats() *Stats {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.stats
}

// Figures gives the same for a result; nil where nothing was judged.
func (s *Stats) Figures() *mutate.Figures {
	if s == nil {
		return nil
	}
	f := &mutate.Figures{Tests: s.Tests, Neutral: s.Neutral, States: s.States, Volatile: s.Volatile, Hiding: s.Hiding, Unknown: s.Unknown, Compared: s.Compared, WentBack: s.WentBack, NotBack: s.NotBack}
	for _, c := range s.Changed {
		f.Changed = append(f.Changed, mutate.Changed{What: c.Root, Tests: c.Tests})
	}
	for r, n := range s.Reasons {
		if n > 0 {
			f.NotBatched = append(f.NotBatched, mutate.Reason{Why: judging.Reason(r).String(), Pairs: n})
		}
	}
	for why, n := range s.ToEnd {
		f.ToEnd = append(f.ToEnd, mutate.Refusal{Why: why, Mutants: n})
	}
	slices.SortFunc(f.ToEnd, func(a, b mutate.Refusal) int { return cmp.Or(b.Mutants-a.Mutants, cmp.Compare(a.Why, b.Why)) })
	f.ToEnd = f.ToEnd[:min(mostNamed, len(f.ToEnd))]
	for _, name := range slices.Sorted(maps.Keys(s.Ways)) {
		w := s.Ways[name]
		f.Ways = append(f.Ways, mutate.Way{Name: name, Processes: w.Replays, Steps: w.Steps, Time: w.Time, Faults: w.Faults})
	}
	return f
}

// report adds what was counted to what earlier calls of Judge have.
func (j *bench) report() {
	j.e.mu.Lock()
	defer j.e.mu.Unlock()
	if before := j.e.stats; before != nil {
		to, more := &j.stats.Compared, before.Compared
		to.Mutants, to.Compared, to.Pairs, to.Same, to.Decided = to.Mutants+more.Mutants, to.Compared+more.Compared, to.Pairs+more.Pairs, to.Same+more.Same, to.Decided+more.Decided
		j.stats.WentBack, j.stats.NotBack = j.stats.WentBack+before.WentBack, j.stats.NotBack+before.NotBack
		for r, n := range before.Reasons {
			j.stats.Reasons[r] += n
		}
		for why, n := range before.ToEnd {
			j.stats.ToEnd[why] += n
		}
		for name, w := range before.Ways {
			sum := j.stats.Ways[name]
			if sum == nil {
				sum = &Way{}
				j.stats.Ways[name] = sum
			}
			sum.Replays, sum.Steps, sum.Time, sum.Faults = sum.Replays+w.Replays, sum.Steps+w.Steps, sum.Time+w.Time, sum.Faults+w.Faults
		}
	}
	j.e.stats = j.stats
}
