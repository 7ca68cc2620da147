package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// An adviser says what to fix first: which functions, and of each which changes
// tell most about what its tests lack.
type adviser struct {
	gaps   []gap // as gaps gives them
	worths *worths
	killed map[*mutate.Operator]float64
}

func adviserOf(r *mutate.Result) *adviser {
	a := &adviser{gaps: gaps(r), worths: worthsOf(r), killed: map[*mutate.Operator]float64{}}
	by := map[*mutate.Operator]*mutate.Score{}
	for _, v := range r.Verdicts {
		s := by[v.Mutant.Op]
		if s == nil {
			s = &mutate.Score{}
			by[v.Mutant.Op] = s
		}
		s.Add(v)
	}
	for op, s := range by {
		// One killed and one not are added, so that a single mutant decides little.
		a.killed[op] = float64(s.Killed+s.TimedOut+1) / float64(s.Counted()+2)
	}
	return a
}

// telling gives at most n survivors of a gap: first those that are worth most, of
// these those of operators whose mutants the tests kill nearly everywhere else in
// this result, for there a survivor is the exception. No two are of the same operator, and none of the
// same line, as long as there are others.
func (a *adviser) telling(g gap, n int) []mutate.Verdict {
	vs := slices.Clone(g.Verdicts)
	slices.SortStableFunc(vs, func(x, y mutate.Verdict) int {
		return cmp.Or(a.worths.compare(x, y), cmp.Compare(a.killed[y.Mutant.Op], a.killed[x.Mutant.Op]))
	})
	var out []mutate.Verdict
	take := func(alike func(x, y *mutate.Mutant) bool) {
		for _, v := range vs {
			if len(out) == n {
				return
			}
			if !slices.ContainsFunc(out, func(o mutate.Verdict) bool { return alike(o.Mutant, v.Mutant) }) {
				out = append(out, v)
			}
		}
	}
	take(func(x, y *mutate.Mutant) bool { return x.Op == y.Op || x.Line == y.Line })
	take(func(x, y *mutate.Mutant) bool { return x.Op == y.Op })
	take(func(x, y *mutate.Mutant) bool { return x == y })
	slices.SortStableFunc(out, func(x, y mutate.Verdict) int { return cmp.Compare(x.Mutant.Line, y.Mutant.Line) })
	return out
}

// example is a survivor to try a command on: the first that is told. There must
// be one.
func (a *adviser) example() *mutate.Mutant {
	i := slices.IndexFunc(a.gaps, func(g gap) bool { return g.Status == mutate.Survived })
	return a.telling(a.gaps[i], 1)[0].Mutant
}

// lines says in which lines the mutants of a gap are.
func (g gap) lines() string {
	first, last := g.first().Line, g.first().Line
	for _, v := range g.Verdicts {
		first, last = min(first, v.Mutant.Line), max(last, v.Mutant.Line)
	}
	if first == last {
		return fmt.Sprintf("line %d", first)
	}
	return fmt.Sprintf("lines %d to %d", first, last)
}

// shortWhere is where a mutant is, without namespaces.
func shortWhere(m *mutate.Mutant) string {
	base := func(s string) string { return s[strings.LastIndexByte(s, '\\')+1:] }
	switch {
	case m.Class != "" && m.Function != "":
		return base(m.Class) + "::" + base(m.Function)
	case m.Class != "":
		return base(m.Class)
	case m.Function != "":
		return base(m.Function)
	}
	return m.Source.Path
}

// snippets gives an edit with some of the code around it, before and after,
// each of at most width characters and on one line; after is "" where
// something is only taken out.
func snippets(m *mutate.Mutant, width int) (before, after string) {
	b, a := snippetParts(m, width)
	return strings.TrimSpace(b[0] + b[1] + b[2]), strings.TrimSpace(a[0] + a[1] + a[2])
}

