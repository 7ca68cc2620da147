package pool

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"sync"
	"testing"
	"time"
)

// waiting is a bench that only waits: for each batch as long as processes take to get ready, and
// for each item as long as a run took for it.
type waiting struct {
	ready time.Duration
	takes map[string]time.Duration
	mu    *sync.Mutex
	spent *time.Duration // by all of them together, on items
}

func (b waiting) Work(ctx context.Context, items []string, each func(Record)) error {
	owed := b.ready
	for n, item := range items {
		// Short sleeps take longer than what was asked for.
		if owed += b.takes[item]; owed > 20*time.Millisecond || n == len(items)-1 {
			time.Sleep(owed)
			owed = 0
		}
		b.mu.Lock()
		*b.spent += b.takes[item]
		b.mu.Unlock()
		each(Record{item, json.RawMessage(`1`)})
	}
	return ctx.Err()
}

func (waiting) Close() error { return nil }

// timesOf reads what the mutants of a result took that was written with --timings.
func timesOf(t *testing.T, path string) map[string]time.Duration {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var result struct {
		Mutants []struct {
			ID     string  `json:"id"`
			TimeMS float64 `json:"time_ms"`
		}
	}
	if err := json.Unmarshal(text, &result); err != nil {
		t.Fatal(err)
	}
	out := map[string]time.Duration{}
	for _, m := range result.Mutants {
		if m.TimeMS > 0 {
			out[m.ID] = time.Duration(m.TimeMS * float64(time.Millisecond))
		}
	}
	if len(out) == 0 {
		t.Fatalf("%s has no times; write it with --timings", path)
	}
	return out
}

// TestSimulation prints how well 1 to 64 workers are used by a run with the times of a real one:
// the result in ASSAY_POOL_TIMES, written with --timings, repeated until it takes one worker
// ASSAY_POOL_LASTS, 4 minutes without it. The workers wait and do nothing else, so it does not matter how many cores there are.
func TestSimulation(t *testing.T) {
	path := os.Getenv("ASSAY_POOL_TIMES")
	if path == "" {
		t.Skip("ASSAY_POOL_TIMES names no result; .ci/run pool does. TestTwoWorkers is the same with two")
	}
	lasts := 4 * time.Minute
	if text := os.Getenv("ASSAY_POOL_LASTS"); text != "" {
		var err error
		if lasts, err = time.ParseDuration(text); err != nil {
			t.Fatal(err)
		}
	}
	times := timesOf(t, path)
	takes, all := map[string]time.Duration{}, time.Duration(0)
	var list []Item
	for n := 0; all < lasts; n++ {
		for id, d := range times {
			name := fmt.Sprintf("%s.%d", id, n)
			takes[name] = d
			all += d
			list = append(list, Item{name, 1}) // the host does not know what they take
		}
	}
	t.Logf("%d mutants of %v", len(list), all.Round(time.Second))
	for workers := 1; workers <= 64; workers *= 2 {
		s := serve(t, "127.0.0.1:0", "")
		var mu sync.Mutex
		var spent time.Duration
		for n := range workers {
			hire(t, connect(t, s), fmt.Sprint("w", n), waiting{200 * time.Millisecond, takes, &mu, &spent})
		}
		var r results
		g := giver(fmt.Sprintf("run%08d", workers), &r)
		g.Target = 0
		if err := g.Begin(t.Context(), connect(t, s), nil); err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		if err := g.Give(t.Context(), list); err != nil {
			t.Fatal(err)
		}
		took := time.Since(began)
		if err := g.End(t.Context()); err != nil {
			t.Error(err)
		}
		_, again := g.Shares()
		t.Logf("%2d workers: %6.1f s, efficiency %3.0f %%, %d given again", workers, took.Seconds(), 100*all.Seconds()/took.Seconds()/float64(workers), again)
		if spent < all || len(r.got) != len(list) {
			t.Errorf("%d records of %d, %v of %v", len(r.got), len(list), spent, all)
		}
		s.Close()
	}
}
