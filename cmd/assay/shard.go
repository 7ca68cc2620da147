//go:build linux

package main

import (
	"cmp"
	"container/heap"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"assay/exec"
	"assay/mutate"
	"assay/report"
)

// A shard is a part of a run: one of so many. The zero value is a run in one piece.
type shard struct{ number, of int }

// mostParts bounds the number of parts: each records the whole suite.
const mostParts = 1000

func (s *shard) UnmarshalText(text []byte) error {
	number, of, ok := strings.Cut(string(text), "/")
	n, err := strconv.Atoi(number)
	all, fault := strconv.Atoi(of)
	switch {
	case !ok || err != nil || fault != nil:
		return fmt.Errorf("%q is no part of a run; write it as 3/8, which is the third of eight", text)
	case all < 1 || all > mostParts:
		return fmt.Errorf("a run has 1 to %d parts, and not %d", mostParts, all)
	case n < 1 || n > all:
		return fmt.Errorf("there is no part %d of %d; they are 1/%d to %d/%d", n, all, all, all, all)
	}
	*s = shard{n, all}
	return nil
}

// String gives "3/8"; "" for a run in one piece.
func (s shard) String() string {
	if !s.given() {
		return ""
	}
	return fmt.Sprintf("%d/%d", s.number, s.of)
}

func (s shard) given() bool { return s.of > 0 }

// divide gives each task its part, from 0 on. A mutant costs as much as there are segments that
// pass it, and one more; times would be others on each machine. The costliest are dealt first,
// each to the part that has least: so two parts differ by no more than the cost of one mutant.
// With byPlace all cost the same: mutants are dealt as they stand in the source, whatever the
// recording has seen.
func divide(tasks []exec.Task, parts int, byPlace bool) []int {
	order := make([]int, len(tasks))
	costs := make([]int, len(tasks))
	for i, t := range tasks {
		order[i], costs[i] = i, 1
		if !byPlace {
			costs[i] += costOf(t)
		}
	}
	slices.SortFunc(order, func(a, b int) int {
		return cmp.Or(costs[b]-costs[a], byPosition(tasks[a].Mutant, tasks[b].Mutant))
	})
	loads := make(loads, parts)
	for i := range loads {
		loads[i].part = i
	}
	out := make([]int, len(tasks))
	for _, i := range order {
		out[i] = loads[0].part
		loads[0].cost += costs[i]
		loads[0].mutants++
		heap.Fix(&loads, 0)
	}
	return out
}

// costOf counts the segments that pass a mutant; none where nothing has to be replayed.
func costOf(t exec.Task) int {
	if len(t.Pairs) == 0 {
		return 0
	}
	return len(t.Pairs) + t.Same
}

func byPosition(a, b *mutate.Mutant) int {
	return cmp.Or(strings.Compare(a.Source.Path, b.Source.Path), cmp.Compare(a.Edit.Start, b.Edit.Start),
		cmp.Compare(a.Edit.End, b.Edit.End), strings.Compare(a.ID, b.ID))
}

// loads are parts with what they have been dealt, as a heap: the part that has least is first.
type loads []struct{ part, cost, mutants int }

func (l loads) Len() int { return len(l) }

func (l loads) Less(i, j int) bool {
	return cmp.Or(l[i].cost-l[j].cost, l[i].mutants-l[j].mutants, l[i].part-l[j].part) < 0
}

func (l loads) Swap(i, j int) { l[i], l[j] = l[j], l[i] }

func (l *loads) Push(any) { panic("a run has as many parts as it has") }

func (l *loads) Pop() any { panic("a run has as many parts as it has") }

// takePart gives the tasks of this part, in their order, and has the result say which it is.
// What comments skip is in the first part.
func (c *runCommand) takePart(tasks []exec.Task, r *mutate.Result) []exec.Task {
	if !c.Shard.given() {
		return tasks
	}
	ids := make([][]string, c.Shard.of)
	var own []exec.Task
	for i, part := range divide(tasks, c.Shard.of, c.ShardBy == "place") {
		ids[part] = append(ids[part], tasks[i].Mutant.ID)
		if part == c.Shard.number-1 {
			own = append(own, tasks[i])
		}
	}
	r.Part = &mutate.Part{Number: c.Shard.number, Of: c.Shard.of, LeftOut: r.LeftOut}
	for _, list := range ids {
		r.Part.Counts, r.Part.Sums = append(r.Part.Counts, len(list)), append(r.Part.Sums, report.PartSum(list))
	}
	if c.Shard.number != 1 {
		r.Verdicts = slices.DeleteFunc(r.Verdicts, func(v mutate.Verdict) bool { return v.Status == mutate.Skipped })
	}
	r.LeftOut += len(tasks) - len(own)
	r.Notes = append(r.Notes, mutate.Note{Kind: report.PartNote, Text: fmt.Sprintf(
		"This is part %d of %d: it has %d of %s. Score and bar are those of the whole run, which assay merge puts together.",
		c.Shard.number, c.Shard.of, len(own), many(len(tasks), "mutant"))})
	return own
}

// leftToMerge says which options a part leaves to assay merge.
func (c *runCommand) leftToMerge(env *environment) {
	if !c.Shard.given() {
		return
	}
	var names []string
	for _, o := range []struct {
		name  string
		given bool
	}{{"--fail-under", c.FailUnder.given}, {"--fail-on-new", c.FailOnNew}, {"--history", c.History != ""}} {
		if o.given {
			names = append(names, o.name)
		}
	}
	switch n := len(names); {
	case n == 1:
		fmt.Fprintf(env.stderr, "assay: this is a part of a run: %s is left to assay merge, which sees the whole\n", names[0])
	case n > 1:
		fmt.Fprintf(env.stderr, "assay: this is a part of a run: %s and %s are left to assay merge, which sees the whole\n", strings.Join(names[:n-1], ", "), names[n-1])
	}
}
