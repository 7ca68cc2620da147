package operators

import (
	"bytes"
	"slices"

	"assay/mutate"
	"assay/mutate/syntax"
)

// sourceEdit puts text in the place of units[from:to], which must be written in
// one literal. ok is false when the literal would no longer be read as meant:
// a "$" that comes to stand before a letter, a backslash before a quote.
func (r *regex) sourceEdit(f *syntax.File, from, to int, text string) (edit mutate.Edit, ok bool) {
	lit := r.units[min(from, len(r.units)-1)].lit
	for _, u := range r.units[from:to] {
		if u.lit != lit || u.opaque {
			return edit, false
		}
	}
	if lit == nil {
		return edit, false
	}
	edit.Start, edit.New = r.units[from].Start, text
	edit.End = edit.Start
	if to > from {
		edit.End = r.units[to-1].End
	}
	var want, own []unit
	for i, u := range r.units {
		if u.lit != lit {
			continue
		}
		if i == from {
			for j := range len(text) {
				want = append(want, unit{b: text[j]})
			}
		}
		if i < from || i >= to {
			want = append(want, u)
		}
		own = append(own, u)
	}
	changed := edit
	changed.Start, changed.End = edit.Start-lit.Start, edit.End-lit.Start
	got := literalUnits(changed.Apply(bytes.Clone(f.Src[lit.Start:lit.End])))
	same := slices.EqualFunc(got, want, func(a, b unit) bool { return a.b == b.b && a.opaque == b.opaque })
	return edit, same && len(own) > 0
}

// literalUnits reads a literal that stands alone; nil when it is none.
func literalUnits(src []byte) []unit {
	g, err := syntax.Parse("", slices.Concat([]byte("<?php "), src, []byte(";")))
	if err != nil || len(g.Damage) > 0 || len(g.Root.Children) != 2 {
		return nil
	}
	inner := g.Root.Children[1].NamedChildren()
	if len(inner) != 1 || !inner[0].Is("string", "encapsed_string") {
		return nil
	}
	return patternUnits(g, inner[0])
}
