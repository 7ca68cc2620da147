package pool

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/sync/errgroup"
)

// How the host waits and counts.
const (
	// How long a batch takes: the target, or as much longer as its start takes. Where less is left
	// for each worker it is that, but for some starts at least.
	usualTarget = 20 * time.Second
	mostTarget  = time.Minute
	leastTarget = 25 * time.Millisecond
	startsMost  = 24 // a batch of usual length is so many starts, if that is more than the target
	startsLeast = 2  // and one at the end; what is asked back is worth so many

	askedFor = 2 * time.Second // an answer to that is waited for, and then it is asked once more

	lookEvery   = 2 * time.Second // at what the server has
	idleLooks   = 3               // nothing to do on the server, and nothing heard, for so many looks: something was lost
	mostLost    = 5               // so often in turn, with no record between, and the run ends
	mostAgain   = 3               // an item is worked on so often where its record is to be forgotten
	ahead       = 1               // batches that lie ready for each worker, or are fetched and not begun
	firstShares = 2               // of what there is for each worker, the first batch is one part of so many,
	firstItems  = 200             // and no more than that,
	firstTeam   = 16              // as if there were so many workers at least: others may join
	mostItems   = 2000            // of any batch
	forgets     = 0.98            // of what was measured before, so much counts after one more batch
	mostGiven   = 20              // a batch that was given so often ends the run
)

// giving is the state of a Give.
type giving struct {
	*Giver
	open       map[string]Item // without a record
	waiting    []Item          // not given yet, in order
	batches    map[int]*given
	of         map[string]int // item => the batch that it is in
	left       float64        // the costs of those that wait
	rate       float64        // seconds for a unit of cost, 0 as long as it is not known; see measure
	took, cost float64
	start      float64 // seconds until a worker has begun with a batch, on average, if started is set
	started    bool
	costs      map[int]float64 // by number of a batch
	sizes      map[int]int
	order      map[string]int
	hungry     map[string]bool // workers for whom there was no batch
	backlog    uint64          // the last message that was there before; until then nothing is given
	ready      bool
	idle       int // looks in turn at which there was nothing to do, and nothing heard
	lost       int // times in turn that something was lost
	retried    map[string]int
	back       map[string]int // item => how often it was given back
}

// given is a batch whose records are not all there.
type given struct {
	items map[string]bool
	times int       // it was given
	asked time.Time // when some were asked back; zero: they were not, or there was an answer
	firm  bool      // the answer was that none is given back
	first time.Time // when its first record was heard
	done  float64   // the costs of those that were heard of since
}

