package pool

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// A Bench works on items of a run.
type Bench interface {
	// Work gives a record of each item that feed gives, as they fall, from one goroutine at a
	// time. It returns when feed has none any more, or soon after ctx ends.
	Work(ctx context.Context, feed Feed, each func(Record)) error
	// Drop has Work not work on up to most of some items, on which it has not begun, and says on
	// which. It may be called while Work runs.
	Drop(items []string, most int) []string
	Close() error
}

// A Feed gives the items that are to be worked on next, to one goroutine at a time. With wait it
// waits for some, and gives none when there will be no more, or ctx has ended; without it gives
// those at hand, if any.
type Feed func(ctx context.Context, wait bool) []string

// A Worker takes batches of runs.
type Worker struct {
	Name string
	// Prepare makes what works on a run. A *Refusal says that the two do not fit together.
	Prepare func(ctx context.Context, run *Run, fetch Fetch) (Bench, error)
	Tell    func(text string) // for people
	Once    bool              // it ends with the first run

	conn    *Conn
	refused map[string]bool // runs, with their files
	bench   Bench
	of      string // what the bench is for
	unused  time.Time
}

// Fetch writes the bytes of a file of the run, all of them or none that count: the error says.
type Fetch func(ctx context.Context, f File, w io.Writer) error

// A Refusal says what differs between a run and a worker.
type Refusal struct{ Why string }

func (r *Refusal) Error() string { return r.Why }

// ErrAbsent is that the server has no such file any more, or cannot be reached.
var ErrAbsent = errors.New("the pool does not give a file of the run")

const (
	pollEvery  = time.Second
	goneAfter  = 3                // polls that do not find a run
	keepUnused = time.Minute      // a bench, for a run that may come back
	longest    = 15 * time.Minute // without a record, and others may have the batch
	mostFailed = 3                // times in turn that a bench fails, with no batch between

	unreachable     = 10 * time.Minute // and a run is over as far as can be known
	unreachableOnce = 20 * time.Second // likewise, for who is there for one run
)

// Work takes batches until ctx ends.
func (w *Worker) Work(ctx context.Context, c *Conn) error {
	w.conn, w.refused = c, map[string]bool{}
	defer w.drop()
	for {
		runs := w.runs(ctx)
		busy := false
		for _, r := range runs {
			if w.refused[r.key()] {
				continue
			}
			busy = true
			if w.join(ctx, r) && w.Once {
				return ctx.Err()
			}
		}
		if w.bench != nil && !busy && time.Since(w.unused) > keepUnused {
			w.drop()
		}
		if !busy {
			select {
			case <-time.After(pollEvery):
			case <-ctx.Done():
			}
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
	}
}

// key tells runs apart, and the same run with other files.
func (r *Run) key() string {
	parts := []string{r.ID}
	for _, f := range r.Files {
		parts = append(parts, f.Sum)
	}
	return strings.Join(parts, " ")
}

func (w *Worker) drop() {
	if w.bench != nil {
		if err := w.bench.Close(); err != nil {
			w.Tell(err.Error())
		}
	}
	w.bench, w.of = nil, ""
}

// runs gives the runs that go on. A server that cannot be reached has none.
func (w *Worker) runs(ctx context.Context) []*Run {
	soon, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	bucket, err := w.conn.js.KeyValue(soon, runsBucket)
	if err != nil {
		return nil
	}
	keys, err := bucket.Keys(soon)
	if err != nil {
		return nil
	}
	slices.Sort(keys)
	var out []*Run
	for _, key := range keys {
		entry, err := bucket.Get(soon, key)
		if err != nil {
			continue
		}
		r, err := readRun(entry.Value())
		if err == nil && r.ID != key {
			err = fmt.Errorf("it has the name of another")
		}
		if err != nil {
			if !w.refused[key] {
				w.refused[key] = true
				w.Tell(fmt.Sprintf("a run in the pool is left alone: %v", err))
			}
			continue
		}
		out = append(out, r)
	}
	return out
}

// join works on a run until there is nothing to do for it; ended says that it is over.
func (w *Worker) join(ctx context.Context, r *Run) (ended bool) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	gone := make(chan struct{})
	go func() {
		if w.watch(ctx, r) {
			close(gone)
			cancel()
		}
	}()
	defer func() { w.unused = time.Now() }()
	if err := w.prepare(ctx, r); err != nil {
		var no *Refusal
		switch {
		case ctx.Err() != nil:
		case errors.Is(err, ErrAbsent):
			time.Sleep(pollEvery) // it was announced, and so comes back, or goes
		default:
			w.refused[r.key()] = true
			if !errors.As(err, &no) {
				err = fmt.Errorf("it cannot be worked on here: %w", err)
			}
			w.Tell(fmt.Sprintf("nothing of the run of %s on %s is taken: %v", r.Name, r.Host, err))
			w.say(ctx, r, said{Refused: cut(err.Error())})
		}
		return isClosed(gone)
	}
	w.say(ctx, r, said{Joined: true})
	failed := 0
	for ctx.Err() == nil {
		s := newSession(w, r)
		err := s.work(ctx)
		if s.finished > 0 {
			failed = 0
		}
		if failed++; failed < mostFailed || ctx.Err() != nil {
			continue
		}
		w.refused[r.key()] = true
		w.say(ctx, r, said{Refused: cut(err.Error())})
		w.Tell(fmt.Sprintf("no more of the run of %s is taken: %v", r.Name, err))
		w.drop()
		return false
	}
	return isClosed(gone)
}

