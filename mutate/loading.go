package mutate

import (
	"bytes"
	"strings"

	"assay/mutate/syntax"
)

// Loading is what of a file has a say when the file is loaded, while no function of it is
// run: the bodies of its functions do not, nor do comments and imports. Each text is the
// file's with blanks for all else, and as long as that.
type Loading struct {
	// Values has the code outside of functions and classes, and the expressions that give
	// properties, constants, cases of enums and parameters their values.
	Values []byte
	// Links has these and the names that declarations are checked against: of parents,
	// interfaces, traits and types.
	Links []byte
}

// LoadingOf finds that out; nil where the file could not be read whole.
func LoadingOf(f *syntax.File) *Loading {
	if len(f.Damage) > 0 || f.HaltOffset() < len(f.Src) {
		return nil
	}
	l := &Loading{Values: bytes.Clone(f.Src), Links: bytes.Clone(f.Src)}
	sound := true
	f.Root.Walk(func(n *syntax.Node) bool {
		sound = sound && !n.Bad
		switch {
		case n.Is("comment", "namespace_use_declaration"), n.Is("namespace_name") && n.Parent.Is("namespace_definition"),
			n.Is("compound_statement") && isFunction(n.Parent):
			blank(l.Values, n.Span)
			blank(l.Links, n.Span)
			return false
		case n.Is("base_clause", "class_interface_clause", "use_declaration", "named_type", "optional_type", "union_type", "intersection_type",
			"disjunctive_normal_form_type", "primitive_type"):
			blank(l.Values, n.Span)
		}
		return sound
	})
	if !sound {
		return nil
	}
	return l
}

func blank(text []byte, s syntax.Span) {
	for i := s.Start; i < s.End; i++ {
		text[i] = ' '
	}
}

// isLazy reports whether an edit changes nothing but a value that PHP works out when it is
// asked for: the default of a parameter or a property, the value of a class constant or of
// a case, the argument of an attribute. Loading the file is the same with it.
func isLazy(f *syntax.File, n *syntax.Node, e Edit) bool {
	e = narrowed(f.Src, e)
	for n = holder(n, e.Span); n != nil && n.Parent != nil; n = n.Parent {
		switch {
		case n.Bad || n.Is("compound_statement", "declaration_list", "enum_declaration_list"):
			return false
		case n.Is("arguments") && n.Parent.Is("attribute"),
			n.Field == "default_value" && n.Parent.Is("simple_parameter", "property_promotion_parameter", "property_element"),
			n.Is("property_initializer"):
			return within(f, n, e)
		case n.Is("const_element", "enum_case"):
			name := n.First("name")
			return name != nil && e.Start >= name.End && e.End <= n.End && n.Parent.Parent != nil &&
				(n.Is("enum_case") || n.Parent.Parent.Is("declaration_list", "enum_declaration_list"))
		}
	}
	return false
}

// within reports whether an edit keeps inside of a value, and leaves one there.
func within(f *syntax.File, value *syntax.Node, e Edit) bool {
	if !value.Contains(e.Span) {
		return false
	}
	text := string(f.Src[value.Start:e.Start]) + e.New + string(f.Src[e.End:value.End])
	// "null" for a default is a part of the parameter's type.
	return strings.Trim(text, " \t\r\n=,;") != "" && !strings.EqualFold(text, "null") && !strings.EqualFold(f.Text(value), "null")
}
