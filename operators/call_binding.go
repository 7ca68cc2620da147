package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	register(&mutate.Operator{
		ID: "call/binding-swapped",
		Doc: `The class that holds the code is taken instead of the one that was called, or the other way round: static and self are swapped in "new" and in calls.

No test calls this on a class that extends the one it stands in. Add such a class, and assert of which class the object is, or which method was called.`,
		Before: `class Pier { static function at() { return new static(); } }`,
		After:  `class Pier { static function at() { return new self(); } }`,
		Kinds:  []string{"object_creation_expression", "scoped_call_expression"},
		Wide:   true,
		Apply:  bindingSwapped,
	})
}

// bindingSwapped is for classes that can be extended, and for methods of their own that a class
// which does can replace.
func bindingSwapped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	at := n.Child("scope")
	if n.Is("object_creation_expression") {
		at = n.First("name")
	}
	to := map[string]string{"self": "static", "static": "self"}[strings.ToLower(f.Text(at))]
	class := f.Scope(n).ClassNode
	if to == "" || !class.Is("class_declaration", "trait_declaration") || class.First("final_modifier") != nil ||
		!n.Up("compound_statement", "formal_parameters", "property_declaration", "const_declaration").Is("compound_statement") {
		return nil
	}
	if n.Is("scoped_call_expression") && !isReplaceable(f, class, f.Text(n.Child("name"))) {
		return nil
	}
	return one(at, to)
}

// isReplaceable reports whether a class declares a method that is neither private nor final.
func isReplaceable(f *syntax.File, class *syntax.Node, name string) bool {
	for _, decl := range class.Child("body").NamedChildren() {
		if decl.Is("method_declaration") && strings.EqualFold(f.Text(decl.Child("name")), name) {
			return decl.First("final_modifier") == nil && !strings.EqualFold(f.Text(decl.First("visibility_modifier")), "private")
		}
	}
	return false
}