func isClosed(c chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

func cut(why string) string { return strings.ToValidUTF8(why[:min(len(why), mostWhy)], "") }

// watch returns when a run is over, with true, or ctx is. A server that cannot be reached for
// long has no run.
func (w *Worker) watch(ctx context.Context, r *Run) bool {
	over := make(chan *nats.Msg, 1)
	if s, err := w.conn.nc.ChanSubscribe(r.overSubject(), over); err == nil {
		defer s.Unsubscribe()
	}
	patient := unreachable
	if w.Once {
		patient = max(r.Patience, unreachableOnce)
	}
	absent, reached := 0, time.Now()
	for absent < goneAfter && time.Since(reached) < patient {
		select {
		case <-time.After(pollEvery):
		case <-over:
			return true
		case <-ctx.Done():
			return false
		}
		soon, cancel := context.WithTimeout(ctx, 5*time.Second)
		bucket, err := w.conn.js.KeyValue(soon, runsBucket)
		if err == nil {
			var entry jetstream.KeyValueEntry
			if entry, err = bucket.Get(soon, r.ID); err == nil {
				if now, bad := readRun(entry.Value()); bad != nil || now.key() != r.key() {
					err = jetstream.ErrKeyNotFound
				}
			}
		}
		cancel()
		switch {
		case errors.Is(err, jetstream.ErrKeyNotFound), errors.Is(err, jetstream.ErrBucketNotFound):
			absent, reached = absent+1, time.Now()
		case err == nil:
			absent, reached = 0, time.Now()
		}
	}
	return true
}

// prepare has the bench of a run ready.
func (w *Worker) prepare(ctx context.Context, r *Run) error {
	if w.bench != nil && w.of == r.key() {
		return nil
	}
	w.drop()
	b, err := w.Prepare(ctx, r, w.fetch)
	if err != nil {
		return err
	}
	w.bench, w.of = b, r.key()
	return nil
}

// fetch gets a file from the server, and refuses one that is not what its name says.
func (w *Worker) fetch(ctx context.Context, f File, to io.Writer) error {
	files, err := w.conn.js.ObjectStore(ctx, filesBucket)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrAbsent, err)
	}
	o, err := files.Get(ctx, f.Sum)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrAbsent, err)
	}
	defer o.Close()
	h := sha256.New()
	n, err := io.Copy(io.MultiWriter(to, h), io.LimitReader(o, f.Size+1))
	switch {
	case err != nil:
		return fmt.Errorf("%w: %w", ErrAbsent, err)
	case n != f.Size || hex.EncodeToString(h.Sum(nil)) != f.Sum:
		return &Refusal{"a file in the pool is not what its name says"}
	}
	return nil
}

// say sends a message until the server has stored it, or ctx ends.
func (w *Worker) say(ctx context.Context, r *Run, s said) error {
	s.Worker = w.Name
	data, err := pack(s)
	for err == nil {
		soon, cancel := context.WithTimeout(ctx, 5*time.Second)
		_, bad := w.conn.js.Publish(soon, r.saidSubject(), data)
		cancel()
		if bad == nil {
			return nil
		}
		select {
		case <-time.After(pollEvery / 2):
		case <-ctx.Done():
			err = ctx.Err()
		}
	}
	return err
}
