package mutate

import (
	"bytes"
	"crypto/sha256"

	"assay/mutate/syntax"
)

// units gives the fingerprints of what mutants are in; each is made once.
type units struct {
	file   *syntax.File
	prints map[*syntax.Node]string
}

// of gives the fingerprint for a node; see [Mutant.Unit].
func (u *units) of(n *syntax.Node, scope syntax.Scope) string {
	holder := scope.Func
	if holder == nil {
		holder = declarationOf(n)
	}
	print, ok := u.prints[holder]
	if !ok {
		print = fingerprint(u.file, holder)
		u.prints[holder] = print
	}
	return print
}

// declarationOf gives the member of a class, or the statement outside of
// functions, that holds a node.
func declarationOf(n *syntax.Node) *syntax.Node {
	for p := n; p.Parent != nil; p = p.Parent {
		if p.Parent.Is("declaration_list", "enum_declaration_list", "program") || (p.Parent.Kind == "compound_statement" && p.Parent.Parent.Is("namespace_definition")) {
			return p
		}
	}
	return n
}

const unitLetters = 10 // of 5 bits each

// fingerprint is made of the code of a node: its layout and its comments do
// not enter, the texts of its strings do to the byte.
func fingerprint(f *syntax.File, n *syntax.Node) string {
	h := sha256.New()
	at := n.Start
	put := func(text []byte) {
		h.Write(text)
		h.Write([]byte{0})
	}
	n.Walk(func(x *syntax.Node) bool {
		whole := len(x.Children) == 0 || x.Is("string", "encapsed_string", "heredoc", "nowdoc", "shell_command_expression", "text", "comment")
		if !whole || x.Start < at {
			return !whole
		}
		if gap := bytes.TrimSpace(f.Src[at:x.Start]); len(gap) > 0 {
			put(gap) // what the grammar gives no node
		}
		if x.Kind != "comment" && x.Len() > 0 {
			put(f.Src[x.Start:x.End])
		}
		at = x.End
		return false
	})
	put(bytes.TrimSpace(f.Src[min(at, n.End):n.End]))
	return code.EncodeToString(h.Sum(nil))[:unitLetters]
}
