//go:build linux

package main

import (
	"cmp"
	"math/rand/v2"
	"slices"
	"strings"

	"assay/mutate"
)

// spread orders mutants so that any beginning of the order tells as much as it
// can about the whole: one of each class in turn, and each time one of the
// operator that was used least so far. The same seed gives the same order.
func spread(ms []*mutate.Mutant, seed uint64) []*mutate.Mutant {
	rnd := rand.New(rand.NewPCG(seed, 0))
	groups := byClass(ms)
	rnd.Shuffle(len(groups), func(i, j int) { groups[i], groups[j] = groups[j], groups[i] })
	for _, g := range groups {
		g.shuffle(rnd)
	}
	used := map[string]int{}
	out := make([]*mutate.Mutant, 0, len(ms))
	for len(groups) > 0 {
		for _, g := range groups {
			out = append(out, g.take(used))
		}
		groups = slices.DeleteFunc(groups, func(g *classGroup) bool { return len(g.byOperator) == 0 })
	}
	return out
}

// A classGroup holds what is left of the mutants of one class.
type classGroup struct {
	byOperator []operatorGroup // in random order, none empty
}

type operatorGroup struct {
	id   string
	left []*mutate.Mutant
}

// byClass groups by class, or by file outside classes, sorted by name.
func byClass(ms []*mutate.Mutant) []*classGroup {
	sorted := slices.Clone(ms)
	title := func(m *mutate.Mutant) string {
		if m.Class == "" {
			return m.Source.Path
		}
		return m.Class
	}
	slices.SortStableFunc(sorted, func(a, b *mutate.Mutant) int {
		return cmp.Or(strings.Compare(title(a), title(b)), strings.Compare(a.Op.ID, b.Op.ID), strings.Compare(a.ID, b.ID))
	})
	var out []*classGroup
	for i, m := range sorted {
		if i == 0 || title(m) != title(sorted[i-1]) {
			out = append(out, &classGroup{})
		}
		g := out[len(out)-1]
		if n := len(g.byOperator); n == 0 || g.byOperator[n-1].id != m.Op.ID {
			g.byOperator = append(g.byOperator, operatorGroup{id: m.Op.ID})
		}
		last := &g.byOperator[len(g.byOperator)-1]
		last.left = append(last.left, m)
	}
	return out
}

func (g *classGroup) shuffle(rnd *rand.Rand) {
	rnd.Shuffle(len(g.byOperator), func(i, j int) { g.byOperator[i], g.byOperator[j] = g.byOperator[j], g.byOperator[i] })
	for _, o := range g.byOperator {
		rnd.Shuffle(len(o.left), func(i, j int) { o.left[i], o.left[j] = o.left[j], o.left[i] })
	}
}

// take gives one mutant of the operator that was used least, and counts it.
func (g *classGroup) take(used map[string]int) *mutate.Mutant {
	best := 0
	for i, o := range g.byOperator {
		if used[o.id] < used[g.byOperator[best].id] {
			best = i
		}
	}
	o := &g.byOperator[best]
	m := o.left[0]
	used[o.id]++
	if o.left = o.left[1:]; len(o.left) == 0 {
		g.byOperator = slices.Delete(g.byOperator, best, best+1)
	}
	return m
}
