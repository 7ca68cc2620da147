//go:build linux

package exec

import (
	"cmp"
	"context"
	"sync"

	"assay/exec/judging"
	"assay/mutate"
)

// A Feed gives the tasks that are to be judged next. With wait it waits for some, and gives none
// when there will be no more, or ctx has ended; without it gives those that are at hand.
type Feed func(ctx context.Context, wait bool) []Task

// JudgeFed judges, as Judge does, tasks that are not all known when it begins: those of tasks,
// in any order and any number of times, that feed gives. Sources have the mutants of all of them
// in them, and processes are kept, so that what comes later costs no new start. feed is called
// from one goroutine at a time: without wait whenever a worker has nothing left that is batched,
// with it when all that it gave has a verdict.
func (e *Engine) JudgeFed(ctx context.Context, b *Baseline, tasks []Task, feed Feed, each func(mutate.Verdict)) error {
	return e.judge(ctx, b, tasks, feeding{feed, !e.sharesNetwork() && !e.sharesPlaces()}, each)
}

// feeding is where tasks come from. Where they come bit by bit, each form of replay has workers of
// its own, if those cannot meet: a walker that has to be where batches are made, and then where
// something is played, would go through the suite for each bit.
type feeding struct {
	feed  Feed
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
	tasks := j.feeding.feed(ctx, wait)
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
