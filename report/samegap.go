package report

import (
	"cmp"
	"regexp"
	"slices"
	"strings"
	"sync"

	"assay/mutate"
	"assay/mutate/syntax"
)

// sameGaps says of survivors which entry they belong to, by the ID of the survivor that is shown
// for it. What is read at once is an entry:
//
//   - one test was seen to kill them, and they are in one function. The plainest is shown, the one
//     with the fewest bytes taken out and put in, of those the first in the source.
//   - They are texts that constants of one class stand for, and no test tells another text from
//     them. The first is shown.
//   - No test was found that kills any of them, they are in one function, and they change the same
//     text; or they lie within what one of them leaves out or puts a constant in place of, for
//     while nothing tells what all of it comes to, nothing tells a part of it; or they change the
//     same lines, and the same was observed of them; or they are in one statement, and in no test
//     did any of them make a difference, so that all their replays are the original's. The
//     outermost or first is shown.
func sameGaps(r *mutate.Result) map[string]string {
	type place struct {
		file, class, function string
		name                  bool          // it is what a constant stands for
		test                  mutate.TestID // of the proof; "" where there is none
	}
	groups := map[place][]mutate.Verdict{}
	for _, v := range sorted(r.Verdicts) {
		if v.Status != mutate.Survived {
			continue
		}
		p := place{file: v.Mutant.Source.Path, class: v.Mutant.Class, function: v.Mutant.Function, name: isName(v.Mutant)}
		if v.Proof != nil && !p.name {
			if !slices.Contains(v.Proof.Kills, v.Mutant.ID) {
				continue
			}
			p.test = v.Proof.Test
		}
		groups[p] = append(groups[p], v)
	}
	out := map[string]string{}
	in := statements{}
	for p, g := range groups {
		switch {
		case p.name:
			allBelong(g, g[0].Mutant, out)
		case p.test != "":
			allBelong(g, slices.MinFunc(g, func(a, b mutate.Verdict) int { return cmp.Compare(bytesChanged(a.Mutant), bytesChanged(b.Mutant)) }).Mutant, out)
		default:
			in.unproved(g, out)
		}
	}
	return out
}

// isName reports whether a mutant changes a text that a constant of a class stands for.
func isName(m *mutate.Mutant) bool {
	before := m.Before()
	return m.Class != "" && m.Function == "" && m.Op.ID == "declaration/constant-changed" && (strings.HasPrefix(before, "'") || strings.HasPrefix(before, `"`))
}

func allBelong(g []mutate.Verdict, shown *mutate.Mutant, entry map[string]string) {
	for _, v := range g {
		if v.Mutant != shown {
			entry[v.Mutant.ID] = shown.ID
		}
	}
}

func bytesChanged(m *mutate.Mutant) int { return m.Edit.Len() + len(m.Edit.New) }

// unproved makes entries of survivors of a function for which no test was found.
func (in statements) unproved(g []mutate.Verdict, entry map[string]string) {
	slices.SortStableFunc(g, func(a, b mutate.Verdict) int {
		x, y := a.Mutant, b.Mutant
		return cmp.Or(cmp.Compare(x.Edit.Start, y.Edit.Start), cmp.Compare(y.Edit.End, x.Edit.End), cmp.Compare(truth(!leavesNothing(x)), truth(!leavesNothing(y))))
	})
	shown := make([]int, len(g)) // for each the index of the one that is shown for it, or of one nearer to that
	root := func(i int) int {
		for shown[i] != i {
			i = shown[i]
		}
		return i
	}
	type observed struct {
		first, lines int
		word         mutate.SeenWord
		expression   string
	}
	var holding []int // each within the one before
	same, seen, without := map[syntax.Span]int{}, map[observed]int{}, map[syntax.Span]int{}
	join := func(i, j int) {
		i, j = root(i), root(j)
		shown[max(i, j)] = min(i, j)
	}
	for i, v := range g {
		shown[i] = i
		span := v.Mutant.Edit.Span
		for len(holding) > 0 && !g[holding[len(holding)-1]].Mutant.Edit.Contains(span) {
			holding = holding[:len(holding)-1]
		}
		if len(holding) > 0 {
			join(holding[0], i)
		}
		if first, is := same[span]; is {
			join(first, i)
		} else {
			same[span] = i
		}
		if h := hunkOf(v.Mutant, 0); v.Seen.Word != mutate.SeenUnset && v.Seen.Word != mutate.NotObserved {
			key := observed{h.OldStart, h.OldLines, v.Seen.Word, v.Seen.Expression}
			if first, is := seen[key]; is {
				join(first, i)
			} else {
				seen[key] = i
			}
		}
		if v.Seen.Word == mutate.NeverDiffers {
			statement := in.of(v.Mutant)
			if first, is := without[statement]; is {
				join(first, i)
			} else {
				without[statement] = i
			}
		}
		if leavesNothing(v.Mutant) {
			holding = append(holding, i)
		}
	}
	for i, v := range g {
		if r := root(i); r != i {
			entry[v.Mutant.ID] = g[r].Mutant.ID
		}
	}
}

// statements has the trees of sources, which are read when a statement of theirs is asked for.
type statements map[*mutate.Source]*syntax.Node

// of gives the innermost statement around a change, or the change where there is none.
func (in statements) of(m *mutate.Mutant) syntax.Span {
	root, is := in[m.Source]
	if !is {
		if f, err := syntax.Parse(m.Source.Path, m.Source.Text); err == nil {
			root = f.Root
		}
		in[m.Source] = root
	}
	found := m.Edit.Span
	if root == nil {
		return found
	}
	for n := root.Holding(found); n != nil; n = n.Holding(m.Edit.Span) {
		if strings.HasSuffix(n.Kind, "_statement") && n.Kind != "compound_statement" || n.Is("else_if_clause", "match_conditional_expression") {
			found = n.Span
		}
	}
	return found
}

// constantText is what an edit puts in the place of code where nothing of it is left.
var constantText = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^(?i:;?|\{\s*\}|\[\]|''|""|true|false|null|-?\d+(\.\d+)?)$`)
})

// leavesNothing reports whether an edit leaves nothing of the code that it replaces.
func leavesNothing(m *mutate.Mutant) bool {
	return constantText().MatchString(strings.TrimSpace(m.Edit.New))
}

// holds reports whether a mutant is a part of what another one does without.
func holds(whole, part *mutate.Mutant) bool {
	return leavesNothing(whole) && whole.Edit.Span != part.Edit.Span && whole.Edit.Contains(part.Edit.Span)
}

// shared says of an entry which survivors belong to it.
func (p *text) shared(v mutate.Verdict, of []mutate.Verdict) string {
	where := []string{" that the same test kills", " at the same place", " within it", " beside it, of which the same is known", " with constants of this class"}
	codes := make([][]string, len(where))
	for _, o := range of {
		n := 3
		switch {
		case isName(v.Mutant):
			n = 4
		case v.Proof != nil:
			n = 0
		case o.Mutant.Edit.Span == v.Mutant.Edit.Span:
			n = 1
		case holds(v.Mutant, o.Mutant):
			n = 2
		}
		codes[n] = append(codes[n], p.code[o.Mutant.ID])
	}
	var parts []string
	for n, list := range codes {
		if list != nil {
			parts = append(parts, count(len(list), "more")+where[n]+": "+strings.Join(list, ", "))
		}
	}
	return strings.Join(parts, "; ")
}
