//go:build linux

package exec

import (
	"context"
	"slices"
	"sync"

	"golang.org/x/sync/errgroup"

	"assay/exec/recording"
	"assay/mutate"
)

// recordings are the runs of the unchanged suite.
type recordings struct {
	plain, probed *recording.Run
	observed      *recording.Run // nil where there is none
	observing     *observing
	probes        *probing
	notes         []mutate.Note
	unreliable    map[string]bool // names of tests; see recordPlain
	declared      []string        // what the sources declare; see wire.Setup
}

// order has channels that are closed when something has come about while they are made.
type order struct {
	green  chan struct{} // the suite is known to be green
	probes chan struct{} // recordings.probes are there
	alone  chan struct{} // more than one may run tests
}

// wait waits for channels to be closed.
func wait(ctx context.Context, all ...chan struct{}) error {
	for _, c := range all {
		select {
		case <-c:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// recordings makes them, at a time where workers do not share what the tests use.
func (e *Engine) recordings(ctx context.Context, files []*mutate.Points, progress func(done, all int)) (*recordings, error) {
	r := &recordings{probes: e.probes, unreliable: map[string]bool{}, declared: declaredIn(files)}
	runs := []func(context.Context, []*mutate.Points, *recordings, order) error{e.makePlain, e.makeProbed}
	if len(e.observed) > 0 {
		runs = append(runs, e.makeObserved)
	}
	tell := oneByOne(progress, len(runs))
	o := order{make(chan struct{}), make(chan struct{}), make(chan struct{})}
	if !e.sharesNetwork() && !e.sharesPlaces() {
		close(o.alone)
	}
	e.turns.on.Store(e.sharesPlaces())
	g, ctx := errgroup.WithContext(ctx)
	for _, run := range runs {
		g.Go(func() error {
			err := run(ctx, files, r, o)
			tell()
			return err
		})
	}
	return r, g.Wait()
}

// oneByOne gives what says that one more is done. Several may call it at the same time, and
// progress, which may be nil, hears of them one after the other.
func oneByOne(progress func(done, all int), all int) func() {
	var mu sync.Mutex
	done := 0
	return func() {
		mu.Lock()
		defer mu.Unlock()
		if done++; progress != nil {
			progress(done, all)
		}
	}
}

// makePlain records the sources as they are.
func (e *Engine) makePlain(ctx context.Context, _ []*mutate.Points, r *recordings, o order) (err error) {
	if e.sharesNetwork() || e.sharesPlaces() {
		defer close(o.alone)
	}
	r.plain, r.notes, err = e.recordPlain(ctx, r.declared, r.unreliable)
	if err != nil {
		return err
	}
	close(o.green)
	more, err := e.noteSkipped(ctx, r.plain)
	r.notes = append(r.notes, more...)
	return err
}

// makeProbed records them with points.
func (e *Engine) makeProbed(ctx context.Context, files []*mutate.Points, r *recordings, o order) (err error) {
	if r.probes == nil || !slices.Equal(files, r.probes.sources) {
		if r.probes, err = e.probe(ctx, files); err != nil {
			return err
		}
	}
	close(o.probes)
	if err = wait(ctx, o.alone); err == nil {
		r.probed, err = e.recordProbed(ctx, r.probes)
	}
	return err
}

// makeObserved records them with the values of mutants worked out. That it cannot is no
// error: then all tests are replayed.
func (e *Engine) makeObserved(ctx context.Context, files []*mutate.Points, r *recordings, o order) (err error) {
	if err := wait(ctx, o.probes, o.green, o.alone); err != nil {
		return err
	}
	if e.changesPlaces.Load() {
		return nil // nothing is left out then
	}
	e.launchJudging()
	if r.observing, r.observed, err = e.recordObserving(ctx, files, r.probes, r.plain); err != nil && ctx.Err() == nil {
		e.remark("No value of a mutant could be compared with that of the original, so that all tests were replayed: %v.", err)
		return nil
	}
	return err
}
