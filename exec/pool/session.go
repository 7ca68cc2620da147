package pool

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// A session is the work of a bench on a run, until it fails or the run is over. Batches are
// fetched while others are worked on, and what is found out is said and acknowledged meanwhile,
// so that the bench waits for nothing as long as there are batches.
type session struct {
	w     *Worker
	run   *Run
	ready chan *speech  // the batch that was fetched ahead
	ask   chan struct{} // more may be wanted
	full  chan struct{} // some batch has all its records

	mu       sync.Mutex
	held     []*speech            // batches that are not acknowledged, in the order in which they came
	of       map[string][]*speech // items that have no record
	wanting  bool                 // the bench has asked, and there was none
	begun    int                  // items of the batches that the bench has, when it got the last
	began    time.Time            // when that was
	idle     bool                 // the bench waits for a batch, and there is none; it is to be said
	heard    time.Time            // the last record, or when there was nothing to do before
	finished int                  // batches
	busy     time.Time            // when the batch before was finished
}

// A speech is what a worker says of a batch. All but the first line is the session's mu's.
type speech struct {
	m            jetstream.Msg
	batch, given int
	items        []string

	began   time.Time // when the bench got it; zero: it has not
	first   time.Time // record
	ended   time.Time // when the last record was there
	left    map[string]bool
	records []Record // that are to be said
	asked   bool     // for items back, and it is to be said
	back    []string // which
}

const (
	// together is how long records wait for others; a person who watches is told in time.
	together = 300 * time.Millisecond
	// fetchAhead is how long before the end of a batch the next is fetched.
	fetchAhead = 500 * time.Millisecond
	// mostHeld bounds the batches that a bench has and has not finished: more than one, for some
	// of each may have to wait until it is cheap to work on.
	mostHeld = 3
	// idleAfter is how long a bench waits for a batch until it says so.
	idleAfter = 30 * time.Millisecond
)

func newSession(w *Worker, r *Run) *session {
	return &session{w: w, run: r, ready: make(chan *speech), ask: make(chan struct{}, 1), full: make(chan struct{}, 1), of: map[string][]*speech{}, heard: time.Now()}
}

// work returns what the bench could not go on for, or ctx.Err(). What is not finished then is
// given back at once.
func (s *session) work(ctx context.Context) error {
	inner, fail := context.WithCancelCause(ctx)
	var g sync.WaitGroup
	g.Go(func() { s.fetch(inner) })
	g.Go(func() { s.keep(inner) })
	g.Go(func() { s.giveBack(inner) })
	g.Go(func() {
		if err := s.talk(inner); err != nil {
			fail(err)
		}
	})
	err := s.w.bench.Work(inner, s.feed, s.add)
	if err == nil && inner.Err() == nil {
		err = errors.New("it has ended before the run has")
	}
	if cause := context.Cause(inner); cause != nil {
		err = cause
	}
	fail(err)
	g.Wait()
	for _, p := range s.held {
		p.m.Nak()
		if ctx.Err() == nil {
			s.say(ctx, p, said{Failed: cut(err.Error())})
		}
	}
	return err
}

// fetch gets the next batch when what the bench has is nearly done, so that it does not wait for
// it, and others do not either for one that lies here.
func (s *session) fetch(ctx context.Context) {
	var from jetstream.Consumer
	for ctx.Err() == nil {
		if !s.wants() {
			select {
			case <-s.ask:
			case <-ctx.Done():
			}
			continue
		}
		m, err := s.next(ctx, &from)
		if err != nil {
			from = nil
			select {
			case <-time.After(pollEvery / 2):
			case <-ctx.Done():
			}
		}
		if m == nil {
			continue
		}
		p, err := readBatch(m)
		if err != nil {
			m.Term()
			s.w.Tell(fmt.Sprintf("a batch cannot be read: %v", err))
			continue
		}
		s.mu.Lock()
		s.held = append(s.held, p)
		s.mu.Unlock()
		select {
		case s.ready <- p:
		case <-ctx.Done():
		}
		// It has been taken when wants is asked again, but not begun.
		for !s.hasBegun(p) && ctx.Err() == nil {
			select {
			case <-s.ask:
			case <-ctx.Done():
			}
		}
	}
}

// wants reports whether it is time to fetch a batch.
func (s *session) wants() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.wanting || s.isNearlyDone()
}

// isNearlyDone reports whether what the bench has is done soon, if it takes as long for each as
// for those before. s.mu is held.
func (s *session) isNearlyDone() bool {
	left := len(s.of)
	done := s.begun - left
	return done > 0 && time.Since(s.began)*time.Duration(left) <= fetchAhead*time.Duration(done)
}

