package exec_test

import (
	"context"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"assay/exec"
	"assay/exec/pool"
	"assay/mutate"
)

// BenchmarkBatches prints what it costs that a worker of a pool gets mutants in batches, in the
// order in which a pool gives them, by the time of one worker on a machine that does nothing else:
//
//	x-fed     all mutants in batches that come as they are wanted, over all of them at once
//	x-calls   the same batches, with a call of Judge for each (three of them, multiplied)
//	ready-ms  until a mutant is begun, with those of all others in the sources: what one mutant takes, less
//	          what it takes once more; the median of several
//	again-ms  for each batch after the first, beyond what its mutants take
//	x-share   what a 32nd part of the mutants takes a worker, in batches, over a 32nd of what all take one
//
// ASSAY_BENCH and ASSAY_BENCH_SAMPLE are as for BenchmarkDemo.
func BenchmarkBatches(b *testing.B) {
	ctx := context.Background()
	sample, _ := strconv.Atoi(os.Getenv("ASSAY_BENCH_SAMPLE"))
	e, s, ms := recorded(b, ctx, exec.Settings{Jobs: 1}, benchProject(b), sample)
	defer e.Close()
	tasks := slices.DeleteFunc(exec.Plan(ms, s), func(t exec.Task) bool { return len(t.Pairs) == 0 })
	tasks = slices.DeleteFunc(asGiven(s, tasks), slow(b, e, s, tasks))
	const parts = 32
	batches := max(3, len(tasks)/usualItems)
	judge := func(feed *exec.Feed) float64 {
		return timeOf(func() {
			if err := e.JudgeFed(ctx, s, tasks, feed, func(mutate.Verdict) {}); err != nil {
				b.Fatal(err)
			}
		})
	}
	size := (len(tasks) + batches - 1) / batches
	for b.Loop() {
		var ready []float64
		for n := range 5 {
			one := tasks[n*len(tasks)/5:][:1]
			once, twice := judge(feedOf(one, 1)), judge(feedOf(slices.Concat(one, one), 1))
			ready = append(ready, 2*once-twice)
		}
		slices.Sort(ready)
		whole := judge(feedOf(tasks, len(tasks)))
		fed := judge(feedOf(tasks, size))
		calls := 0.0
		for n := range 3 { // of the batches, multiplied
			part := tasks[n*len(tasks)/3:][:size]
			calls += float64(batches) / 3 * timeOf(func() {
				if err := e.Judge(ctx, s, part, func(mutate.Verdict) {}); err != nil {
					b.Fatal(err)
				}
			})
		}
		var share []exec.Task
		for n := 0; n < len(tasks); n += parts {
			share = append(share, tasks[n])
		}
		b.ReportMetric(fed/whole, "x-fed")
		b.ReportMetric(calls/whole, "x-calls")
		b.ReportMetric(1000*ready[2], "ready-ms")
		b.ReportMetric(1000*(fed-whole)/float64(batches-1), "again-ms")
		b.ReportMetric(judge(feedOf(share, (len(share)+7)/8))*float64(len(tasks))/float64(len(share))/whole, "x-share")
		b.ReportMetric(1000*whole/float64(len(tasks)), "ms/mutant")
	}
	b.ReportMetric(float64(len(tasks)), "mutants")
}

// slow judges tasks, and tells those whose time is by chance: what ends by a limit, or nearly.
func slow(b *testing.B, e *exec.Engine, s *exec.Baseline, tasks []exec.Task) func(exec.Task) bool {
	is := map[*mutate.Mutant]bool{}
	err := e.Judge(context.Background(), s, tasks, func(v mutate.Verdict) {
		is[v.Mutant] = v.Status == mutate.TimedOut || v.Time > time.Second
	})
	if err != nil {
		b.Fatal(err)
	}
	return func(t exec.Task) bool { return is[t.Mutant] }
}

// usualItems is how many mutants a batch has of a run that is long enough for a pool.
const usualItems = 20

// asGiven sorts tasks as a pool gives them.
func asGiven(s *exec.Baseline, tasks []exec.Task) []exec.Task {
	exec.InSuiteOrder(tasks)
	var items []pool.Item
	of := map[string]exec.Task{}
	for n, t := range tasks {
		name := strconv.Itoa(n)
		of[name], items = t, append(items, pool.Item{Name: name, Cost: s.Expense(t)})
	}
	var out []exec.Task
	for _, i := range pool.Spread(items) {
		out = append(out, of[i.Name])
	}
	return out
}

// feedOf gives tasks in batches, of which up to three are worked on at a time, as by a worker.
func feedOf(tasks []exec.Task, size int) *exec.Feed {
	begun := 0
	return &exec.Feed{Next: func(_ context.Context, wait bool) []exec.Task {
		if wait {
			begun = 0
		}
		if len(tasks) == 0 || begun == 3 {
			return nil
		}
		begun++
		n := min(size, len(tasks))
		now := tasks[:n]
		tasks = tasks[n:]
		return now
	}}
}

// timeOf gives the seconds that something takes.
func timeOf(do func()) float64 {
	began := time.Now()
	do()
	return time.Since(began).Seconds()
}
