package syntax

import "sort"

// A Node is one node of the tree, named or not. Kinds are those of
// tree-sitter-php 0.23: "binary_expression", "if_statement"; an anonymous node
// (a keyword, an operator, a bracket) has its own text as its kind.
//
// Nodes are read-only once Parse has returned.
type Node struct {
	Kind     string
	Field    string // the role in the parent ("left", "condition"), or ""
	Named    bool   // false for keywords and punctuation
	Bad      bool   // damaged, or not to be trusted: make no edit that needs it
	Span            // half-open byte offsets
	Parent   *Node  // nil for the root
	Children []*Node
	Index    int // position in Parent.Children
}

// Is reports whether the node has one of the kinds.
func (n *Node) Is(kinds ...string) bool {
	if n == nil {
		return false
	}
	for _, k := range kinds {
		if n.Kind == k {
			return true
		}
	}
	return false
}

// Child gives the first child with the field name, or nil.
func (n *Node) Child(field string) *Node {
	if n == nil {
		return nil
	}
	for _, c := range n.Children {
		if c.Field == field {
			return c
		}
	}
	return nil
}

// Fields gives every child with the field name.
func (n *Node) Fields(field string) []*Node {
	var out []*Node
	for _, c := range n.Children {
		if c.Field == field {
			out = append(out, c)
		}
	}
	return out
}

// First gives the first child of one of the kinds, or nil.
func (n *Node) First(kinds ...string) *Node {
	if n == nil {
		return nil
	}
	for _, c := range n.Children {
		if c.Is(kinds...) {
			return c
		}
	}
	return nil
}

// NamedChildren gives the named children without comments, in order.
func (n *Node) NamedChildren() []*Node {
	var out []*Node
	if n == nil {
		return nil
	}
	for _, c := range n.Children {
		if c.Named && c.Kind != "comment" {
			out = append(out, c)
		}
	}
	return out
}

// Next and Prev give the neighbouring sibling, comments left out, or nil.
func (n *Node) Next() *Node { return n.sibling(1) }

// Prev: see Next.
func (n *Node) Prev() *Node { return n.sibling(-1) }

func (n *Node) sibling(step int) *Node {
	if n.Parent == nil {
		return nil
	}
	for i := n.Index + step; i >= 0 && i < len(n.Parent.Children); i += step {
		if c := n.Parent.Children[i]; c.Kind != "comment" {
			return c
		}
	}
	return nil
}

// childOver gives the first child that ends behind an offset, or nil. Children that
// have no text do not count.
func (n *Node) childOver(offset int) *Node {
	i := sort.Search(len(n.Children), func(i int) bool { return n.Children[i].End > offset })
	for ; i < len(n.Children); i++ {
		if n.Children[i].Len() > 0 {
			return n.Children[i]
		}
	}
	return nil
}

// Holding gives the child that holds a span and has text, or nil. Of two that an empty
// span lies between it is the first.
func (n *Node) Holding(s Span) *Node {
	for _, offset := range [2]int{s.Start - 1, s.Start} {
		if c := n.childOver(offset); c != nil && c.Contains(s) {
			return c
		}
	}
	return nil
}

// Up gives the nearest ancestor (not the node itself) of one of the kinds, or nil.
func (n *Node) Up(kinds ...string) *Node {
	for p := n.Parent; p != nil; p = p.Parent {
		if p.Is(kinds...) {
			return p
		}
	}
	return nil
}

// Unwrapped gives the node inside any number of parentheses, or the node itself.
func (n *Node) Unwrapped() *Node {
	for n.Is("parenthesized_expression") {
		inner := n.NamedChildren()
		if len(inner) != 1 {
			return n
		}
		n = inner[0]
	}
	return n
}

// Walk calls visit for the node and everything below it, parents first, in
// source order. When visit returns false the node's children are left out.
// It does not recurse, so depth costs no stack.
func (n *Node) Walk(visit func(*Node) bool) {
	stack := []*Node{n}
	for len(stack) > 0 {
		top := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		if !visit(top) {
			continue
		}
		for i := len(top.Children) - 1; i >= 0; i-- {
			stack = append(stack, top.Children[i])
		}
	}
}
