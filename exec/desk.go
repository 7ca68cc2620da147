//go:build linux

package exec

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"assay/exec/judging"
	"assay/exec/recording"
	"assay/exec/supervisor"
	"assay/exec/wire"
	"assay/mutate"
)

// desk is one worker's place, at which the next takes over when it dies.
type desk struct {
	*bench
	number  int
	form    judging.Form
	w       *supervisor.Client
	at      int                // boundary at which the walker stands; 0: there is none
	state   *recording.Tracker // of the walker
	checked map[way]bool       // ways whose controls have passed here
	// leftFiles is true where a walker has left files in the view.
	leftFiles bool
	kept      map[int]*recording.Tracker // boundaries at which a walker stays, with its state; see kept.go
	wasBack   map[int]bool               // those of them that it has gone back to
}

func (d *desk) close() {
	if d.w != nil {
		d.w.Kill()
		d.w = nil
	}
	d.kept = nil
}

// mostBatched is how many mutants are in a batch at most.
const mostBatched = 64

// walk goes through the suite and makes the steps that wait at each boundary.
func (d *desk) walk(ctx context.Context) error {
	if err := d.start(ctx); err != nil {
		return err
	}
	from := 0
	for {
		boundary, ok := d.next(d.form, from)
		if !ok {
			// What is played waits for the next walk, for which more than it may come meanwhile.
			if more, err := d.more(ctx); !more || err != nil {
				return err
			}
			continue
		}
		from = boundary
		for {
			if err := ctx.Err(); err != nil {
				return err
			}
			n := 1
			if d.form == judging.Batched {
				n = mostBatched
				if open, desks := d.waitingAt(boundary), len(d.desks[d.form]); open < 2*n*desks {
					n = max(4, open/(2*desks))
				}
			}
			cases := d.take(d.form, boundary, n)
			if len(cases) == 0 {
				break
			}
			if err := d.work(ctx, boundary, cases); err != nil {
				return err
			}
		}
	}
}

// more has more tasks come while batches are made, where there are any.
func (d *desk) more(ctx context.Context) (bool, error) {
	if d.form != judging.Batched {
		return false, nil
	}
	return d.fed(ctx, false)
}

func (j *bench) waitingAt(boundary int) int {
	j.mu.Lock()
	defer j.mu.Unlock()
	return len(j.waiting[judging.Batched][boundary])
}

// work makes the next step of some cases at a boundary. When the worker fails another
// one tries, once. Where a batch fails twice its mutants are played; what fails twice so is
// Broken.
func (d *desk) work(ctx context.Context, boundary int, cases []*kase) (err error) {
	for range 2 {
		if d.form == judging.Batched {
			err = d.batch(ctx, boundary, &cases)
		} else {
			err = d.play(ctx, cases[0])
		}
		if err == nil || ctx.Err() != nil {
			return err
		}
		var bad *closedError
		if errors.As(err, &bad) {
			return d.escalate(bad, cases)
		}
		var none *noControlError
		if errors.As(err, &none) {
			d.uncontrolled(cases)
			return nil
		}
		if gone := d.e.samePHP(); gone != nil {
			return gone
		}
		d.close()
		d.at = 0
	}
	for _, c := range cases {
		if d.form == judging.Batched { // one of them may be the cause: each is played by itself
			d.replan(c, 0, true)
		} else {
			d.broken(c, err.Error())
		}
	}
	return nil
}

// broken says that a mutant could not be judged.
func (d *desk) broken(c *kase, why string) {
	d.mu.Lock()
	d.open--
	d.mu.Unlock()
	d.each(mutate.Verdict{Mutant: c.task.Mutant, Status: mutate.Broken, Detail: why, Reaching: d.idsOf(c.task.Reach)})
}

func (j *bench) levelNow() level {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.level
}

// start starts the worker's supervisor, and has the tests be copied for the first time.
func (d *desk) start(ctx context.Context) (err error) {
	if level := d.levelNow(); d.w != nil && level > d.level {
		d.close() // its view has files with mutants in place, which are not wanted any more
		d.level, d.at = level, 0
	}
	if d.w != nil {
		return nil
	}
	d.checked, d.leftFiles = map[way]bool{}, false
	if d.w, err = d.e.supervisor(ctx, forJudging(d.number), d.number, d.e.forks()); err != nil {
		return d.e.notReady(err)
	}
	if err := d.w.Know(ctx, supervisor.Known{Times: d.times, Volatile: d.b.rec.Levels(), Preload: d.preload, Memory: d.b.memory}); err != nil {
		return err
	}
	if d.isPlanned() {
		return nil
	}
	if !d.e.forks() {
		d.plan(nil)
		return nil
	}
	return d.begin(ctx)
}

