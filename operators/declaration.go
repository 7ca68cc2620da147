package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The declaration family changes what a declaration promises. Values in
// declarations (defaults, constants, enum cases) are literals and belong to
// those families wherever they stand.
func init() {
	register(
		&mutate.Operator{
			ID: "declaration/clone-dropped",
			Doc: `An object is used itself where a copy of it was.

No test looks at the original after the copy was changed. Keep the original, call the method, and assert that the original is as it was.`,
			Before: `$later = clone $date;`,
			After:  `$later = $date;`,
			Kinds:  []string{"clone_expression"},
			Apply: func(f *syntax.File, n *syntax.Node) []mutate.Edit {
				inner := n.NamedChildren()
				if len(inner) != 1 || n.Parent.Is("expression_statement") {
					return nil
				}
				return keep(f, n, inner[0])
			},
		},
		&mutate.Operator{
			ID: "declaration/reference-dropped",
			Doc: `A foreach or a closure gets a copy of a variable instead of the variable itself.

No test looks at the array or variable after it should have been changed. Assert its content after the loop, or after the closure was called.`,
			Before: `foreach ($stops as &$stop) { $stop = trim($stop); }`,
			After:  `foreach ($stops as $stop) { $stop = trim($stop); }`,
			Kinds:  []string{"by_ref"},
			Apply:  referenceDropped,
		},
		&mutate.Operator{
			ID: "declaration/nullable-dropped",
			Doc: `A parameter no longer accepts null.

No test passes null for this parameter. Pass it and assert the result; or take the "?" away, if nobody needs it.`,
			Before: `function moor(?string $line) { return $line; }`,
			After:  `function moor(string $line) { return $line; }`,
			Kinds:  []string{"simple_parameter", "property_promotion_parameter"},
			Apply:  nullableDropped,
		},
		&mutate.Operator{
			ID: "declaration/strict-types-off",
			Doc: `declare(strict_types=1) is turned off for the file.

No test makes this file pass a value of the wrong scalar type to a function. If such a mistake matters, call the code with one and expect a TypeError.`,
			Before: `declare(strict_types=1);`,
			After:  `declare(strict_types=0);`,
			Kinds:  []string{"declare_directive"},
			Wide:   true, // nearly always survives, few people act on it
			Apply: func(f *syntax.File, n *syntax.Node) []mutate.Edit {
				value := n.First("integer")
				if value == nil || !strings.HasPrefix(strings.ToLower(f.Text(n)), "strict_types") || f.Text(value) != "1" {
					return nil
				}
				return one(value, "0")
			},
		},
		&mutate.Operator{
			ID: "declaration/visibility-narrowed",
			Doc: `A public method becomes protected.

No test calls the method from outside, only through other methods. Test it by its own name, or make it protected in earnest.`,
			Before: `class Pier { public function free() { return 1; } }`,
			After:  `class Pier { protected function free() { return 1; } }`,
			Kinds:  []string{"method_declaration"},
			Wide:   true, // an error kills every one that is called at all
			Apply:  visibilityNarrowed,
		},
	)
}

func referenceDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	inner := n.NamedChildren()
	if len(inner) != 1 {
		return nil
	}
	p := n.Parent
	if p.Is("pair") {
		p = p.Parent
	}
	if !p.Is("foreach_statement", "anonymous_function_use_clause") {
		return nil
	}
	return fit(f, n.Span, f.Text(inner[0]))
}

// nullableDropped leaves a parameter alone that has the default null (then PHP
// takes null whatever the type says), and methods that have a parent's or an
// interface's to agree with: PHP would refuse the class.
func nullableDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	typ, value := n.Child("type"), n.Child("default_value")
	if value != nil && (value.Is("null") || strings.EqualFold(f.Text(value), "null")) {
		return nil
	}
	if fn := n.Up(functionKinds...); fn == nil || fn.Child("body") == nil || bound(f, fn) {
		return nil
	}
	switch {
	case typ.Is("optional_type") && len(typ.NamedChildren()) == 1:
		return fit(f, typ.Span, f.Text(typ.NamedChildren()[0]))
	case typ.Is("union_type"):
		parts := typ.NamedChildren()
		for i, p := range parts {
			if !strings.EqualFold(f.Text(p), "null") || len(parts) < 2 {
				continue
			}
			if i == 0 {
				return remove(p.Start, parts[1].Start)
			}
			return remove(parts[i-1].End, p.End)
		}
	}
	return nil
}

// bound reports whether a method's signature may have to agree with another
// one: its class extends or implements something. Constructors are free.
func bound(f *syntax.File, fn *syntax.Node) bool {
	if !fn.Is("method_declaration") || strings.EqualFold(f.Text(fn.Child("name")), "__construct") {
		return false
	}
	class := fn.Parent.Parent
	return class.First("base_clause", "class_interface_clause") != nil || !class.Is("class_declaration", "anonymous_class")
}

func visibilityNarrowed(f *syntax.File, n *syntax.Node) []mutate.Edit {
	v := n.First("visibility_modifier")
	if !strings.EqualFold(f.Text(v), "public") || strings.HasPrefix(f.Text(n.Child("name")), "__") || n.Child("body") == nil || bound(f, n) {
		return nil
	}
	return one(v, "protected")
}