func (s *session) hasBegun(p *speech) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return !p.began.IsZero()
}

// next waits a moment for a batch. The consumer is looked up once, and again after an error.
func (s *session) next(ctx context.Context, from *jetstream.Consumer) (m jetstream.Msg, err error) {
	soon, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	if *from == nil {
		if *from, err = s.w.conn.js.Consumer(soon, s.run.work(), workers); err != nil {
			return nil, err
		}
	}
	got, err := (*from).Fetch(1, jetstream.FetchMaxWait(2*time.Second))
	if err != nil {
		return nil, err
	}
	for m = range got.Messages() {
		return m, nil
	}
	if err := got.Error(); !errors.Is(err, nats.ErrTimeout) {
		return nil, err
	}
	return nil, nil
}

func readBatch(m jetstream.Msg) (*speech, error) {
	var b batch
	meta, err := m.Metadata()
	if err == nil {
		err = unpack(m.Data(), &b)
	}
	if err != nil {
		return nil, err
	}
	p := &speech{m: m, batch: b.Number, given: int(meta.NumDelivered), items: b.Items, left: map[string]bool{}}
	for _, item := range b.Items {
		p.left[item] = true
	}
	return p, nil
}

// feed is the Feed of the session's bench.
func (s *session) feed(ctx context.Context, wait bool) []string {
	for {
		s.mu.Lock()
		open := 0
		for _, p := range s.held {
			if !p.began.IsZero() && len(p.left) > 0 {
				open++
			}
		}
		s.wanting = wait || open < mostHeld
		s.mu.Unlock()
		signal(s.ask)
		var p *speech
		switch {
		case wait:
			if p = s.await(ctx); p == nil {
				return nil
			}
		case open < mostHeld:
			select {
			case p = <-s.ready:
			default:
				return nil
			}
		default:
			return nil
		}
		if items := s.begin(p); len(items) > 0 {
			return items
		}
	}
}

// await waits for a batch, and has it be said if there is none. It gives none when ctx ends.
func (s *session) await(ctx context.Context) *speech {
	idle := time.NewTimer(idleAfter)
	defer idle.Stop()
	for {
		select {
		case p := <-s.ready:
			return p
		case <-idle.C:
			s.mu.Lock()
			s.idle = true
			s.mu.Unlock()
			signal(s.full)
			idle.Reset(askedFor)
		case <-ctx.Done():
			return nil
		}
	}
}

// giveBack gives items back of which a bench has more than others, when the host asks for some.
func (s *session) giveBack(ctx context.Context) {
	asked := make(chan *nats.Msg, 16)
	sub, err := s.w.conn.nc.ChanSubscribe(s.run.wantSubject(), asked)
	if err != nil {
		return // what it has begun it finishes
	}
	defer sub.Unsubscribe()
	for {
		select {
		case m := <-asked:
			var w wanted
			if unpack(m.Data, &w) == nil {
				s.giveBackOf(w)
			}
		case <-ctx.Done():
			return
		}
	}
}

func (s *session) giveBackOf(w wanted) {
	s.mu.Lock()
	at := slices.IndexFunc(s.held, func(p *speech) bool { return p.batch == w.Batch })
	if at < 0 || !s.held[at].ended.IsZero() {
		s.mu.Unlock()
		return
	}
	p, begun := s.held[at], !s.held[at].began.IsZero()
	var items, back []string
	for _, i := range slices.Backward(p.items) {
		switch {
		case !p.left[i]:
		case !begun && len(back) < w.Most:
			back = append(back, i)
		case len(s.of[i]) == 1:
			items = append(items, i)
		}
	}
	if begun {
		s.mu.Unlock()
		back = s.w.bench.Drop(items, w.Most) // may wait for who gives a record
		s.mu.Lock()
	}
	defer s.mu.Unlock()
	p.asked, p.back = true, append(p.back, back...)
	for _, i := range back {
		delete(p.left, i)
		if begun {
			delete(s.of, i)
			s.begun--
		}
	}
	if len(p.left) == 0 && begun {
		p.ended = time.Now()
		if p.first.IsZero() {
			p.first = p.ended
		}
	}
	signal(s.full)
	signal(s.ask)
}

