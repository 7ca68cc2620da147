package exec

import (
	"context"
	"slices"

	"assay/exec/sandbox"
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

// inOne is the mode of a run whose tests of several mutants are in one process.
const inOne = "sequence"

// How much one sequence has: mutants at most, and tests in all, if there are so
// many. And how many mutants that can be in none one worker takes at a time.
const (
	mostMutants = 128
	leastTests  = 20_000
	mostPlain   = 16
)

// batches puts tasks together: such as may be in one sequence, and others, for what
// a worker needs for its first of those (controls, a late stage for the file) serves
// for the next as well. In the order of the tasks, as far as that goes.
func (j *bench) batches(tasks []Task) [][]Task {
	most := min(mostMutants, max(4, len(tasks)/(3*j.e.set.Jobs)))
	fits := make([]bool, len(tasks))
	others, all := 0, 0
	for i, t := range tasks {
		if fits[i] = j.repeatable(t) || j.mayShare(t); !fits[i] {
			others++
			continue
		}
		all += j.size(t)
	}
	mostTests := max(leastTests, all/(10*j.e.set.Jobs))
	mostOthers := min(mostPlain, max(1, 2*others/j.e.set.Jobs))
	var out [][]Task
	open, tests, openOthers := -1, 0, -1
	for i, t := range tasks {
		switch {
		case fits[i] && open >= 0 && len(out[open]) < most && tests+j.size(t) <= mostTests:
			out[open] = append(out[open], t)
			tests += j.size(t)
		case !fits[i] && openOthers >= 0 && len(out[openOthers]) < mostOthers:
			out[openOthers] = append(out[openOthers], t)
		default:
			out = append(out, []Task{t})
			if fits[i] {
				open, tests = len(out)-1, j.size(t)
			} else {
				openOthers = len(out) - 1
			}
		}
	}
	return out
}

// size is how many tests of a task are run in a sequence.
func (j *bench) size(t Task) int {
	if t.shares(j.s) {
		return len(t.Touch)
	}
	return len(t.Tests) + len(t.Touch)
}

// repeatable reports whether the tests of a task may be run again and again in
// one process.
func (j *bench) repeatable(t Task) bool {
	return j.schemata.repeats && j.schemata.place[j.schemata.number[t.Mutant]] != 0 && j.s.repeatable(t)
}

// repeatable is what the survey tells of that.
func (s *Survey) repeatable(t Task) bool {
	return s.repeats(t.Mutant) && !slices.ContainsFunc(t.Tests, func(i int) bool { return s.group[i] != noGroup || s.linked(i) })
}

// repeats reports whether a mutant may be in sequences.
func (s *Survey) repeats(m *mutate.Mutant) bool {
	p := s.points[m.Source.Path]
	return p != nil && p.Classes != nil && !s.unwinds && !s.timed && !s.sets(m) && !s.leftover[m.Point] &&
		!s.fixtures[m.Point] && !s.fixtures[m.Place.Point]
}

// linked reports whether a test builds on the result of another, or another on its.
func (s *Survey) linked(i int) bool { return len(s.needs[i]) > 0 || len(s.feeds[i]) > 0 }

// judgeBatch judges tasks that may be in one sequence.
func (d *desk) judgeBatch(ctx context.Context, batch []Task, give func(mutate.Verdict)) error {
	all := make([]known, len(batch))
	every := make([]int, len(batch))
	for i := range every {
		every[i] = i
	}
	if err := d.together(ctx, batch, every, func(t Task) []int { return t.Tests }, all); err != nil {
		return err
	}
	last := slices.DeleteFunc(every, func(i int) bool {
		return len(all[i].said) == 0 || batch[i].Last == nil || judge(*all[i].said[0]).Status != mutate.Survived
	})
	if err := d.together(ctx, batch, last, func(t Task) []int { return t.Last }, all); err != nil {
		return err
	}
	if err := d.sharing(ctx, batch, all); err != nil {
		return err
	}
	for i, t := range batch {
		v, err := d.alone(ctx, t, all[i])
		if err == nil {
			err = d.e.samePHP()
		}
		if err != nil {
			return err
		}
		give(v)
	}
	return nil
}

// together runs tests of some tasks of a batch in sequences, and notes what they
// say. Once it is known that tests read sources, such as look at files have their
// mutants swapped in.
func (d *desk) together(ctx context.Context, batch []Task, some []int, of func(Task) []int, all []known) error {
	for _, swaps := range []bool{false, true} {
		var now []Task
		var at, left []int
		for _, i := range some {
			looks := slices.ContainsFunc(of(batch[i]), func(t int) bool { return d.s.looks[t] })
			if (looks && d.readers.Load()) == swaps {
				now, at = append(now, batch[i]), append(at, i)
			} else {
				left = append(left, i)
			}
		}
		said, suspects, err := d.inSequence(ctx, now, of, manner{swaps: swaps})
		if err != nil {
			return err
		}
		for k, i := range at {
			switch {
			case said[k] != nil:
				all[i].said = append(all[i].said, said[k])
			case suspects[k]:
				all[i].suspect = true
			default:
				left = append(left, i) // perhaps for what it reads
			}
		}
		some = left
	}
	return nil
}

// known is what is known of a mutant before it is judged alone: what its Tests
// said and then its Last, what its Touch said, and that its Tests take much longer
// than they should.
type known struct {
	said    []*outcome
	touch   *outcome
	suspect bool
}

// A manner is how a sequence is run: with each mutant swapped in, for tests that
// look at files; with tests that share state; with one mutant only, for tests that
// cannot be run again.
type manner struct {
	swaps, shared, once bool
	rank                int // of the state that is shared; see calm
}

// inSequence runs some tests of several tasks in as few children as it takes. It
// gives what came of each task, nil where that is not known, and which are
// suspected of not ending.
func (d *desk) inSequence(ctx context.Context, tasks []Task, of func(Task) []int, how manner) (said []*outcome, suspects []bool, err error) {
	said, suspects = make([]*outcome, len(tasks)), make([]bool, len(tasks))
	var left []int
	for i := range tasks {
		left = append(left, i)
	}
	for {
		left = slices.DeleteFunc(left, func(i int) bool { return !d.fits(tasks[i], of(tasks[i]), how) })
		if len(left) == 0 || len(left) == 1 && !how.shared {
			return said, suspects, nil
		}
		var now []Task
		for _, i := range left {
			now = append(now, tasks[i])
		}
		parts, end, err := d.sequence(ctx, now, of, how)
		if err != nil {
			return nil, nil, err
		}
		for i := range parts {
			if !parts[i].Void {
				said[left[i]] = &parts[i]
			} else if passing, others, _ := d.anew(now[i], of(now[i]), how); passing == nil {
				for _, method := range others { // the mutant has no part in that
					d.stubborn.Store(method, true)
				}
			}
		}
		if left = left[len(parts):]; end != endedByDirt && len(left) > 0 {
			suspects[left[0]] = end == endedAsSuspect
			left = left[1:]
		}
	}
}

// How a sequence came to its end.
type sequenceEnd int

const (
	endedEarly     sequenceEnd = iota // with the mutant after the last that it judged, or not to be believed
	endedByDirt                       // after the last that it judged
	endedAsSuspect                    // the one after that takes too long
)

// fits reports whether tests of a task may be in a sequence of this worker. With
// swaps the tests may look at files; all of a mutant's are run at a time then, so
// that none can come first.
func (d *desk) fits(t Task, tests []int, how manner) bool {
	if d.spoiled.Load() || d.w == nil || d.w.unfit == nil || !d.w.whole[t.Mutant.Source.Path] {
		return false
	}
	if how.shared && (d.unsettled.Load() || !d.mayShare(t)) || !how.shared && !d.repeatable(t) {
		return false
	}
	if how.swaps && len(t.firstOf(tests)) > 0 {
		return false
	}
	readers := d.readers.Load() && !how.swaps
	_, _, ok := d.anew(t, tests, how)
	return ok && !(readers && slices.ContainsFunc(tests, func(i int) bool { return d.s.looks[i] }))
}

// once reports whether a test can be run only once in a process.
func (d *desk) once(test int) bool {
	return d.w != nil && d.w.unfit[test] || d.s.unfit[test] || d.maybeDeclares(test)
}

// maybeDeclares reports whether a test may declare something by eval.
func (d *desk) maybeDeclares(test int) bool {
	declares := d.declares.Load()
	return d.s.evals[test] && (declares == nil || (*declares)[test])
}

// sequence runs tests of several mutants in one child. It gives what came of the
// first of them.
func (d *desk) sequence(ctx context.Context, tasks []Task, of func(Task) []int, how manner) (parts []outcome, end sequenceEnd, err error) {
	r := d.sequenceRequest(tasks, of, how)
	withoutReaders := d.readers.Load()
	o, err := d.run(ctx, d.w, r)
	if err != nil {
		switch {
		case isControl(err):
			return nil, 0, err
		case err == errClosed:
			return nil, 0, nil
		}
		if ctx.Err() != nil {
			return nil, 0, ctx.Err()
		}
		d.w.kill() // alone will have another
		d.w = nil
		return nil, 0, nil
	}
	if !how.swaps && d.readsSources(o, withoutReaders) {
		return nil, 0, nil
	}
	parts = o.Parts
	if len(parts) == 0 && o.Exit == 0 && o.Signal == 0 && !o.Void {
		d.spoil(how) // it would not begin
		return nil, 0, nil
	}
	clean := len(parts) > 0 && parts[len(parts)-1].Clean
	if len(o.Damage) > 0 || clean && len(parts) == len(tasks) && !how.once && (!o.Green || !d.s.asBefore(o.Events)) {
		d.spoil(how) // something was carried on after all
		return nil, 0, nil
	}
	for i := range parts {
		if !parts[i].Void && judge(parts[i]).Status == mutate.Survived && parts[i].Started != len(of(tasks[i])) {
			d.spoil(how) // not all tests were run
			return nil, 0, nil
		}
	}
	for i := range parts {
		if !parts[i].Void {
			d.e.sequenced.Add(1)
		}
	}
	switch {
	case len(parts) > 0 && !clean:
		end = endedByDirt
	case o.Suspect || o.OverFull: // either way it is to be looked at more closely
		end = endedAsSuspect
	}
	return parts, end, nil
}

// asBefore reports whether events are such as the unchanged suite has as well: of
// tests that skip themselves, say.
func (s *Survey) asBefore(events []event) bool {
	return !slices.ContainsFunc(events, func(e event) bool { return e.Fatal || !s.usual[usual{e.Test, e.Kind}] })
}

// sequenceRequest asks for tests of several tasks; each list of tests is in it once.
func (d *desk) sequenceRequest(tasks []Task, of func(Task) []int, how manner) runRequest {
	r := runRequest{Mode: inOne, Whole: true, Soft: true, Tests: []int{}}
	lists := map[*int]int{}
	place := func(tests []int) int {
		if len(tests) == 0 {
			return -1
		}
		at, ok := lists[&tests[0]]
		if !ok {
			at = len(r.Lists)
			lists[&tests[0]] = at
			r.Lists = append(r.Lists, tests)
		}
		return at
	}
	for _, t := range tasks {
		tests := of(t)
		number := d.schemata.number[t.Mutant]
		if passing, others, _ := d.anew(t, tests, how); len(passing)+len(others) > 0 {
			if r.Anew == nil {
				r.Anew = map[int][2][]string{}
			}
			r.Anew[len(r.Sequence)] = [2][]string{passing, others}
		}
		r.Sequence = append(r.Sequence, [4]int{d.schemata.place[number], number, place(tests), place(t.firstOf(tests))})
		if how.swaps {
			if r.Sources == nil {
				r.Sources = map[string][]byte{}
			}
			r.Sources[t.Mutant.Source.Path] = t.Mutant.Source.Text
			r.Swaps = append(r.Swaps, swap{t.Mutant.Source.Path, t.Mutant.Edit})
		}
	}
	r.Once = how.once
	if r.Shared = how.shared; r.Shared {
		r.Openers = d.openersOf(r.Lists, how.rank)
	}
	return r
}

// readsSources reports whether a sequence may have read sources as text, or had
// another process run them: there they are unchanged. Tests that look at files
// are in no sequence from then on; where none did, or nobody knows, there are no
// more sequences.
func (d *desk) readsSources(o outcome, withoutReaders bool) bool {
	known, read := true, false
	seen := o.Opened
	for _, part := range o.Parts {
		seen = append(seen, part.Seen...)
	}
	for _, path := range seen {
		known = known && path != sandbox.Everything
		read = read || d.w.whole[path]
	}
	switch {
	case known && !read, !known && withoutReaders && !d.s.launches:
		return false
	case !withoutReaders:
		d.readers.Store(true)
	default:
		d.spoil(manner{})
	}
	return true
}
