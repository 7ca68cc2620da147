package syntax

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"strings"
	"sync"

	sitter "github.com/smacker/go-tree-sitter"
	tsphp "github.com/tree-sitter/tree-sitter-php/bindings/go"
)

// A File is one PHP file and its tree. It is read-only after Parse, but for Memo.
// Where the context that it was read in ends, what goes through all of it ends, too,
// and Err says so: what came out is not whole then.
type File struct {
	Path   string // as given to Parse; relative to the project, with "/"
	Src    []byte // the bytes as given
	Root   *Node  // kind "program"
	Damage []Damage
	Doubts []Damage // regions that are not to be changed in part; as a whole they are read
	lines  []int
	halt   int // offset of the __halt_compiler statement, or len(Src)
	ctx    context.Context
	memos  sync.Map
}

// Memo gives what make has made for a key, once. Each use has a type of keys of its own.
func (f *File) Memo(key any, make func() any) any {
	if v, ok := f.memos.Load(key); ok {
		return v
	}
	v, _ := f.memos.LoadOrStore(key, make())
	return v
}

// Err is nil as long as the context of the file has not ended.
func (f *File) Err() error { return f.ctx.Err() }

// walkSteps is how many nodes are visited between two looks at the context.
const walkSteps = 1024

// Walk is Node.Walk for the whole tree. It ends early when the context does; see Err.
func (f *File) Walk(visit func(*Node) bool) {
	steps, ended := 0, false
	f.Root.Walk(func(n *Node) bool {
		if steps++; steps%walkSteps == 0 {
			ended = ended || f.ctx.Err() != nil
		}
		return !ended && visit(n)
	})
}

// Damage is a region that could not be read or is not to be changed.
type Damage struct {
	Span
	Reason string // for people: "syntax error", "clone with arguments"
}

// Text is the source text of a node.
func (f *File) Text(n *Node) string {
	if n == nil {
		return ""
	}
	return string(f.Src[n.Start:n.End])
}

// MaxDepth bounds how deep a tree may nest before its file is refused: deeper
// code is generated, and PHP itself gives up on it.
const MaxDepth = 20_000

// parseLimit is in microseconds of work. (A parser whose context has ended is of no
// use any more; each text has one of its own.)
const parseLimit = 600_000_000

var (
	language     = sitter.NewLanguage(tsphp.LanguagePHP())
	selfTestOnce sync.Once
	selfTestErr  error
)

// selfTest catches a grammar that the runtime does not accept: setting it
// fails without a word.
func selfTest() error {
	selfTestOnce.Do(func() {
		p := sitter.NewParser()
		defer p.Close()
		p.SetLanguage(language)
		t, err := p.ParseCtx(context.Background(), nil, []byte("<?php class A { public int $x { get => 1; } }"))
		if err != nil {
			selfTestErr = fmt.Errorf("the PHP grammar does not load: %w", err)
			return
		}
		defer t.Close()
		if r := t.RootNode(); r.Type() != "program" || r.HasError() {
			selfTestErr = fmt.Errorf("the PHP grammar does not read its own sample (root %q)", r.Type())
		}
	})
	return selfTestErr
}

// MaxSize is how long a text may be, in bytes. Longer ones are made by programs, and
// take gigabytes to read.
const MaxSize = 4 << 20

// Parse reads one file. An error means that there is no tree at all (the
// grammar does not load, the text is longer than MaxSize or nests deeper than
// MaxDepth); a syntax error in the text is no error but an entry in File.Damage.
func Parse(path string, src []byte) (*File, error) {
	return ParseContext(context.Background(), path, src)
}

// ParseContext is Parse within a context, which the file keeps. The error is the
// context's where that ends first.
func ParseContext(ctx context.Context, path string, src []byte) (*File, error) {
	return parse(ctx, path, src, src, nil)
}

const (
	syntaxReason = "syntax error, or syntax newer than the grammar"
	syntaxOf     = " in a place where the grammar does not take it"
)

// parse reads text, which has the length of src, and gives a File of src whose tree
// is mended.
func parse(ctx context.Context, path string, src, text []byte, mends []mend) (*File, error) {
	if err := cmp.Or(ctx.Err(), selfTest()); err != nil {
		return nil, err
	}
	if len(src) > MaxSize {
		return nil, fmt.Errorf("%s: has %d MB, and files of more than %d MB are not read; exclude the file", path, len(src)>>20, MaxSize>>20)
	}
	f := &File{Path: path, Src: src, lines: lineStarts(src), ctx: ctx}
	var err error
	if f.Root, err = treeOf(ctx, path, text); err != nil {
		return nil, err
	}
	failed := f.mendAll(mends)
	f.findDamage()
	f.settle()
	for _, m := range failed {
		f.damage(f.around(m.Span), m.Span, m.what+syntaxOf)
	}
	if len(failed) > 0 {
		f.spreadDamage()
	}
	f.halt = f.findHalt()
	f.markDoubtful()
	return f, ctx.Err()
}

