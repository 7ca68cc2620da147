package exec

import (
	"context"
	"slices"

	"assay/mutate"
)

// A sequence is one child in which the tests of several mutants are run, one
// mutant after the other: most of what a short child costs is that it is one.
// That is for tests that carry nothing from one to the next, neither as far as
// the sources tell (see share.go) nor as far as can be seen in the process
// (Traces.php): where anything was left behind the sequence ends, and at its end
// the tests must still be green on unchanged code. Whatever is not a plain
// answer, a process that ended or was ended above all, is asked for again in a
// child of its own.

// How much one sequence has at most: mutants, and tests in all.
const (
	mostMutants = 64
	mostTests   = 20_000
)

// batches puts tasks together that may be in one sequence. In the order of the
// tasks, as far as that goes.
func (j *bench) batches(tasks []Task) [][]Task {
	most := min(mostMutants, max(4, len(tasks)/(8*j.e.set.Jobs)))
	var out [][]Task
	open, tests := -1, 0
	for _, t := range tasks {
		switch fits := j.repeatable(t); {
		case fits && open >= 0 && len(out[open]) < most && tests+len(t.Tests) <= mostTests:
			out[open] = append(out[open], t)
			tests += len(t.Tests)
		default:
			out = append(out, []Task{t})
			if fits {
				open, tests = len(out)-1, len(t.Tests)
			}
		}
	}
	return out
}

// repeatable reports whether the tests of a task may be run again and again in
// one process, as far as the survey tells.
func (j *bench) repeatable(t Task) bool {
	s := j.s
	p := s.points[t.Mutant.Source.Path]
	if j.schemata.place[j.schemata.number[t.Mutant]] == 0 || p == nil || p.Classes == nil || s.unwinds || s.timed ||
		s.sets(t.Mutant) || s.leftover[t.Mutant.Point] || s.fixtures[t.Mutant.Point] {
		return false
	}
	return !slices.ContainsFunc(t.Tests, func(i int) bool {
		return s.group[i] != noGroup || len(s.needs[i]) > 0 || len(s.feeds[i]) > 0
	})
}

// judgeBatch judges tasks that may be in one sequence.
func (d *desk) judgeBatch(ctx context.Context, batch []Task, give func(mutate.Verdict)) error {
	var alone []Task
	for len(batch) > 0 {
		fit := batch[:0:0]
		for _, t := range batch {
			if d.fits(t) {
				fit = append(fit, t)
			} else {
				alone = append(alone, t)
			}
		}
		if batch = fit; len(fit) < 2 {
			alone = append(alone, fit...)
			break
		}
		parts, ended, err := d.sequence(ctx, fit)
		if err != nil {
			return err
		}
		for i := range parts {
			if err := d.give(ctx, fit[i], &parts[i], give); err != nil {
				return err
			}
		}
		if batch = fit[len(parts):]; ended && len(batch) > 0 {
			alone, batch = append(alone, batch[0]), batch[1:]
		}
	}
	for _, t := range alone {
		if err := d.give(ctx, t, nil, give); err != nil {
			return err
		}
	}
	return nil
}

func (d *desk) give(ctx context.Context, t Task, o *outcome, give func(mutate.Verdict)) error {
	v, err := d.alone(ctx, t, o)
	if err == nil {
		err = d.e.samePHP()
	}
	if err == nil {
		give(v)
	}
	return err
}

// fits reports whether a task may be in a sequence of this worker.
func (d *desk) fits(t Task) bool {
	if d.spoiled.Load() || d.w == nil || d.w.unfit == nil || !d.w.whole[t.Mutant.Source.Path] || !d.repeatable(t) {
		return false
	}
	seesFiles := d.readers.Load()
	return !slices.ContainsFunc(t.Tests, func(i int) bool { return d.w.unfit[i] || seesFiles && d.s.looks[i] })
}

// sequence runs the tests of several mutants in one child. It gives what came of
// the first of them; ended says that the next one ended the child.
func (d *desk) sequence(ctx context.Context, tasks []Task) (parts []outcome, ended bool, err error) {
	r := runRequest{Mode: "sequence", Whole: true, Soft: true, Tests: []int{}}
	lists := map[*int]int{}
	for _, t := range tasks {
		at, ok := lists[&t.Tests[0]]
		if !ok {
			at = len(r.Lists)
			lists[&t.Tests[0]] = at
			r.Lists = append(r.Lists, t.Tests)
		}
		number := d.schemata.number[t.Mutant]
		r.Sequence = append(r.Sequence, [3]int{d.schemata.place[number], number, at})
	}
	withoutReaders := d.readers.Load()
	o, err := d.run(ctx, d.w, r)
	if err != nil {
		if ctx.Err() != nil {
			return nil, false, ctx.Err()
		}
		d.w.kill() // alone will have another
		d.w = nil
		return nil, false, nil
	}
	if d.readsSources(o, withoutReaders) {
		return nil, false, nil
	}
	parts = o.Parts
	over := len(parts) == len(tasks) && parts[len(parts)-1].Clean
	if len(o.Damage) > 0 || over && (!o.Green || len(o.Events) > 0) {
		d.spoiled.Store(true) // something was carried on after all
		return nil, false, nil
	}
	for i := range parts {
		parts[i].Opened = append(parts[i].Opened, o.Opened...)
	}
	return parts, len(parts) == 0 || parts[len(parts)-1].Clean, nil
}

// readsSources reports whether a sequence may have read sources as text, or had
// another process run them: there they are unchanged. Tests that look at files
// are in no sequence from then on; where none did, or nobody knows, there are no
// more sequences.
func (d *desk) readsSources(o outcome, withoutReaders bool) bool {
	known := !slices.Contains(o.Opened, everything)
	read := slices.ContainsFunc(o.Opened, func(path string) bool { return d.w.whole[path] })
	switch {
	case known && !read, !known && withoutReaders && !d.s.launches:
		return false
	case !withoutReaders:
		d.readers.Store(true)
	default:
		d.spoiled.Store(true)
	}
	return true
}