// snippetParts is snippets in three parts each: what stands before the edit,
// its text, what stands behind it.
func snippetParts(m *mutate.Mutant, width int) (before, after [3]string) {
	src, e := m.Source.Text, m.Edit
	if max(e.Len(), len(e.New)) > width/2 {
		e = narrow(m) // or what differs might not be in the part that is shown
	}
	left := strings.TrimLeft(string(src[lineStart(src, e.Start):e.Start]), " \t")
	right := strings.TrimRight(string(src[e.End:lineEnd(src, e.End)]), "\r\n \t")
	was := string(src[e.Start:e.End])
	if removal(m) && (strings.TrimSpace(left) == "" || len(was) > width/2) {
		return excerptOf("", flat(was), "", width, 0), [3]string{}
	}
	old, now := flatEdges(was), flatEdges(e.New)
	most := max(len([]rune(visible(old))), len([]rune(visible(now))))
	return excerptOf(left, old, right, width, most), excerptOf(left, now, right, width, most)
}

// narrow gives an edit without what both of its texts begin and end with, as
// far as no word is cut.
func narrow(m *mutate.Mutant) mutate.Edit {
	e := m.Edit
	old, new := m.Before(), e.New
	if removal(m) {
		return e
	}
	n := 0
	for n < len(old) && n < len(new) && old[n] == new[n] {
		n++
	}
	for n > 0 && (inWord(old, n) || inWord(new, n)) {
		n--
	}
	old, new = old[n:], new[n:]
	k := 0
	for k < len(old) && k < len(new) && old[len(old)-1-k] == new[len(new)-1-k] {
		k++
	}
	for k > 0 && (inWord(old, len(old)-k) || inWord(new, len(new)-k)) {
		k--
	}
	return mutate.Edit{Span: syntax.Span{Start: e.Start + n, End: e.End - k}, New: new[:len(new)-k]}
}

// inWord reports whether bytes of one name, number, operator or character are
// on both sides of an offset.
func inWord(s string, at int) bool {
	if at <= 0 || at >= len(s) {
		return false
	}
	name := func(c byte) bool {
		return c == '_' || c == '$' || c >= 0x80 || '0' <= c && c <= '9' || 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z'
	}
	operator := func(c byte) bool { return strings.IndexByte("<>=!&|+-*/%^~?:.", c) >= 0 }
	a, b := s[at-1], s[at]
	return name(a) && name(b) || operator(a) && operator(b)
}

// flatEdges is flat that keeps a blank at either end.
func flatEdges(s string) string {
	out := flat(s)
	if out == "" {
		return ""
	}
	if strings.TrimLeft(s, " \t\r\n") != s {
		out = " " + out
	}
	if strings.TrimRight(s, " \t\r\n") != s {
		out += " "
	}
	return out
}

// excerptOf puts a text between what stands before and behind it, of which it
// leaves as much as fits, in whole words where that is possible. Where two texts
// are to be compared, most is the length of the longer one, in characters, so
// that both begin at the same place.
func excerptOf(left, mid, right string, width, most int) [3]string {
	left, mid, right = visible(left), visible(mid), visible(right)
	l, m, r := []rune(left), []rune(mid), []rune(right)
	if len(m) > width {
		return [3]string{"", strings.TrimSpace(string(m[:max(0, width-1)])) + "…", ""}
	}
	room := max(0, width-max(len(m), most))
	keepLeft := min(len(l), max(room/2, room-len(r)))
	keepRight := min(len(r), width-len(m)-keepLeft)
	if keepLeft < len(l) {
		at := len(l) - max(0, keepLeft-1)
		for i := at; i < len(l) && i < at+keepLeft; i++ {
			if !inWord(left, len(string(l[:i]))) {
				at = i
				break
			}
		}
		left = "…" + strings.TrimLeft(string(l[at:]), " ")
	}
	if keepRight < len(r) {
		at := max(0, keepRight-1)
		for i := at; i > 0; i-- {
			if !inWord(right, len(string(r[:i]))) {
				at = i
				break
			}
		}
		right = strings.TrimRight(string(r[:at]), " ") + "…"
	}
	return [3]string{left, mid, right}
}
