package report

import (
	"cmp"
	"slices"
	"strings"

	"assay/mutate"
)

// A block is the changes that were made to the same lines of one function.
type block struct {
	Verdicts []mutate.Verdict // by position, at least one
	First    int              // 1-based, the first line that is changed
	Lines    int              // how many
}

func (b block) first() *mutate.Mutant { return b.Verdicts[0].Mutant }

// blocks groups verdicts of one function by the lines that they change; in the
// order of the lines.
func blocks(vs []mutate.Verdict) []block {
	index := map[[2]int]int{}
	var out []block
	for _, v := range vs {
		h := hunkOf(v.Mutant, 0)
		key := [2]int{h.OldStart, h.OldLines}
		i, ok := index[key]
		if !ok {
			i = len(out)
			index[key] = i
			out = append(out, block{First: h.OldStart, Lines: h.OldLines})
		}
		out[i].Verdicts = append(out[i].Verdicts, v)
	}
	slices.SortStableFunc(out, func(a, b block) int { return cmp.Or(cmp.Compare(a.First, b.First), cmp.Compare(a.Lines, b.Lines)) })
	return out
}

// hunkOf is Diff for a mutant. It looks at no more of the file than it shows:
// many thousands are asked for. Where all that the change leaves of its lines
// is the ";" that stands for a statement which is left out, nothing is put in.
func hunkOf(m *mutate.Mutant, context int) Hunk {
	src, e := m.Source.Text, m.Edit
	from, to := lineStart(src, e.Start), lineEnd(src, e.End)
	line := m.Line
	for range context {
		if from > 0 {
			from = lineStart(src, from-1)
			line--
		}
		to = lineEnd(src, to)
	}
	e.Start, e.End = e.Start-from, e.End-from
	h := Diff(src[from:to], e, context)
	h.OldStart, h.NewStart = h.OldStart+line-1, h.NewStart+line-1
	if leftOut(h) {
		h.Lines = slices.DeleteFunc(h.Lines, func(l DiffLine) bool { return l.Sign == '+' })
	}
	return h
}

// leftOut reports whether a change puts nothing in place of its lines but what
// PHP takes for an empty statement.
func leftOut(h Hunk) bool {
	for _, l := range h.Lines {
		if l.Sign == '+' && strings.Trim(l.Text, " \t\r;") != "" {
			return false
		}
	}
	return true
}

// removal reports whether an edit takes something out and puts nothing in its
// place: no more than the ";" that stands for a statement.
func removal(m *mutate.Mutant) bool {
	return m.Edit.New == "" || m.Edit.New == ";" && strings.HasSuffix(m.Before(), ";")
}

// codes gives for each ID the part at its end by which assay inspect and the
// other commands find the mutant; the whole ID where others end alike.
func codes(r *mutate.Result) map[string]string {
	end := func(id string) string { return id[strings.LastIndexByte(id, '.')+1:] }
	n := map[string]int{}
	for _, v := range r.Verdicts {
		n[end(v.Mutant.ID)]++
	}
	out := make(map[string]string, len(r.Verdicts))
	for _, v := range r.Verdicts {
		id := v.Mutant.ID
		if out[id] = end(id); n[out[id]] > 1 {
			out[id] = id
		}
	}
	return out
}
