package testcode

import (
	"strings"

	"assay/mutate/syntax"
)

// names says how classes and functions are called in a file.
type names struct {
	namespace string
	classes   []imported
	functions []imported
	uses      []*syntax.Node    // the statements that import classes, in order
	taken     map[string]string // lower-case names that stand in the file without a namespace => full name
	globals   bool              // the file imports classes of the global namespace
	added     []string          // full names of classes that are to be imported
	anchor    int               // where the first import is to be put, if there is none yet; 0: nothing is imported
}

type imported struct{ alias, full string }

// classParents are the nodes in which a name is that of a class.
var classParents = []string{"class_constant_access_expression", "object_creation_expression", "scoped_call_expression",
	"named_type", "base_clause", "attribute", "class_declaration", "interface_declaration", "trait_declaration", "enum_declaration"}

// readNames reads what a file imports where a class stands.
func readNames(f *syntax.File, class *syntax.Node) *names {
	n := &names{taken: map[string]string{}, namespace: f.Scope(class).Namespace}
	holder := f.Root
	if ns := class.Up("namespace_definition"); ns != nil && ns.Child("body") != nil {
		holder = ns.Child("body")
	}
	for _, c := range holder.Children {
		if c.Kind == "namespace_use_declaration" {
			n.use(f, c)
		}
	}
	f.Walk(func(c *syntax.Node) bool {
		if c.Kind == "name" && c.Parent.Is(classParents...) {
			n.taken[strings.ToLower(f.Text(c))] = join(n.namespace, f.Text(c))
		}
		return true
	})
	return n
}

// use reads one statement. What is neither a class nor a function it leaves out.
func (n *names) use(f *syntax.File, decl *syntax.Node) {
	prefix, clauses := "", decl
	if group := decl.Child("body"); group != nil {
		prefix, clauses = f.Text(decl.First("namespace_name", "name"))+`\`, group
	}
	class := false
	for _, c := range clauses.Children {
		if c.Kind != "namespace_use_clause" {
			continue
		}
		full := strings.TrimPrefix(prefix+f.Text(c.First("qualified_name", "name", "namespace_name")), `\`)
		i := imported{lastOf(full), full}
		if alias := c.Child("alias"); alias != nil {
			i.alias = f.Text(alias)
		}
		switch {
		case decl.First("const") != nil || c.First("const") != nil:
		case decl.First("function") != nil || c.First("function") != nil:
			n.functions = append(n.functions, i)
		default:
			n.classes = append(n.classes, i)
			n.globals = n.globals || !strings.Contains(full, `\`)
			class = true
		}
	}
	if class {
		n.uses = append(n.uses, decl)
	}
}

// aliased gives what an alias stands for; "" where it is none.
func aliased(list []imported, alias string) string {
	for _, i := range list {
		if strings.EqualFold(i.alias, alias) {
			return i.full
		}
	}
	return ""
}

// class gives the name by which a class is known in the file. Where the file imports
// classes, one that is not known yet will be.
func (n *names) class(full string) string {
	full = strings.TrimPrefix(full, `\`)
	for _, i := range n.classes {
		if strings.EqualFold(i.full, full) {
			return i.alias
		}
	}
	space, last := cut(full)
	used := aliased(n.classes, last) != ""
	if strings.EqualFold(space, n.namespace) && !used {
		return last
	}
	other := n.taken[strings.ToLower(last)]
	if used || other != "" && !strings.EqualFold(other, full) || len(n.uses) == 0 && n.anchor == 0 || space == "" && !n.globals {
		return `\` + full
	}
	n.added = append(n.added, full)
	n.classes = append(n.classes, imported{last, full})
	return last
}

// function gives the name by which a function is known in the file.
func (n *names) function(full string) string {
	full = strings.TrimPrefix(full, `\`)
	for _, i := range n.functions {
		if strings.EqualFold(i.full, full) {
			return i.alias
		}
	}
	space, last := cut(full)
	if aliased(n.functions, last) == "" && (space == "" || strings.EqualFold(space, n.namespace)) {
		return last
	}
	return `\` + full
}

// resolve gives the full name of the class that is written in the file.
func (n *names) resolve(written string) string {
	if rest, ok := strings.CutPrefix(written, `\`); ok {
		return rest
	}
	first, rest, more := strings.Cut(written, `\`)
	full := aliased(n.classes, first)
	switch {
	case full != "" && more:
		return full + `\` + rest
	case full != "":
		return full
	}
	return join(n.namespace, written)
}

func cut(full string) (space, last string) {
	if i := strings.LastIndexByte(full, '\\'); i >= 0 {
		return full[:i], full[i+1:]
	}
	return "", full
}

func lastOf(full string) string {
	_, last := cut(full)
	return last
}

func join(namespace, name string) string {
	if namespace == "" {
		return name
	}
	return namespace + `\` + name
}
