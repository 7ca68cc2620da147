package operators

import (
	"fmt"
	"slices"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// throwHint is for an exception that does not leave the function: the catch block of a "try"
// around it takes it, and no test can expect it.
func throwHint(f *syntax.File, n *syntax.Node, _ mutate.Edit) mutate.Hints {
	throw := n
	if !n.Is("throw_expression") {
		throw = n.Up("throw_expression")
	}
	if throw == nil || len(throw.NamedChildren()) == 0 {
		return mutate.Hints{}
	}
	clause := catching(f, throw)
	if clause == nil {
		return mutate.Hints{}
	}
	line, _ := f.Position(clause.Start)
	what := "assert what the block does then"
	if throwsOn(clause) {
		what = "expect what the block throws then"
	}
	if n == throw {
		return mutate.Hints{Either: fmt.Sprintf("No test depends on this being thrown. The catch block in line %d takes it: "+
			"add a case that leads to this place, and %s.", line, what)}
	}
	either := "No test notices the other class. The catch block in line %d takes this exception, so that no test can expect it: "
	if throwsOn(clause) {
		either += "where the block hands it on, as the previous one, catch what the block throws and assert the class of getPrevious()."
	} else {
		either += "assert what the block does with it."
	}
	return mutate.Hints{Either: fmt.Sprintf(either, line)}
}

// catching gives the catch block that takes what is thrown within its own function; nil where
// none does, as far as the names of classes tell.
func catching(f *syntax.File, throw *syntax.Node) *syntax.Node {
	for at := throw; at.Parent != nil && !at.Is(functionKinds...); at = at.Parent {
		if !at.Parent.Is("try_statement") || at.Field != "body" {
			continue
		}
		for _, clause := range at.Parent.NamedChildren() {
			if clause.Is("catch_clause") && catches(f, clause, throw.NamedChildren()[0].Unwrapped()) {
				return clause
			}
		}
	}
	return nil
}

// catches reports whether a catch block takes a thrown object, as far as the names of
// classes tell.
func catches(f *syntax.File, clause, thrown *syntax.Node) bool {
	var classes []string // of the object, as far as they are known
	if thrown.Is("object_creation_expression") {
		class := strings.ToLower(className(f, thrown.First("name", "qualified_name")))
		for ; class != ""; class = strings.ToLower(parentClasses[class]) {
			classes = append(classes, class)
		}
		if len(classes) == 1 && !strings.HasSuffix(classes[0], "error") {
			classes = append(classes, "exception") // as nearly all are that are thrown and not called ...Error
		}
	}
	classes = append(classes, "throwable")
	types := clause.Child("type")
	if types == nil {
		return false
	}
	list := types.NamedChildren()
	if types.Is("name", "qualified_name") {
		list = []*syntax.Node{types}
	}
	return slices.ContainsFunc(list, func(t *syntax.Node) bool {
		if t.Is("named_type") && len(t.NamedChildren()) == 1 {
			t = t.NamedChildren()[0]
		}
		return slices.Contains(classes, strings.ToLower(className(f, t)))
	})
}

// throwsOn reports whether a catch block throws something itself.
func throwsOn(clause *syntax.Node) (throws bool) {
	clause.Child("body").Walk(func(n *syntax.Node) bool {
		throws = throws || n.Is("throw_expression")
		return !throws && !n.Is(functionKinds...)
	})
	return throws
}
