//go:build linux

package exec

import (
	"cmp"
	"context"
	"slices"
	"sync"
	"sync/atomic"

	"assay/exec/judging"
	"assay/mutate"
)

// A Feed gives the tasks that are to be judged next, to one call of JudgeFed.
type Feed struct {
	// Next gives some. With wait it waits for them, and gives none when there will be no more, or
	// ctx has ended; without it gives those that are at hand.
	Next func(ctx context.Context, wait bool) []Task

	bench atomic.Pointer[bench]
}

// Drop has up to most of the tasks that is picks not be judged, and gives their mutants: of those
// for which no test has been run yet the last ones in the suite. It may be called at any time.
func (f *Feed) Drop(is func(*mutate.Mutant) bool, most int) []*mutate.Mutant {
	if j := f.bench.Load(); j != nil {
		return j.drop(is, most)
	}
	return nil
}

// JudgeFed judges, as Judge does, tasks that are not all known when it begins: those of tasks,
// in any order and any number of times, that feed gives. Sources have the mutants of all of them
// in them, and processes are kept, so that what comes later costs no new start. feed.Next is called
// from one goroutine at a time: without wait whenever a worker has nothing left that is batched,
// with it when all that it gave has a verdict.
func (e *Engine) JudgeFed(ctx context.Context, b *Baseline, tasks []Task, feed *Feed, each func(mutate.Verdict)) error {
	return e.judge(ctx, b, tasks, feeding{feed, !e.sharesNetwork() && !e.sharesPlaces()}, each)
}

// feeding is where tasks come from. Where they come bit by bit, each form of replay has workers of
// its own, if those cannot meet: a walker that has to be where batches are made, and then where
// something is played, would go through the suite for each bit.
type feeding struct {
	feed  *Feed
	apart bool
}

func (e *Engine) judge(ctx context.Context, b *Baseline, tasks []Task, f feeding, each func(mutate.Verdict)) error {
	if gone := e.samePHP(); gone != nil {
		return gone
	}
	var mu sync.Mutex
	j, err := e.newBench(b, tasks, f, func(v mutate.Verdict) {
		mu.Lock()
		defer mu.Unlock()
		if ctx.Err() == nil && e.samePHP() == nil {
			each(v)
		}
	})
	if err != nil {
		return err
	}
	f.feed.bench.Store(j)
	defer f.feed.bench.Store(nil)
	defer j.report()
	defer j.forgiven()
	defer j.close()
	for {
		if !j.pending() {
			if more, err := j.fed(ctx, true); !more || err != nil {
				return cmp.Or(e.samePHP(), err)
			}
			continue // it may have a verdict already
		}
		for _, form := range []judging.Form{judging.Batched, judging.Played} {
			if err := j.walk(ctx, form); err != nil {
				return cmp.Or(e.samePHP(), err)
			}
		}
	}
}

// fed asks for more tasks, and reports whether there were any.
func (j *bench) fed(ctx context.Context, wait bool) (more bool, err error) {
	j.asking.Lock()
	defer j.asking.Unlock()
	tasks := j.feeding.feed.Next(ctx, wait)
	for _, t := range tasks {
		if len(t.Pairs) > 0 {
			j.admit(t)
			continue
		}
		v, err := j.unplayed(t)
		if err != nil {
			return false, err
		}
		j.each(v)
	}
	return len(tasks) > 0, nil
}

// admit makes a case of a task, and plans its steps as soon as that can be done.
func (j *bench) admit(t Task) {
	c := &kase{task: t, ran: map[int]bool{}, opened: map[string]bool{}, kills: map[int]bool{}, covered: map[int]bool{}, doubted: map[int]bool{}, left: map[string]bool{}}
	c.subject = judging.Subject{Path: t.Mutant.Source.Path, Pairs: t.Pairs, Order: j.testPairs(t), Entry: judging.Swapped}
	if t.Pairs[0] == 0 {
		c.subject.Rebuilt, c.subject.All = j.b.rebuilt(t.Mutant)
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.schemata.number[t.Mutant] != 0 {
		c.subject.Entry = judging.Selected
	}
	j.cases = append(j.cases, c)
	j.open++
	if j.stats.planned {
		j.planCase(c)
	}
}

// drop takes cases out that no worker has had yet.
func (j *bench) drop(is func(*mutate.Mutant) bool, most int) (dropped []*mutate.Mutant) {
	j.mu.Lock()
	defer j.mu.Unlock()
	var fresh []*kase
	for _, at := range j.waiting {
		for _, list := range at {
			for _, c := range slices.Backward(list) {
				if !c.begun && is(c.task.Mutant) {
					fresh = append(fresh, c)
				}
			}
		}
	}
	slices.SortStableFunc(fresh, func(a, b *kase) int { return b.steps[0].Boundary - a.steps[0].Boundary })
	gone := map[*kase]bool{}
	for _, c := range fresh[:min(most, len(fresh))] {
		gone[c] = true
		dropped = append(dropped, c.task.Mutant)
		j.open--
	}
	isGone := func(c *kase) bool { return gone[c] }
	j.cases = slices.DeleteFunc(j.cases, isGone)
	for _, at := range j.waiting {
		for n, list := range at {
			if at[n] = slices.DeleteFunc(list, isGone); len(at[n]) == 0 {
				delete(at, n)
			}
		}
	}
	return dropped
}