// begin gives the items of a batch that the bench does not have already: the batch may have been
// given twice.
func (s *session) begin(p *speech) (items []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	defer signal(s.ask)
	p.began, s.wanting = time.Now(), false
	if len(s.of) == 0 {
		s.heard = p.began
	}
	for item := range p.left {
		if len(s.of[item]) == 0 {
			items = append(items, item)
		}
		s.of[item] = append(s.of[item], p)
	}
	s.begun, s.began = len(s.of), p.began
	if len(p.left) == 0 {
		p.first, p.ended = p.began, p.began
		signal(s.full)
	}
	at := make(map[string]int, len(p.items))
	for n, item := range p.items {
		at[item] = n
	}
	slices.SortFunc(items, func(a, b string) int { return at[a] - at[b] })
	return items
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// add takes in a record. It does not wait for the server, for tests are being run.
func (s *session) add(r Record) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.heard = time.Now()
	for _, p := range s.of[r.Item] {
		if p.first.IsZero() {
			p.first = s.heard
		}
		p.records = append(p.records, r)
		if delete(p.left, r.Item); len(p.left) == 0 {
			p.ended = s.heard
			signal(s.full)
		}
	}
	if delete(s.of, r.Item); s.isNearlyDone() {
		signal(s.ask)
	}
}

// talk says records as they come, and acknowledges a batch when all is said and stored. It
// returns what cannot be said at all.
func (s *session) talk(ctx context.Context) error {
	every := time.NewTicker(together)
	defer every.Stop()
	var started []int // batches that were said to have begun
	for {
		select {
		case <-s.full:
		case <-every.C:
		case <-ctx.Done():
			return nil
		}
		s.mu.Lock()
		held := slices.Clone(s.held)
		s.mu.Unlock()
		for _, p := range held {
			s.mu.Lock()
			m, done := s.report(p)
			s.mu.Unlock()
			isNew := p.given > 1 && !slices.Contains(started, p.batch)
			if isNew { // so that the host knows that it was given again
				started = append(started, p.batch)
			}
			if len(m.Records) == 0 && !done && !isNew && !m.Answers {
				continue
			}
			if err := s.say(ctx, p, m); err != nil {
				return err
			}
			if done {
				s.acknowledge(ctx, p)
			}
		}
		s.mu.Lock()
		idle := s.idle
		s.idle = false
		s.mu.Unlock()
		if idle {
			if err := s.w.say(ctx, s.run, said{Idle: true}); err != nil {
				return err
			}
		}
	}
}

// report gives what is to be said of a batch. s.mu is held.
func (s *session) report(p *speech) (m said, done bool) {
	m.Records, p.records = p.records, nil
	m.Answers, m.Back, p.asked, p.back = p.asked, p.back, false, nil
	if p.ended.IsZero() {
		return m, false
	}
	m.Done = true
	from := p.began
	if s.busy.After(from) {
		from = s.busy
	}
	m.Start, m.Took = p.first.Sub(p.began), max(time.Microsecond, p.ended.Sub(from))
	s.busy = p.ended
	return m, true
}

// acknowledge lets go of a batch.
func (s *session) acknowledge(ctx context.Context, p *speech) {
	for range 3 {
		soon, cancel := context.WithTimeout(ctx, 5*time.Second)
		err := p.m.DoubleAck(soon)
		cancel()
		if err == nil {
			break
		}
	}
	// Not acknowledged it is given again, and found to be the same.
	s.mu.Lock()
	defer s.mu.Unlock()
	s.held = slices.DeleteFunc(s.held, func(o *speech) bool { return o == p })
	s.finished++
}

// say says something about a batch, in parts if it is too long.
func (s *session) say(ctx context.Context, p *speech, m said) error {
	m.Batch, m.Given = p.batch, p.given
	err := s.w.say(ctx, s.run, m)
	if n := len(m.Records); errors.Is(err, errTooLong) && n > 1 {
		rest := m
		m.Done, m.Answers, m.Back = false, false, nil
		m.Records, rest.Records = m.Records[:n/2], m.Records[n/2:]
		if err = s.say(ctx, p, m); err == nil {
			err = s.say(ctx, p, rest)
		}
	}
	return err
}

// keep tells the server that batches are worked on, as long as there is a record now and then.
func (s *session) keep(ctx context.Context) {
	every := time.NewTicker(s.run.Patience / 4)
	defer every.Stop()
	for {
		select {
		case <-every.C:
		case <-ctx.Done():
			return
		}
		s.mu.Lock()
		if time.Since(s.heard) < longest || len(s.of) == 0 {
			for _, p := range s.held {
				p.m.InProgress()
			}
		}
		s.mu.Unlock()
	}
}
