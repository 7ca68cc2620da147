package recording

import (
	"maps"
	"slices"
)

// Repeats says of which segments a further run of unchanged code did what was recorded:
// they left the state as they did then, had the recorded outcome, and started no processes,
// of which nobody knows what they did. What differs from the recording before a segment,
// and differs as much behind it, is a matter of the run, a time for instance. plain is the
// run that was recorded, looks are the boundaries at which the state of the other one was
// looked at. The end of the process is none of the segments.
func (r *Recording) Repeats(plain, run *Run, looks []int) []bool {
	out := make([]bool, len(r.Segments))
	if SameSuite(plain.Suite, run.Suite) != nil {
		return out
	}
	other := make([]bool, len(r.Tests)) // tests with another outcome
	for i := range r.Tests {
		other[i] = plain.Suite.Tests[i].Data != run.Suite.Tests[i].Data || plain.Ran[i].Assertions != run.Ran[i].Assertions ||
			!slices.Equal(eventsOf(plain, i), eventsOf(run, i))
	}
	now, from := map[string]string{}, 0
	t, apart := r.Track(0), map[string]difference{}
	for n := range r.Segments[:r.End()] {
		before := apart
		if n >= len(run.Segments) {
			return out
		}
		changes := changesOf(run, n, now)
		for root, d := range changes {
			if now[root] = d.Value; d.Value == "" {
				delete(now, root)
			}
		}
		t.Note(n, changes)
		if _, looked := slices.BinarySearch(looks, n+1); !looked {
			continue
		}
		apart = t.apart(n + 1)
		for ; from <= n; from++ {
			s := &r.Segments[from]
			out[from] = maps.Equal(before, apart) && !s.Starts && !s.LeavesProcesses && !r.Lives(from) && (s.Kind != Test || !other[s.Test])
		}
	}
	return out
}

// difference is what a root has in a run, and what it has in the recording.
type difference struct{ own, recorded string }

// apart gives the roots that differ at a boundary.
func (t *Tracker) apart(boundary int) map[string]difference {
	out := map[string]difference{}
	if t.Converged(boundary) {
		return out
	}
	for _, root := range t.Diverged {
		out[root] = difference{t.ownDigest(root).Value, t.r.digestAt(root, boundary).Value}
	}
	return out
}

// eventsOf gives what PHPUnit counted against a test, or told of it.
func eventsOf(run *Run, test int) (kinds []string) {
	for _, e := range run.Events {
		if e.Test == test {
			kinds = append(kinds, e.Kind)
		}
	}
	return kinds
}
