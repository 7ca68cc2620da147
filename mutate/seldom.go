package mutate

import (
	"strings"

	"assay/mutate/syntax"
)

// Kinds of changes whose survivors seldom show a gap of the tests, as Seldom names them. For
// each DEVELOPERS.md has how often a test was found in the field.
const (
	TableEntry  = "an entry of a large table"
	Preloading  = "the loading of a class before it is needed"
	SetValue    = "the value of an element whose key alone counts"
	TrimmedList = "the characters that are trimmed"
	ChunkSize   = "how much is read at a time"
	OwnMessage  = "the message of an exception that makes itself"
)

// largeTable is how many elements an array has to have to be a table that nobody tests entry
// by entry.
const largeTable = 40

// Seldom gives the kind of a change whose survivors seldom show a gap; "" for any other. f is
// the tree of its source; where it is nil or another text, the answer is "". Pure.
func Seldom(m *Mutant, f *syntax.File) string {
	if f == nil || m.Edit.Start < 0 || m.Edit.End > len(f.Src) {
		return ""
	}
	n := f.Root
	for c := n.Holding(m.Edit.Span); c != nil; c = c.Holding(m.Edit.Span) {
		n = c
	}
	for ; n != nil; n = n.Parent {
		switch {
		case n.Is("expression_statement") && isPreload(f, n):
			return Preloading
		case n.Is("array_creation_expression") && n.Span != m.Edit.Span && len(elementsOf(n)) >= largeTable:
			return TableEntry
		case n.Is("array_element_initializer") && isOfSet(f, n, m.Edit.Span):
			return SetValue
		case n.Is("argument"):
			if kind := seldomArgument(f, n); kind != "" {
				return kind
			}
		case n.Is("method_declaration", "function_definition", "anonymous_function", "arrow_function", "class_declaration"):
			return ""
		}
	}
	return ""
}

func elementsOf(array *syntax.Node) []*syntax.Node {
	var out []*syntax.Node
	for _, c := range array.NamedChildren() {
		if c.Is("array_element_initializer") {
			out = append(out, c)
		}
	}
	return out
}

// isOfSet reports whether a change is to the value of an element beside which all others have
// the same: 1, true or null.
func isOfSet(f *syntax.File, element *syntax.Node, changed syntax.Span) bool {
	value := func(e *syntax.Node) *syntax.Node {
		inner := e.NamedChildren()
		if len(inner) != 2 {
			return nil
		}
		return inner[1]
	}
	own := value(element)
	if own == nil || !own.Contains(changed) || !own.Is("boolean", "integer", "null") || !element.Parent.Is("array_creation_expression") {
		return false
	}
	all := elementsOf(element.Parent)
	for _, e := range all {
		if v := value(e); v == nil || f.Text(v) != f.Text(own) {
			return false
		}
	}
	return len(all) >= 3
}

// isPreload reports whether a statement does nothing but ask whether a class is there, which
// loads it.
func isPreload(f *syntax.File, statement *syntax.Node) bool {
	inner := statement.NamedChildren()
	if len(inner) != 1 || !inner[0].Is("function_call_expression") {
		return false
	}
	switch functionOf(f, inner[0]) {
	case "class_exists", "interface_exists", "trait_exists", "enum_exists":
		return true
	}
	return false
}

func functionOf(f *syntax.File, call *syntax.Node) string {
	return strings.ToLower(strings.TrimPrefix(f.Text(call.Child("function")), `\`))
}

func seldomArgument(f *syntax.File, argument *syntax.Node) string {
	call := argument.Parent.Parent
	at := -1
	for i, a := range argument.Parent.NamedChildren() {
		if a == argument {
			at = i
		}
	}
	switch {
	case call.Is("object_creation_expression") && isSelf(f, call) && isOfException(f, call):
		return OwnMessage
	case !call.Is("function_call_expression") || at < 1:
		return ""
	}
	switch functionOf(f, call) {
	case "trim", "ltrim", "rtrim", "chop", "mb_trim", "mb_ltrim", "mb_rtrim":
		return TrimmedList
	case "fread", "fgets", "gzread", "gzgets", "stream_get_line", "stream_get_contents", "stream_copy_to_stream", "socket_read":
		return ChunkSize
	}
	return ""
}

func isSelf(f *syntax.File, creation *syntax.Node) bool {
	inner := creation.NamedChildren()
	return len(inner) > 0 && (f.Text(inner[0]) == "self" || f.Text(inner[0]) == "static")
}

// isOfException goes by names: what an exception is called ends so, or what it extends.
func isOfException(f *syntax.File, n *syntax.Node) bool {
	class := n.Up("class_declaration")
	if class == nil {
		return false
	}
	for _, name := range []string{f.Text(class.Child("name")), f.Text(class.First("base_clause"))} {
		if strings.HasSuffix(name, "Exception") || strings.HasSuffix(name, "Error") {
			return true
		}
	}
	return false
}
