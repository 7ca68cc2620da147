package pool

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// waiting is a bench that only waits: for the first batch as long as processes take to get ready,
// for each that it was not ready for as long as the suite takes until it can go on, and for each
// item as long as a run took for it.
type waiting struct {
	ready, again time.Duration
	takes        map[string]time.Duration
	there        *sync.WaitGroup // done when it asks for its first batch
	mu           *sync.Mutex
	spent, idle  *time.Duration // by all of them together: on items, and waiting for them before the last came
	back         *atomic.Int64  // items given back
	left         *droppable
}

// droppable has the items on which a bench has not begun.
type droppable struct {
	mu    sync.Mutex
	items []string
}

func (d *droppable) put(items []string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.items = slices.Clone(items)
}

// next gives the first of them, and whether others are behind it.
func (d *droppable) next() (item string, more bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.items) == 0 {
		return "", false
	}
	item, d.items = d.items[0], d.items[1:]
	return item, len(d.items) > 0
}

func (d *droppable) drop(items []string, most int) (dropped []string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for n := len(d.items) - 1; n >= 0 && len(dropped) < most; n-- {
		if i := d.items[n]; slices.Contains(items, i) {
			dropped, d.items = append(dropped, i), slices.Delete(d.items, n, n+1)
		}
	}
	return dropped
}

func (b waiting) Work(ctx context.Context, feed Feed, each func(Record)) error {
	owed := b.ready - b.again
	b.there.Done()
	for {
		asked := time.Now()
		items := feed(ctx, true)
		if len(items) == 0 {
			return ctx.Err()
		}
		b.mu.Lock()
		*b.idle += time.Since(asked)
		b.mu.Unlock()
		owed += b.again
		b.left.put(items)
		for item, more := b.left.next(); item != ""; item, more = b.left.next() {
			// Short sleeps take longer than what was asked for.
			if owed += b.takes[item]; owed > 20*time.Millisecond || !more {
				began := time.Now()
				time.Sleep(owed)
				owed -= time.Since(began)
			}
			b.mu.Lock()
			*b.spent += b.takes[item]
			b.mu.Unlock()
			each(Record{item, json.RawMessage(`1`)})
		}
	}
}

func (b waiting) Drop(items []string, most int) []string {
	dropped := b.left.drop(items, most)
	b.back.Add(int64(len(dropped)))
	return dropped
}

func (waiting) Close() error { return nil }

// A piece is a mutant of a real run.
type piece struct {
	took time.Duration
	cost float64 // as exec estimates it, without knowing what it took
}

// piecesOf reads what the mutants of a result took that was written with --timings. What their
// tests took is not all: the rest of what processes took is shared among those that were replayed
// by how many tests were run on them.
func piecesOf(t *testing.T, path string) []piece {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var result struct {
		Tests []struct {
			TimeMS float64 `json:"time_ms"`
		}
		TestSets [][]int `json:"test_sets"`
		Engine   struct {
			Ways []struct {
				TimeMS float64 `json:"time_ms"`
			}
		}
		Mutants []struct {
			TimeMS  float64 `json:"time_ms"`
			Reached int     `json:"tests_reaching"`
			Ran     int     `json:"tests_run"`
		}
	}
	if err := json.Unmarshal(text, &result); err != nil {
		t.Fatal(err)
	}
	rest, ran := 0.0, 0
	for _, w := range result.Engine.Ways {
		rest += w.TimeMS
	}
	for _, m := range result.Mutants {
		rest, ran = rest-m.TimeMS, ran+m.Ran
	}
	var out []piece
	for _, m := range result.Mutants {
		if m.Ran == 0 {
			continue
		}
		took := m.TimeMS + max(0, rest)*float64(m.Ran)/float64(ran)
		cost := 0.003 // see exec.Baseline.Expense
		for n, i := range result.TestSets[m.Reached] {
			seconds := result.Tests[i].TimeMS/1000 + 0.0002
			if n > 1 {
				seconds /= 4
			}
			cost += seconds
		}
		out = append(out, piece{time.Duration(took * float64(time.Millisecond)), cost})
	}
	if len(out) == 0 {
		t.Fatalf("%s has no times; write it with --timings", path)
	}
	return out
}

