package operators

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

var registered []*mutate.Operator

// register adds operators to the list. What holds for all of them is seen to
// here: Kinds are those of named nodes ("string" is a literal, not the word in
// a declaration), and attributes are data for others to read, never changed.
func register(ops ...*mutate.Operator) {
	for _, op := range ops {
		op.Apply = outsideAttributes(op.Apply)
	}
	registered = append(registered, ops...)
}

func outsideAttributes(apply applyFunc) applyFunc {
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		if !n.Named {
			return nil
		}
		edits := apply(f, n)
		if len(edits) > 0 && inAttribute(f, n) {
			return nil
		}
		return edits
	}
}

type attributesKey struct{}

// inAttribute reports whether a node is in an attribute. Few files have any, so they are
// looked for once, from above.
func inAttribute(f *syntax.File, n *syntax.Node) bool {
	lists := f.Memo(attributesKey{}, func() any {
		var lists []syntax.Span
		f.Walk(func(n *syntax.Node) bool {
			if n.Kind == "attribute_list" {
				lists = append(lists, n.Span)
			}
			return n.Kind != "attribute_list"
		})
		return lists
	}).([]syntax.Span)
	i := sort.Search(len(lists), func(i int) bool { return lists[i].End >= n.End })
	return i < len(lists) && lists[i].Contains(n.Span) && lists[i] != n.Span
}

// All gives every operator, sorted by ID, so that the order of files and of
// init functions cannot matter.
func All() []*mutate.Operator {
	out := slices.Clone(registered)
	slices.SortFunc(out, func(a, b *mutate.Operator) int { return strings.Compare(a.ID, b.ID) })
	return out
}

// Breadth gives the operators of a breadth: "wide" is all of them everywhere;
// "core" leaves out those that are Wide, and the edits of the others at places
// that only serve logs and messages (see quiet.go).
func Breadth(name string) ([]*mutate.Operator, error) {
	switch name {
	case "wide":
		return All(), nil
	case "core":
		var out []*mutate.Operator
		for _, op := range All() {
			if !op.Wide {
				loud := *op
				loud.Apply = unlessQuiet(op.Apply)
				out = append(out, &loud)
			}
		}
		return out, nil
	}
	return nil, fmt.Errorf("breadth %q is not known; there are core and wide", name)
}

// applyFunc is the form of Operator.Apply.
type applyFunc = func(*syntax.File, *syntax.Node) []mutate.Edit

// one is the single edit that replaces a node by text.
func one(n *syntax.Node, text string) []mutate.Edit {
	return []mutate.Edit{{Span: n.Span, New: text}}
}

// remove is the single edit that takes a span out.
func remove(start, end int) []mutate.Edit {
	return []mutate.Edit{{Span: syntax.Span{Start: start, End: end}}}
}

// operatorOf gives the operator token of a binary, unary, update or compound
// assignment expression, or nil.
func operatorOf(n *syntax.Node) *syntax.Node {
	if op := n.Child("operator"); op != nil {
		return op
	}
	for _, c := range n.Children {
		if !c.Named {
			return c
		}
	}
	return nil
}

// operatorText is the operator in lower case ("and", "instanceof", "+").
func operatorText(f *syntax.File, n *syntax.Node) string {
	return strings.ToLower(f.Text(operatorOf(n)))
}
