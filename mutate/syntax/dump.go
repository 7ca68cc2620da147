package syntax

import (
	"fmt"
	"strings"
)

// dumpText bounds how many bytes of a leaf's text Dump shows.
const dumpText = 40

// Dump writes the named nodes of a tree, one a line, indented by depth:
//
//	binary_expression 1:7-1:14 [+]
//	  left: integer 1:7-1:9 "12"
//
// Positions are 1-based lines and columns in bytes; the end is exclusive.
// Leaves show their text, others the operators and keywords between their
// children. "BAD" marks nodes not to be changed. It is for tests and for
// looking at a file, and its form may change.
func (f *File) Dump(n *Node) string {
	var b strings.Builder
	depth := map[*Node]int{n: 0}
	n.Walk(func(n *Node) bool {
		if !n.Named {
			return false
		}
		f.dumpLine(&b, n, depth[n])
		for _, c := range n.Children {
			depth[c] = depth[n] + 1
		}
		return true
	})
	return b.String()
}

func (f *File) dumpLine(b *strings.Builder, n *Node, depth int) {
	b.WriteString(strings.Repeat("  ", depth))
	if n.Field != "" {
		b.WriteString(n.Field + ": ")
	}
	line, col := f.Position(n.Start)
	endLine, endCol := f.Position(n.End)
	fmt.Fprintf(b, "%s %d:%d-%d:%d", n.Kind, line, col, endLine, endCol)
	var words []string
	for _, c := range n.Children {
		if !c.Named {
			words = append(words, f.Text(c))
		}
	}
	switch {
	case len(n.Children) == 0:
		text := f.Text(n)
		if len(text) > dumpText {
			text = text[:dumpText] + "..."
		}
		fmt.Fprintf(b, " %q", text)
	case len(words) > 0:
		fmt.Fprintf(b, " [%s]", strings.Join(words, " "))
	}
	if n.Bad {
		b.WriteString(" BAD")
	}
	b.WriteByte('\n')
}
