package syntax

import (
	"context"
	"slices"
	"sort"
	"strings"
)

// A mend makes the tree of a masked text that of the text itself, at one place.
type mend struct {
	Span        // what was masked
	what string // for people, where the tree is not what it has to be
	do   func(*File) bool
}

// mendAll mends a tree and gives what it could not. What was hidden last is put
// back first, since it may hold what was hidden before; what is done to nodes
// comes when all of them are there.
func (f *File) mendAll(mends []mend) (failed []mend) {
	for _, m := range slices.Backward(mends) {
		if f.ctx.Err() != nil || !m.do(f) {
			failed = append(failed, m)
		}
	}
	return failed
}

// around gives the smallest node with text that holds a span, or the root.
func (f *File) around(s Span) *Node {
	n := f.Root
	for {
		c := n.Holding(s)
		if c == nil {
			return n
		}
		n = c
	}
}

// holding gives the smallest node of one of the kinds that holds an offset, or nil.
func (f *File) holding(offset int, kinds ...string) *Node {
	n := f.At(offset)
	if n == nil || n.Is(kinds...) {
		return n
	}
	return n.Up(kinds...)
}

// starting gives the outermost node of one of the kinds that begins at an offset,
// or nil.
func (f *File) starting(offset int, kinds ...string) *Node {
	n := f.Root
	for n != nil && !(n.Start == offset && n.Is(kinds...)) {
		n = n.childOver(offset)
	}
	return n
}

// leaf makes a node of a token.
func leaf(kind string, named bool, s Span) *Node { return &Node{Kind: kind, Named: named, Span: s} }

// adopt makes nodes the children of n, in their order in the text, and widens what
// encloses them.
func (n *Node) adopt(children []*Node) {
	sort.SliceStable(children, func(i, j int) bool { return children[i].Start < children[j].Start })
	n.Children = children
	for i, c := range children {
		c.Parent, c.Index = n, i
	}
	if len(children) == 0 {
		return
	}
	start, end := children[0].Start, children[len(children)-1].End
	n.Start, n.End = min(n.Start, start), max(n.End, end)
	n.takeComments()
	for p := n.Parent; p != nil && !p.Contains(n.Span); p = p.Parent {
		p.Start, p.End = min(p.Start, n.Start), max(p.End, n.End)
	}
}

// takeComments makes comments children of n that stand beside it, and in its span.
func (n *Node) takeComments() {
	if n.Parent == nil {
		return
	}
	var theirs, ours []*Node
	for _, c := range n.Parent.Children {
		if c != n && c.Kind == "comment" && n.Contains(c.Span) {
			ours = append(ours, c)
		} else {
			theirs = append(theirs, c)
		}
	}
	if len(ours) > 0 {
		n.Parent.adopt(theirs)
		n.add(ours...)
	}
}

// add puts further children among those of n.
func (n *Node) add(children ...*Node) { n.adopt(append(slices.Clone(n.Children), children...)) }

// replace puts a node in the place of n.
func (n *Node) replace(by *Node) {
	by.Parent, by.Index, by.Field = n.Parent, n.Index, n.Field
	n.Parent.Children[n.Index] = by
}

// A fragment is a piece of the masked text that the grammar reads in other
// surroundings.
type fragment struct {
	Span
	text          []byte // of that length
	before, after string
}

// read gives the node of a fragment that pick picks from its tree, with spans that
// hold for the file; nil where the grammar does not read the fragment.
func (x fragment) read(pick func(root *Node) *Node) *Node {
	root, err := treeOf(context.Background(), "", slices.Concat([]byte(x.before), x.text, []byte(x.after)))
	if err != nil {
		return nil
	}
	sound, shift := true, x.Start-len(x.before)
	root.Walk(func(n *Node) bool {
		sound = sound && !n.Bad
		n.Start, n.End = n.Start+shift, n.End+shift
		return true
	})
	if !sound {
		return nil
	}
	n := pick(root)
	if n == nil || !x.Contains(n.Span) {
		return nil
	}
	n.Parent = nil
	return n
}

// hide has the grammar see text in the place of a span, which is read by itself.
func (m *masker) hide(s Span, before, after, text string) fragment {
	x := fragment{Span: s, text: slices.Clone(m.out[s.Start:s.End]), before: before, after: after}
	for i := s.Start; i < s.End; i++ {
		m.out[i] = ' '
	}
	m.put(s.Start, text)
	return x
}

// statement picks the first statement of a fragment.
func statement(root *Node) *Node {
	for _, c := range root.NamedChildren() {
		if c.Kind != "php_tag" {
			return c
		}
	}
	return nil
}

// expression picks the expression that is the first statement of a fragment.
func expression(root *Node) *Node {
	if s := statement(root); s.Is("expression_statement") && len(s.NamedChildren()) == 1 {
		return s.NamedChildren()[0]
	}
	return nil
}

// modifierNode makes the node of a modifier as the grammar does.
func modifierNode(kind string, words []Span, texts []string) *Node {
	n := leaf(kind, true, Span{words[0].Start, words[len(words)-1].End})
	if kind != "visibility_modifier" {
		return n
	}
	n.Field = "visibility"
	var parts []*Node
	for i, w := range words {
		part := leaf(strings.ToLower(texts[i]), false, w)
		if i == 2 { // the word in "private(set)"
			part.Kind, part.Named = "operation", true
		}
		parts = append(parts, part)
	}
	n.adopt(parts)
	return n
}
