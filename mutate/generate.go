package mutate

import (
	"cmp"
	"slices"
	"strings"

	"assay/mutate/syntax"
)

// Generate makes the mutants of one file, in source order, each change once:
// where two operators make the same text, the first by ID keeps it. points may
// be nil; then every mutant is FileLevel. Pure, and none where the context of the
// file has ended; see File.Err.
//
// IDs are unique within the file; use Disambiguate over a whole project.
func Generate(f *syntax.File, src *Source, ops []*Operator, points *Points) []*Mutant {
	all := findEdits(f, ops)
	seen := map[Edit]string{} // change => the first operator that makes it
	for _, x := range all {
		k := reduced(f.Src, x.edit)
		if id, ok := seen[k]; !ok || x.op.ID < id {
			seen[k] = x.op.ID
		}
	}
	var ms []*Mutant
	within := units{f, map[*syntax.Node]string{}}
	places := newPlacer(f)
	for i, x := range all {
		if i%64 == 0 && f.Err() != nil {
			return nil
		}
		k := reduced(f.Src, x.edit)
		if seen[k] != x.op.ID {
			continue
		}
		seen[k] = "\x00" // taken
		line, column := f.Position(x.edit.Start)
		scope := f.Scope(x.node)
		m := &Mutant{Op: x.op, Source: src, Edit: x.edit, Line: line, Column: column,
			Class: scope.Class, Function: scope.Function}
		if scope.Class == "" && scope.Function != "" {
			m.Function = scope.String()
		}
		m.Unit, m.Begin = within.of(x.node, scope), x.edit.Start
		if strings.HasSuffix(x.node.Kind, "_statement") {
			m.Begin = x.node.Start
		}
		if points != nil {
			m.locate(holder(x.node, x.edit.Span), points, places)
		}
		ms = append(ms, m)
	}
	if points != nil {
		points.breaks = places.breaks
	}
	identify(ms)
	return ms
}

// found is an edit that an operator makes at a node.
type found struct {
	op   *Operator
	node *syntax.Node
	edit Edit
}

// findEdits gives what the operators make of a file, in source order.
func findEdits(f *syntax.File, ops []*Operator) []found {
	byKind := map[string][]*Operator{}
	for _, op := range ops {
		for _, k := range op.Kinds {
			byKind[k] = append(byKind[k], op)
		}
	}
	var all []found
	f.Walk(func(n *syntax.Node) bool {
		if n.Bad {
			return true
		}
		for _, op := range byKind[n.Kind] {
			if f.Err() != nil {
				return false
			}
			for _, e := range op.Apply(f, n) {
				if usable(f, e) {
					all = append(all, found{op, n, e})
				}
			}
		}
		return true
	})
	slices.SortStableFunc(all, func(a, b found) int {
		return cmp.Or(a.edit.Start-b.edit.Start, a.edit.End-b.edit.End, strings.Compare(a.op.ID, b.op.ID), strings.Compare(a.edit.New, b.edit.New))
	})
	return all
}

// holder gives the smallest node around an edit: an operator may have been
// called for a node and change something beside it.
func holder(n *syntax.Node, s syntax.Span) *syntax.Node {
	for n.Parent != nil && !n.Contains(s) {
		n = n.Parent
	}
	for {
		c := n.Holding(s)
		if c == nil {
			return n
		}
		n = c
	}
}

// usable refuses edits that change nothing, or reach into what cannot be read.
func usable(f *syntax.File, e Edit) bool {
	if e.Start < 0 || e.End < e.Start || e.End > len(f.Src) || string(f.Src[e.Start:e.End]) == e.New {
		return false
	}
	for _, d := range f.Damage {
		if d.Overlaps(e.Span) {
			return false
		}
	}
	return true
}

// reduced is an edit without the bytes that it leaves as they are, so that the
// same change made in two ways is seen to be the same.
func reduced(src []byte, e Edit) Edit {
	old, text := src[e.Start:e.End], e.New
	for len(old) > 0 && len(text) > 0 && old[0] == text[0] {
		old, text = old[1:], text[1:]
		e.Start++
	}
	for len(old) > 0 && len(text) > 0 && old[len(old)-1] == text[len(text)-1] {
		old, text = old[:len(old)-1], text[:len(text)-1]
		e.End--
	}
	e.New = text
	return e
}

// Disambiguate makes IDs unique over the files of a project, by the path of
// the file where two are alike. ms must be in the order of Sort.
func Disambiguate(ms []*Mutant) {
	byID := map[string][]*Mutant{}
	for _, m := range ms {
		byID[m.ID] = append(byID[m.ID], m)
	}
	for _, same := range byID {
		if len(same) < 2 {
			continue
		}
		for _, m := range same {
			m.ID = shellSafe(strings.TrimSuffix(strings.ReplaceAll(m.Source.Path, "/", "."), ".php")) + "." + m.ID
		}
	}
}

// Sort orders mutants by path, place and ID: the order of every list and file.
func Sort(ms []*Mutant) {
	slices.SortFunc(ms, func(a, b *Mutant) int {
		return cmp.Or(strings.Compare(a.Source.Path, b.Source.Path), a.Edit.Start-b.Edit.Start,
			a.Edit.End-b.Edit.End, strings.Compare(a.ID, b.ID))
	})
}
