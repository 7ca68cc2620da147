package report

import (
	"cmp"

	"assay/mutate"
)

// A worth says how likely a survivor shows a gap of the tests. Reports begin with the least.
type worth uint8

const (
	worthProved     worth = iota // a test was found that kills it
	worthUnasserted              // a call of the tests has another outcome, and no assertion tells
	worthHidden                  // a value was another one in some test, and what followed hid it
	worthOpen                    // nothing is known but that survivors of the operator often show gaps; or it is a constant that code names
	worthLeast                   // nothing is known, and survivors of the operator seldom do
)

// worths gives the worth of survivors of a result.
type worths struct {
	searched bool // tests were looked for, else worthLeast cannot be told
	seldom   map[*mutate.Operator]bool
}

func worthsOf(r *mutate.Result) *worths {
	w := &worths{seldom: map[*mutate.Operator]bool{}}
	all, shown := map[*mutate.Operator]int{}, map[*mutate.Operator]int{}
	for _, v := range r.Verdicts {
		if v.Status != mutate.Survived {
			continue
		}
		all[v.Mutant.Op]++
		if v.Proof != nil || v.Seen.Word == mutate.Unasserted {
			shown[v.Mutant.Op]++
		}
		w.searched = w.searched || v.Proof != nil || v.Seen.Word == mutate.Unasserted || v.Seen.Word == mutate.Absorbed
	}
	for op, n := range all {
		// Two that show a gap and two that do not are added, so that a few survivors decide little.
		w.seldom[op] = 3*(shown[op]+2) < n+4
	}
	return w
}

func (w *worths) of(v mutate.Verdict) worth {
	switch {
	case isName(v.Mutant):
		return worthOpen // a test that tells it pins a text that most code never writes out
	case v.Proof != nil:
		return worthProved
	case v.Seen.Word == mutate.Unasserted:
		return worthUnasserted
	case v.Seen.Word == mutate.Absorbed, v.Seen.Word == mutate.Differs:
		return worthHidden
	case w.searched && w.seldom[v.Mutant.Op]:
		return worthLeast
	}
	return worthOpen
}

// compare orders survivors by worth.
func (w *worths) compare(a, b mutate.Verdict) int { return cmp.Compare(w.of(a), w.of(b)) }

// compareGaps orders functions: first those with most survivors of which it was seen that they show
// a gap, then those with most mutants that may.
func (w *worths) compareGaps(a, b gap) int {
	of := func(g gap) (seen, open, hidden int) {
		for _, v := range g.Verdicts {
			switch {
			case g.Status == mutate.Unreached:
				open++
			case w.of(v) <= worthUnasserted:
				seen++
			case w.of(v) < worthLeast:
				open++
			}
			hidden += truth(w.of(v) == worthHidden)
		}
		return seen, open, hidden
	}
	seenA, openA, hiddenA := of(a)
	seenB, openB, hiddenB := of(b)
	return cmp.Or(cmp.Compare(seenB, seenA), cmp.Compare(openB, openA), cmp.Compare(hiddenB, hiddenA), cmp.Compare(len(b.Verdicts), len(a.Verdicts)))
}
