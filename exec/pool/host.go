package pool

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// An Item is a piece of work.
type Item struct {
	Name string
	Cost float64 // compared with that of others; more than 0
}

// A Giver is the host of a run.
type Giver struct {
	Run Run
	// Open gives the bytes of a file of the run.
	Open func(File) (io.ReadCloser, error)
	// Take takes in a record, once for each item; again says that the item has to be worked on
	// once more, and the record is to be forgotten. Of the last it must not say that.
	Take func(r Record, last bool) (again bool, err error)
	// Essence gives what two records of an item have to have in common, or "" for one that says
	// nothing of it. It is kept of each until the run is over, so it is short.
	Essence func(Record) string
	// Tell is told what people may want to know; it may be nil.
	Tell func(text string)
	// Heard is called when workers have said something; it may be nil.
	Heard func()
	// InMemory has the server keep everything in memory.
	InMemory bool
	// Resumed says that a host of this run has been there before: what workers said meanwhile
	// is still to be had.
	Resumed bool
	// Target is how long a batch should take, 0 for some seconds.
	Target time.Duration

	conn   *Conn
	known  map[string]string // item => the essence of its record
	team   map[string]*Share
	joined atomic.Int32
	again  int  // items that were given again
	last   int  // batch
	silent bool // the server cannot be reached, and that was told
}

// A Share is what a worker has contributed.
type Share struct {
	Worker  string
	Items   int    // records of its that counted
	Refused string // why it takes nothing
}

// Begin announces the run and has the files of it stored. known has the essence of what is known
// of items from before; the Giver adds to it.
func (g *Giver) Begin(ctx context.Context, c *Conn, known map[string]string) error {
	g.conn, g.known, g.team = c, known, map[string]*Share{}
	if known == nil {
		g.known = map[string]string{}
	}
	g.Run.Protocol = protocol
	if g.Run.Patience <= 0 {
		g.Run.Patience = 30 * time.Second
	}
	g.last = int(time.Now().Unix()) // so that batches of a host before are others
	if g.Target <= 0 {
		g.Target = usualTarget
	}
	var err error
	if !g.Resumed {
		err = g.forget(ctx)
	}
	if err == nil {
		err = g.setUp(ctx)
	}
	if err != nil && ctx.Err() == nil {
		return AccessError{err} // a server that does not do what it has to
	}
	return err
}

// storage is where the server keeps streams.
func (g *Giver) storage() jetstream.StorageType {
	if g.InMemory {
		return jetstream.MemoryStorage
	}
	return jetstream.FileStorage
}

// setUp makes what is not there.
func (g *Giver) setUp(ctx context.Context) error {
	js := g.conn.js
	for _, cfg := range []jetstream.StreamConfig{
		{Name: g.Run.work(), Subjects: []string{g.Run.workSubject()}, Retention: jetstream.WorkQueuePolicy, MaxMsgSize: mostSent},
		{Name: g.Run.said(), Subjects: []string{g.Run.saidSubject()}, Retention: jetstream.LimitsPolicy, MaxMsgSize: mostSent},
	} {
		cfg.Storage, cfg.MaxAge = g.storage(), kept
		if _, err := js.CreateOrUpdateStream(ctx, cfg); err != nil {
			return fmt.Errorf("the server of the pool: %w", err)
		}
	}
	if _, err := js.CreateOrUpdateConsumer(ctx, g.Run.work(), jetstream.ConsumerConfig{Durable: workers, AckPolicy: jetstream.AckExplicitPolicy,
		AckWait: g.Run.Patience, MaxDeliver: -1, MaxAckPending: 10_000}); err != nil {
		return fmt.Errorf("the server of the pool: %w", err)
	}
	if err := g.store(ctx); err != nil {
		return err
	}
	return g.announce(ctx)
}

// announce says that the run goes on.
func (g *Giver) announce(ctx context.Context) error {
	runs, err := bucketOfRuns(ctx, g.conn.js, g.storage())
	if err != nil {
		return err
	}
	text, err := json.Marshal(g.Run)
	if err != nil {
		return err
	}
	_, err = runs.Put(ctx, g.Run.ID, text)
	return err
}

func bucketOfRuns(ctx context.Context, js jetstream.JetStream, storage jetstream.StorageType) (jetstream.KeyValue, error) {
	runs, err := js.KeyValue(ctx, runsBucket)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		runs, err = js.CreateOrUpdateKeyValue(ctx, jetstream.KeyValueConfig{Bucket: runsBucket, TTL: kept, Storage: storage, MaxValueSize: mostSent})
	}
	if err != nil {
		return nil, fmt.Errorf("the server of the pool: %w", err)
	}
	return runs, nil
}

// store stores the files that the server does not have.
func (g *Giver) store(ctx context.Context) error {
	js := g.conn.js
	files, err := js.ObjectStore(ctx, filesBucket)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		files, err = js.CreateOrUpdateObjectStore(ctx, jetstream.ObjectStoreConfig{Bucket: filesBucket, TTL: kept, Storage: g.storage()})
	}
	if err != nil {
		return fmt.Errorf("the server of the pool: %w", err)
	}
	for _, f := range g.Run.Files {
		info, err := files.GetInfo(ctx, f.Sum)
		if err == nil && info.Size == uint64(f.Size) && time.Since(info.ModTime) < renewed {
			continue
		}
		r, err := g.Open(f)
		if err != nil {
			return err
		}
		_, err = files.Put(ctx, jetstream.ObjectMeta{Name: f.Sum}, r)
		if err = errors.Join(err, r.Close()); err != nil {
			return fmt.Errorf("the files cannot be stored in the pool: %w", err)
		}
	}
	return nil
}

// forget takes away what the server has of the run, but the files, which the next one may need.
func (g *Giver) forget(ctx context.Context) error {
	runs, err := bucketOfRuns(ctx, g.conn.js, g.storage())
	if err != nil {
		return err
	}
	if err := runs.Purge(ctx, g.Run.ID); err != nil && !errors.Is(err, jetstream.ErrKeyNotFound) {
		return err
	}
	for _, name := range []string{g.Run.work(), g.Run.said()} {
		if err := g.conn.js.DeleteStream(ctx, name); err != nil && !errors.Is(err, jetstream.ErrStreamNotFound) {
			return err
		}
	}
	return nil
}

// End takes the run away, and has workers told of it.
func (g *Giver) End(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	err := g.forget(ctx)
	return errors.Join(err, g.conn.nc.Publish(g.Run.overSubject(), nil), g.conn.nc.FlushWithContext(ctx))
}

// Shares says who has contributed, by name, and how many items were given again.
func (g *Giver) Shares() (shares []Share, again int) {
	for _, s := range g.team {
		shares = append(shares, *s)
	}
	slices.SortFunc(shares, func(a, b Share) int { return bytes.Compare([]byte(a.Worker), []byte(b.Worker)) })
	return shares, g.again
}

// Workers counts the workers that have joined, and not refused. It may be called at any time.
func (g *Giver) Workers() int { return int(g.joined.Load()) }

// count does so.
func (g *Giver) count() {
	n := 0
	for _, s := range g.team {
		if s.Refused == "" {
			n++
		}
	}
	g.joined.Store(int32(n))
}

func (g *Giver) tell(format string, args ...any) {
	if g.Tell != nil {
		g.Tell(fmt.Sprintf(format, args...))
	}
}
