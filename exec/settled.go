package exec

import (
	"context"
	"slices"

	"assay/mutate"
)

// What tests share is mostly the same whenever a test begins and when it ends: a
// table that is read once, a register that is empty again. Where that is so, what a
// test says on a mutant does not depend on whether those before it are run or not,
// as long as they leave things alone. So the tests that reach a mutant can be run by
// themselves, in the suite's order, from that state on; after each of them all that
// is shared must be what it was, as far as PHP tells (Traces.php, strictly). If it
// is not, the whole group decides.

// calm is what is known of a group of tests: the tests that find that state and
// leave it, and those that lead there when they are run first, in the suite's order.
type calm struct {
	tests   map[int]bool
	openers []int
}

// mostOpeners is how many of them a group has at most: they are run once more for
// each sequence.
const mostOpeners = 16

// leastShared is for how many mutants it is worth to find out what is calm.
const leastShared = 4

func fewShare(tasks []Task) bool {
	n := 0
	for i := range tasks {
		if len(tasks[i].Touch) > 0 {
			n++
		}
	}
	return n < leastShared
}

// mayShare reports whether the tests of a task that share state may be run by
// themselves, as far as is known by now.
func (j *bench) mayShare(t Task) bool {
	if len(t.Touch) == 0 || !j.schemata.repeats || j.schemata.place[j.schemata.number[t.Mutant]] == 0 || !j.s.repeats(t.Mutant) || j.unsettled.Load() {
		return false
	}
	restless := func(i int) bool {
		if j.s.group[i] == noGroup {
			return false
		}
		known, ok := j.calm.Load(j.s.group[i])
		return !j.s.shown[i] || ok && !known.(calm).tests[i]
	}
	// Whoever passes the mutant's place may make a function of it that others call.
	return !slices.ContainsFunc(t.Touch, restless) && !slices.ContainsFunc(j.s.byPoint[t.Mutant.Place.Point], restless)
}

// inSequences gives those tests of a task that can be in a sequence of their own, if
// no more is known than what the survey tells, and whether they share state.
func (s *Survey) inSequences(t Task) (tests []int, share bool) {
	if tests = t.Tests; t.shares(s) {
		tests, share = t.Touch, true
	}
	if !s.repeats(t.Mutant) || slices.ContainsFunc(tests, func(i int) bool {
		return s.unfit[i] || s.evals[i] || s.linked(i) || !s.shown[i] || s.group[i] != noGroup && !share
	}) {
		return nil, false
	}
	return tests, share
}

// openersOf gives the openers of all groups that have tests in some lists.
func (j *bench) openersOf(lists [][]int) []int {
	groups := map[int]bool{}
	var out []int
	for _, tests := range lists {
		for _, i := range tests {
			if g := j.s.group[i]; !groups[g] {
				groups[g] = true
				if known, ok := j.calm.Load(g); ok {
					out = append(out, known.(calm).openers...)
				}
			}
		}
	}
	slices.Sort(out)
	return out
}

// sharing runs the tests that share state of those tasks of a batch of which the
// others leave everything open.
func (d *desk) sharing(ctx context.Context, batch []Task, all []known) error {
	var now []Task
	var at []int
	for i, t := range batch {
		open := len(all[i].said) > 0 && (t.Last == nil || len(all[i].said) > 1) &&
			!slices.ContainsFunc(all[i].said, func(o *outcome) bool { return judge(*o).Status != mutate.Survived })
		if !open && !t.shares(d.s) || !d.mayShare(t) {
			continue
		}
		for _, test := range t.Touch {
			if err := d.learn(ctx, d.s.group[test]); err != nil {
				return err
			}
		}
		if d.mayShare(t) {
			now, at = append(now, t), append(at, i)
		}
	}
	return d.touch(ctx, now, at, all)
}

// touch runs the tests of some tasks that share state, and notes what they say;
// at has the tasks' places in all.
func (d *desk) touch(ctx context.Context, tasks []Task, at []int, all []known) error {
	of := func(t Task) []int { return t.Touch }
	said, suspects, err := d.inSequence(ctx, tasks, of, manner{shared: true})
	if err != nil {
		return err
	}
	for k, t := range tasks {
		all[at[k]].touch = said[k]
		all[at[k]].suspect = all[at[k]].suspect || suspects[k] && t.shares(d.s)
		how := manner{shared: true, once: true}
		if said[k] != nil || suspects[k] || !d.holdsUnfit(t) || !d.fits(t, t.Touch, how) {
			continue
		}
		parts, end, err := d.sequence(ctx, []Task{t}, of, how)
		if err != nil {
			return err
		}
		if len(parts) > 0 && !parts[0].Void {
			all[at[k]].touch = &parts[0]
		}
		all[at[k]].suspect = all[at[k]].suspect || end == endedAsSuspect && t.shares(d.s)
	}
	return nil
}

// holdsUnfit reports whether a task's tests that share state can be run only once
// in a process.
func (d *desk) holdsUnfit(t Task) bool { return slices.ContainsFunc(t.Touch, d.once) }

// learn finds out what is calm in a group, once.
func (d *desk) learn(ctx context.Context, group int) error {
	d.learning.Lock()
	defer d.learning.Unlock()
	if _, ok := d.calm.Load(group); ok {
		return nil
	}
	tests := d.s.groups[group]
	var o outcome
	if d.w != nil && d.w.unfit != nil && !d.spoiled.Load() && !slices.ContainsFunc(tests, func(i int) bool { return d.s.Tests[i].Shaky }) {
		var err error
		o, err = d.run(ctx, d.w, runRequest{Mode: inOne, Whole: true, Tests: []int{}, Learn: tests})
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case isControl(err):
			return err
		case err != nil && err != errClosed:
			d.w.kill() // alone will have another
			d.w = nil
		case err == nil && (o.Exit != 0 || o.Signal != 0):
			d.spoil(manner{shared: true})
		}
	}
	d.calm.Store(group, calmIn(tests, o.States))
	return nil
}

// calmIn makes something of the states that tests find and leave: the one that
// most of them find and leave is it.
func calmIn(tests []int, states [][2]int) calm {
	c := calm{tests: map[int]bool{}}
	if len(states) != len(tests) {
		return c
	}
	often := map[int]int{}
	most := -1
	for _, s := range states {
		if s[0] == s[1] && s[0] >= 0 {
			if often[s[0]]++; most < 0 || often[s[0]] > often[most] {
				most = s[0]
			}
		}
	}
	for i, s := range states {
		if s[0] == most {
			break
		}
		if s[0] != s[1] || s[0] < 0 {
			c.openers = append(c.openers, tests[i])
		}
	}
	if most < 0 || len(c.openers) > mostOpeners {
		return calm{}
	}
	for i, s := range states {
		c.tests[tests[i]] = s == [2]int{most, most}
	}
	return c
}