// What a batch costs before the first of its mutants is judged, in mutants of average length: the
// first of a worker, and each that follows. The source is BenchmarkBatches in exec, with 198 mutants
// of a library of 3,302 tests (league/commonmark 2.x, PHPUnit 9.6) that leaves four states, and by
// that has half of its mutants played.
const (
	readyMutants = 9.0 // 1.209 s, at 0.135 s for a mutant
	againMutants = 2.4 // 0.327 s
)

// leastPieces is how many mutants a simulation has at least, unless ASSAY_POOL_MUTANTS says more:
// those of a smaller result are taken several times.
const leastPieces = 3000

// TestSimulation prints how well 1 to 64 workers are used by a run with the times of a real one:
// the result that ASSAY_POOL_TIMES names, written with --timings. The workers wait and do nothing
// else, so it does not matter how many cores there are. ASSAY_POOL_FASTER divides the times, where
// the run was made while the machine had much else to do; ASSAY_POOL_WORKERS and ASSAY_POOL_LEAST
// are the most and the least workers (64 and 1).
func TestSimulation(t *testing.T) {
	path := os.Getenv("ASSAY_POOL_TIMES")
	if path == "" {
		t.Skip("ASSAY_POOL_TIMES names no result; .ci/run pool does. TestTwoWorkers is the same with two")
	}
	pieces := piecesOf(t, path)
	set := func(name string, value float64) float64 {
		if text := os.Getenv(name); text != "" {
			var err error
			if value, err = strconv.ParseFloat(text, 64); err != nil || value <= 0 {
				t.Fatalf("%s=%s: %v", name, text, err)
			}
		}
		return value
	}
	faster, least := set("ASSAY_POOL_FASTER", 1), int(set("ASSAY_POOL_MUTANTS", leastPieces))
	takes, all, longest := map[string]time.Duration{}, time.Duration(0), time.Duration(0)
	var list []Item
	for len(list) < max(least, len(pieces)) {
		for _, p := range pieces {
			name := fmt.Sprint("mutant", len(list))
			took := time.Duration(float64(p.took) / faster)
			takes[name] = took
			all, longest = all+took, max(longest, took)
			list = append(list, Item{name, p.cost})
		}
	}
	t.Logf("%d mutants, of which %d are of the run; they take %v together, and one of them %v", len(list), len(pieces), all.Round(time.Second), longest.Round(time.Millisecond))
	each := float64(all) / float64(len(list))
	ready, again := time.Duration(readyMutants*each), time.Duration(againMutants*each)
	t.Logf("a worker's first batch takes %v to begin, and each of the others %v", ready.Round(time.Millisecond), again.Round(time.Millisecond))
	for workers := int(set("ASSAY_POOL_WORKERS", 64)); workers >= int(set("ASSAY_POOL_LEAST", 1)); workers /= 2 {
		s := serve(t, "127.0.0.1:0", "")
		var mu sync.Mutex
		var spent, idle time.Duration
		var back atomic.Int64
		var there sync.WaitGroup
		there.Add(workers)
		for n := range workers {
			hire(t, connect(t, s), fmt.Sprint("w", n), waiting{ready, again, takes, &there, &mu, &spent, &idle, &back, &droppable{}})
		}
		var r results
		g := giver(fmt.Sprintf("run%08d", workers), &r)
		g.Target, g.Run.Patience = 0, 30*time.Second
		if err := g.Begin(t.Context(), connect(t, s), nil); err != nil {
			t.Fatal(err)
		}
		there.Wait() // until then they would run the suite unchanged
		before, began := g.last, time.Now()
		if err := g.Give(t.Context(), list); err != nil {
			t.Fatal(err)
		}
		took := time.Since(began)
		batches := g.last - before
		if err := g.End(t.Context()); err != nil {
			t.Error(err)
		}
		_, twice := g.Shares()
		floor := max(all.Seconds()/float64(workers), longest.Seconds())
		t.Logf("%2d workers: %6.1f s, efficiency %3.0f %%; without what workers need to get ready it could be %3.0f %%; %d batches; %.1f s without one, %d items given back, %d given again", workers, took.Seconds(), 100*all.Seconds()/took.Seconds()/float64(workers), 100*floor/(floor+ready.Seconds()), batches, idle.Seconds(), back.Load(), twice)
		if spent < all || len(r.got) != len(list) {
			t.Errorf("%d records of %d, %v of %v", len(r.got), len(list), spent, all)
		}
		s.Close()
	}
}