// begin starts a walker, which stands at boundary 1 then.
func (d *desk) begin(ctx context.Context) error {
	defer d.e.turns.take()()
	d.kept, d.wasBack = nil, map[int]bool{} // Walk ends them
	for {
		suite, stop, err := d.w.Walk(ctx, supervisor.Walk{Texts: d.texts()})
		if err != nil {
			if again := d.withoutRefused(); again {
				continue
			}
			return d.e.notReady(err)
		}
		d.e.ownSuite(d.w.Facts.Root, suite)
		if err := recording.SameSuite(d.b.run.Suite, *suite); err != nil {
			return &ProjectError{err.Error(), "Data providers and test lists must not depend on time, chance or the file system's order."}
		}
		d.plan(suite.Copied)
		d.state = d.b.rec.Track(0)
		return d.stands(stop)
	}
}

// reach has the walker stand at a boundary. For boundary 0 it is all the same where it stands,
// unless it has left files: then it stands at the next one.
func (d *desk) reach(ctx context.Context, boundary int) error {
	if err := d.start(ctx); err != nil || boundary == 0 && (d.isCold() || !d.e.forks() || d.at > 0 && !d.leftFiles) {
		return err
	}
	boundary = max(boundary, 1)
	if d.at > boundary && d.leftFiles { // in this view a new walker would find what the other has left
		d.close()
		d.at = 0
		if err := d.start(ctx); err != nil {
			return err
		}
	}
	if found, err := d.goBack(ctx, boundary); err != nil {
		return err
	} else if !found && (d.at == 0 || d.at > boundary) {
		if err := d.begin(ctx); err != nil {
			return err
		}
	}
	for d.at < boundary {
		if err := d.advance(ctx, d.b.nextReading(d.at, boundary)); err != nil {
			return err
		}
	}
	return nil
}

// advance has the walker go on to a boundary.
func (d *desk) advance(ctx context.Context, boundary int) error {
	defer d.e.turns.take()()
	stop, err := d.w.Advance(ctx, supervisor.Advance{Until: boundary, Keep: d.keep(), Before: d.b.rec.LoadedBy(d.at), Loaded: d.b.rec.LoadedBy(boundary)})
	if err != nil {
		d.at, d.kept = 0, nil
		return err
	}
	return d.stands(stop)
}

// nextReading gives the first boundary behind one, up to a last, before a segment that
// reads sources: files that have been loaded have their own text from there on.
func (b *Baseline) nextReading(from, last int) int {
	for n := from + 1; n < last; n++ {
		for _, path := range b.rec.Segments[n].Reads {
			if b.points[path] != nil {
				return n
			}
		}
	}
	return last
}

// stands takes in where the walker stands. Its state must be the recording's.
func (d *desk) stands(stop *supervisor.Stop) error {
	d.at = stop.Boundary
	if len(stop.Files) > 0 { // walkers that were kept have run without these, and have been ended
		d.leftFiles, d.kept = true, nil
	}
	d.state.Note(stop.Boundary-1, withFiles(stop.Changes, stop.Files))
	if f, red := d.red(stop.Events); red {
		if d.maybeByChance(f.Test) {
			return fmt.Errorf("%s fails on unchanged code: %s", f.Name, f.Detail)
		}
		return &closedError{least: d.walkerLevel(), why: fmt.Sprintf("with mutants in the sources the unchanged suite is not green: %s: %s", f.Name, f.Detail)}
	}
	d.passedAgain(stop.Boundary)
	if !d.state.Converged(stop.Boundary) {
		d.state.Forgive()
		if !d.state.Converged(stop.Boundary) {
			return &closedError{least: d.walkerLevel(), why: "with mutants in the sources the unchanged suite leaves another state: " + strings.Join(d.state.Diverged, ", ")}
		}
	}
	return nil
}

// withFiles adds files to the roots that changed.
func withFiles(changes wire.Changes, files map[string]string) wire.Changes {
	if len(files) == 0 {
		return changes
	}
	out := wire.Changes{}
	for root, d := range changes {
		out[root] = d
	}
	for name, digest := range files { // with "" for what is gone
		out[recording.FileRoot(name)] = recording.FileDigest(digest)
	}
	return out
}
