package mutate

import (
	"strings"

	"assay/mutate/syntax"
)

// classLinks gives, for each class-like that a file declares, what it cannot be
// declared without: its parent, interfaces and traits. Full names in lower
// case.
func classLinks(f *syntax.File) map[string][]string {
	links := map[string][]string{}
	imports := map[string]map[string]string{} // namespace => alias => full name
	f.Walk(func(n *syntax.Node) bool {
		if n.Is("class_declaration", "interface_declaration", "trait_declaration", "enum_declaration") {
			scope := f.Scope(n)
			if imports[scope.Namespace] == nil {
				imports[scope.Namespace] = importsOf(f, scope.Namespace)
			}
			class := strings.ToLower(scope.Class)
			links[class] = append(links[class], needed(f, n, scope.Namespace, imports[scope.Namespace])...)
		}
		return true
	})
	return links
}

// functionNames gives the functions that a file declares. Full names in lower case.
func functionNames(f *syntax.File) []string {
	var out []string
	f.Root.Walk(func(n *syntax.Node) bool {
		if n.Is("function_definition") && n.Child("name") != nil {
			name := f.Text(n.Child("name"))
			if space := f.Scope(n).Namespace; space != "" {
				name = space + `\` + name
			}
			out = append(out, strings.ToLower(name))
		}
		return true
	})
	return out
}

func needed(f *syntax.File, class *syntax.Node, namespace string, imports map[string]string) []string {
	var out []string
	lists := append(class.Children, class.Child("body").NamedChildren()...)
	for _, list := range lists {
		if !list.Is("base_clause", "class_interface_clause", "use_declaration") {
			continue
		}
		for _, name := range list.Children {
			if name.Is("name", "qualified_name") {
				out = append(out, resolve(f.Text(name), namespace, imports))
			}
		}
	}
	return out
}

// resolve gives the full name of a class as PHP does at compile time.
func resolve(name, namespace string, imports map[string]string) string {
	name = strings.ToLower(strings.Join(strings.Fields(name), ""))
	if rest, ok := strings.CutPrefix(name, `\`); ok {
		return rest
	}
	first, rest, qualified := strings.Cut(name, `\`)
	if full, ok := imports[first]; ok {
		if qualified {
			return full + `\` + rest
		}
		return full
	}
	if first == "namespace" && qualified {
		name = rest
	}
	if namespace == "" {
		return name
	}
	return strings.ToLower(namespace) + `\` + name
}

// importsOf reads the class imports in force in a namespace.
func importsOf(f *syntax.File, namespace string) map[string]string {
	out := map[string]string{}
	f.Walk(func(n *syntax.Node) bool {
		if !n.Is("namespace_use_declaration") {
			return !n.Is("class_declaration", "function_definition")
		}
		if n.Child("type") != nil || f.Scope(n).Namespace != namespace {
			return false
		}
		prefix := ""
		if p := n.First("namespace_name"); p != nil {
			prefix = f.Text(p) + `\`
		}
		n.Walk(func(c *syntax.Node) bool {
			if c.Is("namespace_use_clause") && c.Child("type") == nil {
				full := strings.ToLower(strings.TrimPrefix(prefix+f.Text(c.First("name", "qualified_name")), `\`))
				alias := full[strings.LastIndexByte(full, '\\')+1:]
				if a := c.Child("alias"); a != nil {
					alias = strings.ToLower(f.Text(a))
				}
				out[alias] = full
			}
			return true
		})
		return false
	})
	return out
}
