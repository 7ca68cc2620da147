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
// is not, the whole group decides. A group may have several such states, one after
// the other; the tests of each are run by themselves.

// calm is what is known of a group of tests: those that find a state and leave it as
// it is, by the rank of that state, in the order in which the suite comes to them;
// and, by rank, those that lead there when they are run first, in the suite's order.
type calm struct {
	rank    map[int]int // test => rank; absent: it is not calm
	openers [][]int
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
		_, is, known := j.rank(i)
		return !j.s.shown[i] || known && !is
	}
	// Whoever passes the mutant's place may make a function of it that others call.
	return !slices.ContainsFunc(t.Touch, restless) && !slices.ContainsFunc(j.s.byPoint[t.Mutant.Place.Point], restless)
}

// inSequences gives those tests of a task that can be in a sequence of their own, if
// no more is known than what the survey tells, and whether they share state; others
// are the methods whose tests are to be made anew for that.
func (s *Survey) inSequences(t Task) (tests []int, share bool, others []string) {
	if tests = t.Tests; t.shares(s) {
		tests, share = t.Touch, true
	}
	for _, i := range tests {
		if !s.unfit[i] {
			continue
		}
		if method := s.method(i); share || !s.remakes(i) {
			return nil, false, nil
		} else if !slices.Contains(others, method) {
			others = append(others, method)
		}
	}
	if !s.repeats(t.Mutant) || slices.ContainsFunc(tests, func(i int) bool {
		return s.evals[i] || s.linked(i) || !s.shown[i] || s.group[i] != noGroup && !share
	}) {
		return nil, false, nil
	}
	return tests, share, others
}

// rank gives that of the state in which a test is calm, if it is, and whether that is
// known yet.
func (j *bench) rank(test int) (rank int, is, known bool) {
	c, known := j.calm.Load(j.s.group[test])
	if known {
		rank, is = c.(calm).rank[test]
	}
	return rank, is, known
}

// ranked gives the tests of a task that share state, by their ranks.
func (j *bench) ranked(t Task) [][]int {
	if lists, ok := j.ranks.Load(&t.Touch[0]); ok {
		return lists.([][]int)
	}
	var lists [][]int
	for _, i := range t.Touch {
		rank, _, _ := j.rank(i)
		for len(lists) <= rank {
			lists = append(lists, nil)
		}
		lists[rank] = append(lists[rank], i)
	}
	kept, _ := j.ranks.LoadOrStore(&t.Touch[0], lists) // a list is known by its first element
	return kept.([][]int)
}

// openersOf gives the openers of a rank of all groups that have tests in some lists.
func (j *bench) openersOf(lists [][]int, rank int) []int {
	groups := map[int]bool{}
	var out []int
	for _, tests := range lists {
		for _, i := range tests {
			if g := j.s.group[i]; !groups[g] {
				groups[g] = true
				if known, ok := j.calm.Load(g); ok && rank < len(known.(calm).openers) {
					out = append(out, known.(calm).openers[rank]...)
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

// touch runs the tests of some tasks that share state, rank by rank, and notes what
// they say; at has the tasks' places in all.
func (d *desk) touch(ctx context.Context, tasks []Task, at []int, all []known) error {
	left := make([]int, len(tasks)) // those that have been green so far
	for k := range left {
		left[k] = k
	}
	said := make([]*outcome, len(tasks))
	for rank := 0; len(left) > 0; rank++ {
		of := func(t Task) []int { return d.ranked(t)[rank] }
		left = slices.DeleteFunc(left, func(k int) bool { return rank >= len(d.ranked(tasks[k])) })
		now := slices.DeleteFunc(slices.Clone(left), func(k int) bool { return len(of(tasks[k])) == 0 })
		var some []Task
		for _, k := range now {
			some = append(some, tasks[k])
		}
		got, suspects, err := d.inRank(ctx, some, of, rank)
		if err != nil {
			return err
		}
		for n, k := range now {
			all[at[k]].suspect = all[at[k]].suspect || suspects[n] && tasks[k].shares(d.s)
			if said[k] = both(said[k], got[n]); said[k] == nil || judge(*said[k]).Status != mutate.Survived {
				left = slices.DeleteFunc(left, func(other int) bool { return other == k })
			}
		}
	}
	for k := range tasks {
		all[at[k]].touch = said[k]
	}
	return nil
}

// both is what two runs say together, of which the second is behind the first, if
// there was one, and has been green; nil where the second says nothing.
func both(first, second *outcome) *outcome {
	if first == nil || second == nil {
		return second
	}
	o := *second
	o.Tests = slices.Concat(first.Tests, second.Tests)
	o.Opened, o.Seen = slices.Concat(first.Opened, second.Opened), slices.Concat(first.Seen, second.Seen)
	o.Started += first.Started
	return &o
}

// inRank runs the tests of a rank of some tasks; see inSequence.
func (d *desk) inRank(ctx context.Context, tasks []Task, of func(Task) []int, rank int) (said []*outcome, suspects []bool, err error) {
	said, suspects, err = d.inSequence(ctx, tasks, of, manner{shared: true, rank: rank})
	if err != nil {
		return nil, nil, err
	}
	for k, t := range tasks {
		how := manner{shared: true, once: true, rank: rank}
		if said[k] != nil || suspects[k] || !slices.ContainsFunc(of(t), d.once) || !d.fits(t, of(t), how) {
			continue
		}
		parts, end, err := d.sequence(ctx, []Task{t}, of, how)
		if err != nil {
			return nil, nil, err
		}
		if len(parts) > 0 && !parts[0].Void {
			said[k] = &parts[0]
		}
		suspects[k] = end == endedAsSuspect
	}
	return said, suspects, nil
}

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

// calmIn makes something of the states that tests find and leave.
func calmIn(tests []int, states [][2]int) calm {
	c := calm{rank: map[int]int{}}
	if len(states) != len(tests) {
		return c
	}
	stays := map[int]bool{}
	for _, s := range states {
		if s[0] == s[1] && s[0] >= 0 {
			stays[s[0]] = true
		}
	}
	ranks := map[int]int{}
	var openers []int
	for i, s := range states {
		if _, seen := ranks[s[0]]; stays[s[0]] && !seen && len(openers) <= mostOpeners {
			ranks[s[0]] = len(c.openers)
			c.openers = append(c.openers, slices.Clone(openers))
		}
		rank, ok := ranks[s[0]]
		if ok && s[0] == s[1] {
			c.rank[tests[i]] = rank
		} else {
			openers = append(openers, tests[i])
		}
	}
	return c
}