// Give has workers work on items until there is a record of each. A record may be about one
// that is known from before, as a batch may have been given twice; one that nobody knows ends
// the run.
func (g *Giver) Give(ctx context.Context, items []Item) error {
	w := &giving{Giver: g, open: map[string]Item{}, batches: map[int]*given{}, of: map[string]int{}, costs: map[int]float64{}, sizes: map[int]int{}, order: map[string]int{}, hungry: map[string]bool{}, retried: map[string]int{}, back: map[string]int{}}
	for _, i := range Spread(items) {
		if _, known := g.known[i.Name]; known || i.Cost <= 0 {
			return fmt.Errorf("the item %s is known already, or costs nothing", i.Name)
		}
		w.open[i.Name], w.order[i.Name] = i, len(w.waiting)
		w.wait(i)
	}
	if len(items) == 0 {
		return nil
	}
	inner, cancel := context.WithCancel(ctx)
	defer cancel()
	heard := make(chan jetstream.Msg, 64)
	if err := w.begin(inner); err != nil {
		return err
	}
	go w.listen(inner, heard)
	look := time.NewTicker(min(lookEvery, g.Run.Patience))
	defer look.Stop()
	for len(w.open) > 0 {
		var err error
		select {
		case m := <-heard:
			err = w.hear(inner, m)
		case <-look.C:
			err = w.look(inner)
		case <-ctx.Done():
			return ctx.Err()
		}
		if err == nil && w.ready {
			err = w.fill(inner)
			w.askBack()
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// wait puts an item behind those that wait.
func (w *giving) wait(i Item) {
	w.waiting = append(w.waiting, i)
	w.left += i.Cost
}

// begin finds out what has been said before.
func (w *giving) begin(ctx context.Context) error {
	s, err := w.conn.js.Stream(ctx, w.Run.said())
	if err != nil {
		return fmt.Errorf("the server of the pool: %w", err)
	}
	info, err := s.Info(ctx)
	if err != nil {
		return fmt.Errorf("the server of the pool: %w", err)
	}
	if info.State.Msgs > 0 {
		w.backlog = info.State.LastSeq
		return nil
	}
	return w.clear(ctx)
}

// clear takes away batches of before, and begins to give.
func (w *giving) clear(ctx context.Context) error {
	s, err := w.conn.js.Stream(ctx, w.Run.work())
	if err == nil {
		err = s.Purge(ctx)
	}
	if err != nil {
		return passing(err)
	}
	w.ready = true
	return w.fill(ctx)
}

// position is how far a stream has been read, and which: a server that has forgotten all gets
// another one of the same name, whose messages are counted from 1 again.
type position struct {
	created time.Time // by the server's clock
	next    uint64    // message
}

// at begins anew where the stream is another one than before.
func (p *position) at(s *jetstream.StreamInfo) {
	if !s.Created.Equal(p.created) {
		*p = position{s.Created, 1}
	}
}

// listen passes on what workers say, from the first message on, whatever the server goes
// through.
func (w *giving) listen(ctx context.Context, heard chan<- jetstream.Msg) {
	var p position
	for ctx.Err() == nil {
		w.listenOnce(ctx, &p, heard)
		select {
		case <-time.After(500 * time.Millisecond):
		case <-ctx.Done():
		}
	}
}

// listenOnce does so until the server does not answer, or has another stream.
func (w *giving) listenOnce(ctx context.Context, p *position, heard chan<- jetstream.Msg) {
	s, err := w.conn.js.Stream(ctx, w.Run.said())
	if err != nil {
		return
	}
	p.at(s.CachedInfo())
	created := p.created
	c, err := w.conn.js.OrderedConsumer(ctx, w.Run.said(), jetstream.OrderedConsumerConfig{DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: p.next, MaxResetAttempts: 1})
	if err != nil {
		return
	}
	for ctx.Err() == nil {
		batch, err := c.Fetch(64, jetstream.FetchMaxWait(time.Second))
		if err != nil {
			return
		}
		for m := range batch.Messages() {
			meta, err := m.Metadata()
			if err != nil {
				return
			}
			select {
			case heard <- m:
				p.next = meta.Sequence.Stream + 1
			case <-ctx.Done():
				return
			}
		}
		if batch.Error() != nil && !errors.Is(batch.Error(), nats.ErrTimeout) {
			return
		}
		// The consumer would go on at the same number of a stream that is another one.
		soon, cancel := context.WithTimeout(ctx, 5*time.Second)
		info, err := s.Info(soon)
		cancel()
		if err != nil || !info.Created.Equal(created) {
			return
		}
	}
}

// hear takes in a message.
func (w *giving) hear(ctx context.Context, m jetstream.Msg) error {
	var s said
	if err := unpack(m.Data(), &s); err != nil {
		return fmt.Errorf("somebody in the pool has sent what no worker sends: %w", err)
	}
	if err := s.check(); err != nil {
		return err
	}
	share := w.share(&s)
	if !s.Idle { // that somebody waits says nothing of what is lost
		w.idle = 0
	}
	for _, r := range s.Records {
		if err := w.record(ctx, &s, share, r); err != nil {
			return err
		}
	}
	if s.Answers {
		if err := w.takeBack(&s); err != nil {
			return err
		}
	}
	if s.Done {
		w.measure(&s)
	}
	if s.Failed != "" {
		w.tell("%s has given %d mutants back: %s", s.Worker, len(w.batchOf(s.Batch).items), s.Failed)
	}
	if s.Given >= mostGiven {
		return fmt.Errorf("a batch was given %d times, and nobody has come to its end; the last was %s", s.Given, s.Worker)
	}
	if w.Heard != nil {
		w.Heard()
	}
	if !w.ready {
		meta, err := m.Metadata()
		if err == nil && meta.Sequence.Stream >= w.backlog {
			return w.clear(ctx)
		}
	}
	return nil
}

func (w *giving) batchOf(number int) *given {
	if b := w.batches[number]; b != nil {
		return b
	}
	return &given{}
}

// share finds the share of who speaks.
func (w *giving) share(s *said) *Share {
	share := w.team[s.Worker]
	if share == nil {
		share = &Share{Worker: s.Worker}
		w.team[s.Worker] = share
	}
	if s.Refused != "" && share.Refused != s.Refused {
		w.tell("%s takes nothing: %s", s.Worker, s.Refused)
	}
	share.Refused = s.Refused
	if s.Batch > 0 || s.Refused != "" {
		delete(w.hungry, s.Worker)
	} else if s.Idle {
		w.hungry[s.Worker] = true
	}
	w.count()
	if b := w.batches[s.Batch]; b != nil && s.Given > max(1, b.times) {
		b.times = s.Given
		w.again += len(b.items)
	}
	return share
}

// record takes in what is said of an item.
func (w *giving) record(ctx context.Context, s *said, share *Share, r Record) error {
	if before, known := w.known[r.Item]; known {
		if now := w.Essence(r); now != before && now != "" && before != "" {
			return fmt.Errorf("two workers disagree about %s:\n%s\n%s (of %s)", r.Item, before, now, s.Worker)
		}
		return nil
	}
	item, open := w.open[r.Item]
	if !open {
		return fmt.Errorf("the worker %s tells of %.*q, which it was not given", s.Worker, mostName, r.Item)
	}
	again, err := w.Take(r, w.retried[r.Item] == mostAgain-1)
	if err != nil {
		return err
	}
	if again {
		w.retried[item.Name]++
		w.again++
		w.settle(r.Item)
		w.wait(item)
		return nil
	}
	w.known[item.Name] = w.Essence(r) // the name of ours, for a part of a message would keep all of it
	delete(w.open, r.Item)
	share.Items++
	w.lost = 0
	if b := w.batches[w.of[r.Item]]; b != nil {
		b.goesOn(item, time.Now())
	}
	w.settle(r.Item)
	return nil
}

// settle takes an item out of its batch.
func (w *giving) settle(item string) {
	n := w.of[item]
	delete(w.of, item)
	if b := w.batches[n]; b != nil {
		if delete(b.items, item); len(b.items) == 0 {
			delete(w.batches, n)
		}
	}
}

// fill gives as many batches as keep the workers busy.
func (w *giving) fill(ctx context.Context) error {
	team := max(1, w.Workers())
	var made []batch
	for len(w.waiting) > 0 && len(w.batches) < team*(1+ahead) {
		items := w.waiting[:w.size(team)]
		slices.SortStableFunc(items, func(a, b Item) int { return b.class() - a.class() }) // one that takes long is not to come last
		w.last++
		b, m := &given{items: map[string]bool{}}, batch{Number: w.last}
		for _, i := range items {
			w.left -= i.Cost
			if _, open := w.open[i.Name]; open { // else one who had it before has told of it meanwhile
				b.items[i.Name], w.of[i.Name] = true, m.Number
				m.Items = append(m.Items, i.Name)
				w.costs[m.Number] += i.Cost
			}
		}
		w.waiting = w.waiting[len(items):]
		if len(m.Items) > 0 {
			w.batches[m.Number], w.sizes[m.Number] = b, len(m.Items)
			made = append(made, m)
		}
	}
	return w.publish(ctx, made)
}

// publish sends batches, several at a time, and has those wait again that the server has not
// stored; what it has stored all the same is given twice.
func (w *giving) publish(ctx context.Context, made []batch) (fault error) {
	faults := make([]error, len(made))
	var g errgroup.Group
	g.SetLimit(200)
	for n, m := range made {
		g.Go(func() error {
			data, err := pack(m)
			if err == nil {
				soon, cancel := context.WithTimeout(ctx, 5*time.Second)
				defer cancel()
				_, err = w.conn.js.Publish(soon, w.Run.workSubject(), data)
			}
			faults[n] = err
			return nil
		})
	}
	g.Wait()
	for n, m := range made {
		if faults[n] == nil {
			continue
		}
		fault = cmp.Or(fault, passing(faults[n]))
		for _, name := range m.Items {
			w.settle(name)
			w.wait(w.open[name])
		}
	}
	return fault
}

// look compares what the server has with what was given, and gives again what is lost.
func (w *giving) look(ctx context.Context) error {
	soon, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	work, err := w.conn.js.Stream(soon, w.Run.work())
	if err == nil {
		_, err = w.conn.js.Stream(soon, w.Run.said())
	}
	if err == nil {
		_, err = w.conn.js.Consumer(soon, w.Run.work(), workers)
	}
	switch {
	case errors.Is(err, jetstream.ErrStreamNotFound), errors.Is(err, jetstream.ErrConsumerNotFound):
		if err := w.setUp(ctx); err != nil {
			return passing(err)
		}
		w.tell("the server of the pool has lost the run; what has no verdict is given again")
		w.requeue()
		w.ready = true
		return nil
	case err != nil:
		if !w.silent {
			w.silent = true
			w.tell("the server of the pool does not answer, and is waited for: %v", err)
		}
		return passing(err)
	}
	w.silent = false
	if w.idle++; w.idle < idleLooks || w.ready && (len(w.batches) == 0 || work.CachedInfo().State.Msgs > 0) {
		return nil
	}
	w.idle = 0
	if !w.ready {
		return w.clear(ctx)
	}
	if w.lost++; w.lost > mostLost {
		return fmt.Errorf("workers have said that they are done with %d mutants, again and again, and told nothing of them", len(w.open))
	}
	w.requeue()
	return nil
}

// requeue has all items that have no record given again.
func (w *giving) requeue() {
	for _, b := range w.batches {
		w.again += len(b.items)
	}
	clear(w.batches)
	clear(w.of)
	w.waiting, w.left = nil, 0
	for _, i := range w.open {
		w.wait(i)
	}
	slices.SortFunc(w.waiting, func(a, b Item) int { return w.order[a.Name] - w.order[b.Name] })
}

// passing gives the error of a server that is not there, or not ready, as none: it comes back,
// or somebody ends the run.
func passing(err error) error {
	for _, is := range []error{nats.ErrTimeout, context.DeadlineExceeded, nats.ErrNoResponders, nats.ErrNoServers, nats.ErrDisconnected, nats.ErrConnectionReconnecting, nats.ErrStaleConnection,
		jetstream.ErrNoStreamResponse, jetstream.ErrStreamNotFound, jetstream.ErrConsumerNotFound, jetstream.ErrJetStreamNotEnabled, jetstream.ErrBucketNotFound} {
		if errors.Is(err, is) {
			return nil
		}
	}
	var api *jetstream.APIError
	if errors.As(err, &api) && api.Code == 503 {
		return nil
	}
	return err
}
