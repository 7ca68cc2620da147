package report

import (
	"cmp"
	"slices"
	"strings"

	"assay/mutate"
)

// sameGaps says of survivors which entry they belong to, by ID: one test was seen to kill them and
// the survivor of that ID, and all of them change the same lines of one function. What is missing
// is one case, so one of them is enough to show it.
//
// The plainest is the entry: the one with the fewest bytes taken out and put in, of those the
// first in the source.
func sameGaps(r *mutate.Result) map[string]string {
	type key struct {
		file, class, function string
		first, lines          int
		test                  mutate.TestID
	}
	groups := map[key][]mutate.Verdict{}
	for _, v := range sorted(r.Verdicts) {
		if v.Status != mutate.Survived || v.Proof == nil || !slices.Contains(v.Proof.Kills, v.Mutant.ID) {
			continue
		}
		m, h := v.Mutant, hunkOf(v.Mutant, 0)
		k := key{m.Source.Path, m.Class, m.Function, h.OldStart, h.OldLines, v.Proof.Test}
		groups[k] = append(groups[k], v)
	}
	out := map[string]string{}
	for _, g := range groups {
		entry := slices.MinFunc(g, func(a, b mutate.Verdict) int { return cmp.Compare(bytesChanged(a.Mutant), bytesChanged(b.Mutant)) }).Mutant.ID
		for _, v := range g {
			if v.Mutant.ID != entry {
				out[v.Mutant.ID] = entry
			}
		}
	}
	return out
}

func bytesChanged(m *mutate.Mutant) int { return m.Edit.Len() + len(m.Edit.New) }

// entries gives a block without the survivors that belong to another entry in it, and says of each
// entry which those are.
func (p *text) entries(b block) (block, []string) {
	var left []mutate.Verdict
	of := map[string][]string{}
	for _, v := range b.Verdicts {
		entry, ok := p.same[v.Mutant.ID]
		if ok && slices.ContainsFunc(b.Verdicts, func(o mutate.Verdict) bool { return o.Mutant.ID == entry }) {
			of[entry] = append(of[entry], p.code[v.Mutant.ID])
			continue
		}
		left = append(left, v)
	}
	var said []string
	for _, v := range left {
		if more := of[v.Mutant.ID]; more != nil {
			lead := "and"
			if len(left) > 1 {
				lead = p.code[v.Mutant.ID] + ": and"
			}
			said = append(said, lead+" "+count(len(more), "more")+" of the same gap: "+strings.Join(more, ", "))
		}
	}
	b.Verdicts = left
	return b, said
}
