package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	register(&mutate.Operator{
		ID: "call/optional-left-out",
		Doc: `The last argument of a call is left out where the code that is called has a default for it.

No test depends on this argument. Have a case in which the default would be wrong, and assert what comes of it.`,
		Before: `function fare($zones, $rebate = 0) { } fare(3, 20);`,
		After:  `function fare($zones, $rebate = 0) { } fare(3);`,
		Kinds: []string{
			"member_call_expression", "scoped_call_expression", "object_creation_expression", "function_call_expression",
		},
		Wide:  true,
		Apply: optionalLeftOut,
	})
}

// optionalLeftOut is for what the file itself declares. An argument that is the default is left
// alone, and so is what a reference is taken of.
func optionalLeftOut(f *syntax.File, n *syntax.Node) []mutate.Edit {
	args, ok := plainArgs(n)
	declaration := declarationCalled(f, n)
	if !ok || len(args) == 0 || declaration == nil {
		return nil
	}
	last := len(args) - 1
	params := declaration.Child("parameters").NamedChildren()
	if last >= len(params) || !params[last].Is("simple_parameter", "property_promotion_parameter") || params[last].First("reference_modifier") != nil {
		return nil
	}
	byDefault := params[last].Child("default_value")
	if byDefault == nil || strings.EqualFold(f.Text(byDefault), f.Text(argValue(args[last]))) {
		return nil
	}
	switch comma := args[last].Next(); {
	case last > 0:
		return remove(args[last-1].End, args[last].End)
	case comma.Is(","):
		return remove(args[0].Start, comma.End)
	}
	return remove(args[0].Start, args[0].End)
}

// declarationCalled gives the function or method of the same file that a call runs, as far as
// names tell: a function, a method of this object or of a class, or a constructor.
func declarationCalled(f *syntax.File, call *syntax.Node) *syntax.Node {
	class, name := "", strings.ToLower(f.Text(call.Child("name")))
	switch call.Kind {
	case "function_call_expression":
		called := builtin(f, call) // a name without a namespace
		if called == "" || !call.Child("function").Is("name") {
			return nil
		}
		return declarations(f)[strings.ToLower(f.Scope(call).Namespace)+"\\"+called]
	case "member_call_expression":
		if f.Text(call.Child("object")) != "$this" || !call.Child("name").Is("name") {
			return nil
		}
		class = f.Scope(call).Class
	case "scoped_call_expression":
		class = classNamed(f, call.Child("scope"))
	case "object_creation_expression":
		class, name = classNamed(f, call.First("name", "qualified_name")), "__construct"
	}
	if class == "" {
		return nil
	}
	return declarations(f)[strings.ToLower(class)+"::"+name]
}

// classNamed gives the full name of the class that a scope or a name stands for.
func classNamed(f *syntax.File, n *syntax.Node) string {
	if isOwn(f, n) {
		return f.Scope(n).Class
	}
	return className(f, n)
}

type declarationsOfFile struct{}

// declarations gives the functions and methods that a file declares, by name in lower case:
// "acme\fare", "acme\pier::moor".
func declarations(f *syntax.File) map[string]*syntax.Node {
	return f.Memo(declarationsOfFile{}, func() any {
		all := map[string]*syntax.Node{}
		f.Walk(func(n *syntax.Node) bool {
			if !n.Is("function_definition", "method_declaration") || n.Bad {
				return true
			}
			scope := f.Scope(n)
			key := scope.Namespace + "\\" + f.Text(n.Child("name"))
			if n.Is("method_declaration") {
				key = scope.Class + "::" + f.Text(n.Child("name"))
			}
			if n.Is("method_declaration") != (scope.Class == "") {
				all[strings.ToLower(key)] = n
			}
			return true
		})
		return all
	}).(map[string]*syntax.Node)
}
