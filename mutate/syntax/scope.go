package syntax

import (
	"strconv"
	"strings"
)

// A Scope says where in the program a node stands.
type Scope struct {
	Namespace string // "Acme\\Ferry", without a leading backslash; "" for the global one
	Class     string // full name of the class, trait, enum or interface; "class@LINE" when anonymous; "" outside
	Function  string // name of the innermost named function or method; "" outside. Closures belong to what holds them
	Func      *Node  // that function's declaration, or nil
	ClassNode *Node  // that class's declaration, or nil
}

// String gives "Acme\Ferry\Fare::total", "Acme\fare" or "".
func (s Scope) String() string {
	switch {
	case s.Class != "" && s.Function != "":
		return s.Class + "::" + s.Function
	case s.Class != "":
		return s.Class
	case s.Function != "" && s.Namespace != "":
		return s.Namespace + `\` + s.Function
	}
	return s.Function
}

type scopeKey struct{ block *Node }

// Scope finds out where a node stands. What was found out for a block in a function
// holds for all that is in it, and is kept.
func (f *File) Scope(n *Node) Scope {
	s := Scope{Namespace: f.namespaceAt(n)}
	var blocks []*Node // that the node is in, and nothing else that counts
	for p := n; p != nil; p = p.Parent {
		if p.Kind == "compound_statement" && s.Func == nil && s.ClassNode == nil {
			if known, ok := f.memos.Load(scopeKey{p}); ok {
				s = known.(Scope)
				break
			}
			blocks = append(blocks, p)
		}
		switch p.Kind {
		case "method_declaration", "function_definition":
			if s.Func == nil && s.ClassNode == nil {
				s.Func, s.Function = p, f.Text(p.Child("name"))
			}
		case "property_hook":
			if s.Func == nil && s.ClassNode == nil {
				s.Func, s.Function = p, f.hookName(p)
			}
		case "class_declaration", "trait_declaration", "enum_declaration", "interface_declaration":
			if s.ClassNode == nil {
				s.ClassNode, s.Class = p, qualify(s.Namespace, f.Text(p.Child("name")))
			}
		case "anonymous_class":
			if s.ClassNode == nil {
				line, _ := f.Position(p.Start)
				s.ClassNode, s.Class = p, qualify(s.Namespace, "class@"+strconv.Itoa(line))
			}
		}
	}
	for _, b := range blocks {
		f.memos.Store(scopeKey{b}, s)
	}
	return s
}

// hookName gives "$price::set" for a property hook.
func (f *File) hookName(hook *Node) string {
	name := f.Text(hook.First("name"))
	if decl := hook.Up("property_declaration", "property_promotion_parameter"); decl != nil {
		if el := decl.First("property_element"); el != nil {
			return f.Text(el.Child("name")) + "::" + name
		}
		return f.Text(decl.Child("name")) + "::" + name
	}
	return name
}

func qualify(namespace, name string) string {
	if namespace == "" {
		return name
	}
	return namespace + `\` + name
}

// namespaceAt finds the namespace in force at a node: the braced one around
// it, or the last unbraced one before it.
func (f *File) namespaceAt(n *Node) string {
	name := ""
	for _, c := range f.namespaces() {
		if c.Start > n.Start {
			break
		}
		if c.Child("body") == nil || c.Span.Contains(n.Span) {
			name = strings.Join(strings.Fields(f.Text(c.Child("name"))), "")
		}
	}
	return name
}

type namespacesKey struct{}

// namespaces gives the file's namespace statements.
func (f *File) namespaces() []*Node {
	return f.Memo(namespacesKey{}, func() any {
		var out []*Node
		for _, c := range f.Root.Children {
			if c.Kind == "namespace_definition" {
				out = append(out, c)
			}
		}
		return out
	}).([]*Node)
}