// treeOf gives the grammar's tree of a text.
func treeOf(ctx context.Context, path string, text []byte) (*Node, error) {
	p := sitter.NewParser()
	defer p.Close()
	p.SetLanguage(language)
	p.SetOperationLimit(parseLimit)
	t, err := p.ParseCtx(ctx, nil, text)
	if err != nil {
		return nil, fmt.Errorf("%s: cannot be parsed: %w", path, err)
	}
	defer t.Close()
	return copyTree(ctx, t, path)
}

// copyTree makes plain nodes of the parser's, which die with their tree.
func copyTree(ctx context.Context, t *sitter.Tree, path string) (*Node, error) {
	c := sitter.NewTreeCursor(t.RootNode())
	defer c.Close()
	var root, parent *Node
	depth := 0
	kinds := map[string]string{} // one string a kind, not one a node
	for steps := 1; ; steps++ {
		if steps%walkSteps == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		sn := c.CurrentNode()
		n := newNode(sn, c.CurrentFieldName(), kinds)
		if parent == nil {
			root = n
		} else {
			n.Parent, n.Index = parent, len(parent.Children)
			parent.Children = append(parent.Children, n)
		}
		// Below "primitive_type" is only the keyword, whose kind ("string",
		// "float", "null") would pass for a literal's.
		if n.Kind != "primitive_type" && c.GoToFirstChild() {
			parent = n
			if depth++; depth > MaxDepth {
				return nil, fmt.Errorf("%s: nests deeper than %d levels; exclude the file", path, MaxDepth)
			}
			continue
		}
		for !c.GoToNextSibling() {
			if !c.GoToParent() {
				return root, nil
			}
			if depth--; parent != nil {
				parent = parent.Parent
			}
		}
	}
}

func newNode(sn *sitter.Node, field string, kinds map[string]string) *Node {
	kind := sn.Type()
	if k, ok := kinds[kind]; ok {
		kind = k
	} else {
		kinds[kind] = kind
	}
	return &Node{
		Kind: kind, Field: field, Named: sn.IsNamed(),
		Bad:  sn.IsError() || sn.IsMissing(),
		Span: Span{int(sn.StartByte()), int(sn.EndByte())},
	}
}

// findDamage lists the outermost unreadable regions and marks every node that
// holds one, from the enclosing statement inwards: what an edit means is not
// known there. Declarations further out stay usable.
func (f *File) findDamage() {
	f.Walk(func(n *Node) bool {
		if !n.Bad {
			return true
		}
		f.Damage = append(f.Damage, Damage{n.Span, syntaxReason})
		n.markAround()
		return false
	})
	if len(f.Damage) > 0 {
		f.spreadDamage()
	}
}

// markAround marks what encloses a damaged node, up to the nearest block.
func (n *Node) markAround() {
	for p := n.Parent; p != nil && p.Parent != nil; p = p.Parent {
		if p.Is("declaration_list", "enum_declaration_list", "compound_statement", "switch_block", "match_block") {
			return
		}
		p.Bad = true
	}
}

// spreadDamage marks what lies below a damaged node.
func (f *File) spreadDamage() {
	f.Walk(func(n *Node) bool {
		if n.Parent != nil && n.Parent.Bad && n.Parent.Parent != nil {
			n.Bad = true
		}
		return true
	})
}

// HaltOffset gives the offset of the __halt_compiler statement, or len(Src):
// nothing behind it is code.
func (f *File) HaltOffset() int { return f.halt }

// findHalt looks for the statement in the tree, since the same letters may
// name a constant or a method, or stand in a string.
func (f *File) findHalt() int {
	const word = "__halt_compiler"
	if !bytes.Contains(bytes.ToLower(f.Src), []byte(word)) {
		return len(f.Src)
	}
	at := len(f.Src)
	f.Walk(func(n *Node) bool {
		if n.Kind == "name" && n.Start < at && strings.EqualFold(f.Text(n), word) &&
			n.Parent.Is("function_call_expression", "ERROR") && n.Prev() == nil {
			at = n.Start
		}
		return n.Start < at
	})
	return at
}

// At gives the smallest node that holds the byte at offset, or nil.
func (f *File) At(offset int) *Node {
	if offset < f.Root.Start || offset >= f.Root.End {
		return nil
	}
	n := f.Root
	for {
		c := n.childOver(offset)
		if c == nil || c.Start > offset {
			return n
		}
		n = c
	}
}

// LeafFrom gives the first node without children that begins at or behind an
// offset and is no comment, or nil. Nodes without text do not count.
func (f *File) LeafFrom(offset int) *Node {
	var found *Node
	f.Walk(func(n *Node) bool {
		if found != nil || n.End <= offset {
			return false
		}
		if len(n.Children) == 0 && n.Start >= offset && n.Kind != "comment" {
			found = n
		}
		return true
	})
	return found
}
