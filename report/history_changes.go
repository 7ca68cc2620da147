package report

import (
	"fmt"
	"slices"
	"strings"
)

// A changeKind is one way in which mutants came to survive or to be unreached,
// or ceased to.
type changeKind struct {
	title string // behind a number
	word  string // of the sign before an ID
	good  int    // 1 where the tests got better, -1 where they got worse, 0 where it does not say
	class string // in the chart
	ids   func(*Record) []string
}

// changeKinds are told apart, for they ask for different things: a test for
// new code, a test that was lost, nothing.
var changeKinds = []changeKind{
	{"new by code", "+", -1, "bycode", func(r *Record) []string {
		return without(merged(without(r.New, merged(r.Unreached.Gone, r.Accepted.Gone)), without(without(r.Unreached.New, r.Gone), r.Accepted.Gone)), r.Lost)
	}},
	{"new by lost tests", "+", -1, "bytests", func(r *Record) []string { return both(r.Lost, r.New) }},
	{"unreached now", "+", -1, "bare", func(r *Record) []string {
		return merged(both(r.Unreached.New, r.Gone), both(r.Unreached.New, r.Lost))
	}},
	{"reached now, and survive", "~", 0, "", func(r *Record) []string { return both(r.New, r.Unreached.Gone) }},
	{"no longer accepted", "~", 0, "", func(r *Record) []string {
		return both(r.Accepted.Gone, merged(r.New, r.Unreached.New))
	}},
	{"killed now", "-", 1, "killed", func(r *Record) []string { return r.Killed }},
	{"accepted", "~", 0, "", func(r *Record) []string { return both(r.Gone, r.Accepted.New) }},
	{"gone with their code", "~", 0, "", func(r *Record) []string {
		return without(without(without(r.Gone, r.Killed), r.Unreached.New), r.Accepted.New)
	}},
}

// both gives what is in a and in b; sorted, as they are.
func both(a, b []string) []string { return without(a, without(a, b)) }

// merged gives what is in a or in b; sorted.
func merged(a, b []string) []string {
	out := slices.Concat(a, b)
	slices.Sort(out)
	return slices.Compact(out)
}

// changes gives the IDs of each kind, in the order of changeKinds.
func (r *Record) changes() [][]string {
	out := make([][]string, len(changeKinds))
	for i, k := range changeKinds {
		out[i] = k.ids(r)
	}
	return out
}

// changed reports whether there is anything to tell.
func (r *Record) changed() bool {
	return slices.ContainsFunc(r.changes(), func(ids []string) bool { return len(ids) > 0 })
}

// changesSaid tells how many there are of each kind: first what got worse.
func (r *Record) changesSaid() string {
	var parts []string
	for i, ids := range r.changes() {
		if len(ids) > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", len(ids), changeKinds[i].title))
		}
	}
	if parts == nil {
		return "nothing changed"
	}
	return strings.Join(parts, ", ")
}
