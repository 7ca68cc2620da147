package pool

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"testing"
	"time"
)

// The dearest items come to an end sooner than others, evenly until then. Of those of about the same cost
// neighbours stay together, in small blocks that come in another order.
func TestSpread(t *testing.T) {
	t.Parallel()
	var list []Item
	for n := range 1000 {
		list = append(list, Item{strconv.Itoa(n), []float64{1, 1.5, 100, 30}[n*4/1000]})
	}
	got := Spread(list)
	seen, together, dear := map[string]bool{}, 0, [4]int{}
	number := func(i Item) int {
		n, err := strconv.Atoi(i.Name)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	inOrder := 0
	for n, i := range got {
		if seen[i.Name] = true; n > 0 && number(i) == number(got[n-1])+1 {
			together++
		}
		if n > 0 && number(i) > number(got[n-1]) {
			inOrder++
		}
		if i.Cost == 100 {
			dear[n*4/1000]++
		}
	}
	if len(seen) != 1000 || together < 1000*(blockItems-1)/blockItems-10 || inOrder > 960 {
		t.Errorf("%d items, of which %d follow their neighbour, and %d one that was before them", len(seen), together, inOrder)
	}
	// The 250 dearest come in the first 0.6 of all, of those that follow 0.75 then, and 0.6 of the 500 cheapest.
	each := 250 * 250 / (250 + 3*250/4 + 3*500/5)
	for _, n := range dear[:2] {
		if n < each-blockItems || n > each+blockItems || dear[3] > 0 {
			t.Errorf("dear items in the four quarters: %v", dear)
		}
	}
}

// A batch is as long as the target, or as is worth its start. Before anything is known it is a small
// part of all; where workers have nothing to do it is their share.
func TestSizes(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		what                        string
		waiting, team, hungry, want int
		rate, start                 float64
	}{
		{"nothing is known", 5000, 4, 4, 5000 / firstTeam / firstShares, 0, 0},
		{"nothing is known, and there are many workers", 5000, 50, 50, 5000 / 50 / firstShares, 0, 0},
		{"nothing is known, and there is little", 10, 4, 4, 1, 0, 0},
		{"nothing is known, and there is much", 100_000, 4, 4, firstItems, 0, 0},
		{"the target", 100_000, 4, 0, 1000, 0.02, 0},
		{"as many as there may be", 100_000, 4, 0, mostItems, 0.001, 0},
		{"less than that is left", 300, 4, 0, 300, 0.02, 0},
		{"some have nothing", 300, 10, 4, 75, 0.02, 0},
		{"more have nothing than is worth a start", 300, 100, 50, 50, 0.02, 0.5},
		{"one item is long", 10, 4, 4, 2, 10, 0},
		{"where a start takes long, beyond the target", 100_000, 1, 0, 1200, 0.02, 1},
		{"and no longer than a minute", 100_000, 1, 0, 600, 0.1, 50},
	} {
		w := &giving{Giver: &Giver{Target: usualTarget}, hungry: map[string]bool{}, rate: c.rate, start: c.start}
		for _, i := range items(c.waiting) {
			w.wait(i)
		}
		for n := range c.hungry {
			w.hungry[strconv.Itoa(n)] = true
		}
		if got := w.size(c.team); got != c.want {
			t.Errorf("%s: %d, want %d", c.what, got, c.want)
		}
	}
}

// What batches take is learned from many; that one of them begins late makes no long start.
func TestMeasure(t *testing.T) {
	t.Parallel()
	w := &giving{costs: map[int]float64{}, sizes: map[int]int{}}
	for n := 1; n <= 200; n++ {
		w.costs[n], w.sizes[n] = 10, 10
		s := &said{Batch: n, Start: 300 * time.Millisecond, Took: time.Second} // an item takes 100 ms
		if n%10 == 0 {
			s.Start, s.Took = 5*time.Second, 6*time.Second
		}
		w.measure(s)
	}
	if w.rate < 0.1 || w.rate > 0.25 || w.start < 0.19 || w.start > 0.6 {
		t.Errorf("%.3f s for a unit, %.3f s until a batch begins; it is 0.15 and 0.2", w.rate, w.start)
	}
}

// A batch that is given to a worker that has it already is worked on once, and said twice.
func TestGivenTwiceToOne(t *testing.T) {
	t.Parallel()
	s := newSession(&Worker{}, &Run{})
	of := func(items ...string) *speech {
		p := &speech{items: items, left: map[string]bool{}}
		for _, i := range items {
			p.left[i] = true
		}
		return p
	}
	first, second := of("a", "b"), of("b", "c", "a")
	if got := s.begin(first); !slices.Equal(got, []string{"a", "b"}) {
		t.Errorf("%v", got)
	}
	if got := s.begin(second); !slices.Equal(got, []string{"c"}) {
		t.Errorf("%v", got)
	}
	for n, item := range []string{"b", "a", "c"} {
		s.add(Record{item, json.RawMessage(`1`)})
		if first.ended.IsZero() != (n < 1) || second.ended.IsZero() != (n < 2) {
			t.Errorf("after %d records the batches have ended: %v, %v", n+1, !first.ended.IsZero(), !second.ended.IsZero())
		}
	}
	if m, done := s.report(first); !done || len(m.Records) != 2 {
		t.Errorf("%+v, %v", m, done)
	}
	if m, done := s.report(second); !done || len(m.Records) != 3 {
		t.Errorf("%+v, %v", m, done)
	}
}

// slow is a bench that tells how many items a batch has, and gives a record when it is told to.
type slow struct {
	next chan bool
	got  chan int
}

func (b slow) Work(ctx context.Context, feed Feed, each func(Record)) error {
	for {
		items := feed(ctx, true)
		if len(items) == 0 {
			return ctx.Err()
		}
		b.got <- len(items)
		for _, item := range items {
			select {
			case <-b.next:
			case <-ctx.Done():
				return ctx.Err()
			}
			each(Record{item, json.RawMessage(fmt.Sprintf("%q", item))})
		}
	}
}

func (slow) Drop([]string, int) []string { return nil }

func (slow) Close() error { return nil }

// A worker has one batch, and fetches the next when that is nearly done, by how long it took until
// then.
func TestFetchedAhead(t *testing.T) {
	t.Parallel()
	srv := serve(t, "127.0.0.1:0", "")
	var r results
	g := giver("run00000010", &r)
	g.Run.Patience = 30 * time.Second
	host := connect(t, srv)
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
	defer cancel()
	if err := g.Begin(ctx, host, nil); err != nil {
		t.Fatal(err)
	}
	next, got := make(chan bool), make(chan int, 1000)
	hire(t, connect(t, srv), "one", slow{next, got})
	done := make(chan error, 1)
	go func() { done <- g.Give(ctx, items(1000)) }()
	pending := func(want int, long bool) {
		t.Helper()
		got := -1
		for limit := time.Now().Add(10 * time.Second); time.Now().Before(limit); time.Sleep(5 * time.Millisecond) {
			if c, err := host.js.Consumer(ctx, g.Run.work(), workers); err == nil {
				if got = c.CachedInfo().NumAckPending; got == want && !long {
					return
				}
				long = long && time.Until(limit) > 9*time.Second // it must stay so for a while
			}
		}
		t.Fatalf("the worker has %d batches, want %d", got, want)
	}
	pending(1, true)
	first := <-got // the first batches are sent at once, and come in any order
	next <- true
	pending(1, true)
	for range first - 2 { // at once: the last would take as long as they on average
		next <- true
	}
	pending(2, false)
	close(next)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	r.wholly(t, 1000)
}
