//go:build linux

package exec

import (
	"context"
	"time"

	"assay/exec/recording"
	"assay/exec/supervisor"
)

// A walker that goes on leaves others behind, at some boundaries: the processes that it was
// forked from. Who has to be where the walker has been goes there from the last of these, and
// need not build the suite and walk through it anew. What they know is their own; what lies
// outside of a process is the view's files, and a walker that leaves files ends them all.

// How many walkers are kept: as many as share the suite's time evenly, and their memory allows.
const (
	mostKept       = 8
	mostKeptMemory = 1 << 30 // bytes, of all workers, if they shared nothing
)

// mayKeep reports whether walkers can be kept. They cannot where tests leave something outside
// of their process: files, or processes that live on.
func (d *desk) mayKeep() bool {
	return d.e.forks() && !d.isCold() && !d.leftFiles && !d.e.sharesNetwork() && !d.e.sharesPlaces() && !d.b.rec.LivesEver() && d.mostKept() > 0
}

func (d *desk) mostKept() int {
	each := max(1, d.b.resident) * int64(max(1, d.e.set.Jobs))
	return int(min(mostKept, mostKeptMemory/each))
}

// keep reports whether the walker is to be kept where it stands, when it is to go on. It is kept
// before the first test, and then where the tests since the last one take long enough.
func (d *desk) keep() bool {
	if d.kept[d.at] != nil {
		return true
	}
	if !d.mayKeep() {
		return false
	}
	if last := d.keptBy(d.at); last > 0 && d.timeBetween(last, d.at) < d.b.Suite/time.Duration(d.mostKept()) || len(d.kept) > d.mostKept() {
		return false
	}
	if d.kept == nil {
		d.kept = map[int]*recording.Tracker{}
	}
	d.kept[d.at] = d.state.Clone()
	return true
}

func (d *desk) timeBetween(from, to int) (t time.Duration) {
	for n := from; n < to; n++ {
		t += d.b.rec.Segments[n].Time
	}
	return t
}

// keptBy gives the last boundary up to one at which a walker is kept; 0: there is none.
func (d *desk) keptBy(boundary int) int {
	last := 0
	for n := range d.kept {
		if n <= boundary {
			last = max(last, n)
		}
	}
	return last
}

// goBack has a walker stand that was kept, if that is nearer to a boundary than the present one.
// Its state must be what it was when it was left.
func (d *desk) goBack(ctx context.Context, boundary int) (bool, error) {
	n := d.keptBy(boundary)
	if n == 0 || d.at > 0 && d.at <= boundary && n <= d.at {
		return false, nil
	}
	defer d.e.turns.take()()
	state := d.kept[n]
	stop, err := d.w.Return(ctx, supervisor.Return{Boundary: n})
	if ctx.Err() != nil {
		return false, ctx.Err()
	}
	if err != nil || len(stop.Changes)+len(stop.Files)+len(stop.Events) > 0 {
		d.at, d.kept = 0, nil
		d.wentBack(false)
		return false, nil
	}
	d.at, d.state = n, state.Clone()
	if !d.wasBack[n] { // what has passed its control on another walker has one of its own here
		d.wasBack[n] = true
		clear(d.checked)
	}
	d.wentBack(true)
	return true, nil
}

// wentBack counts walkers that were kept and stood once more, or could not.
func (j *bench) wentBack(did bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if did {
		j.stats.WentBack++
	} else {
		j.stats.NotBack++
	}
}
