package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The variable family takes one value for another of the same type, as far as types are
// declared.
func init() {
	register(
		&mutate.Operator{
			ID: "variable/parameter-mistaken",
			Doc: `Another parameter of the same declared type is used.

No test tells the two parameters apart. Give them different values, and assert what comes of each.`,
			Input:   "Add a case in which the two parameters have different values.",
			Outcome: "Assert what comes of this parameter, in a case in which the other one has another value.",
			Hint:    mistakenHint,
			Before:  `function pier(int $from, int $to) { return $from; }`,
			After:   `function pier(int $from, int $to) { return $to; }`,
			Kinds:   []string{"variable_name"},
			Wide:    true,
			Apply:   parameterMistaken,
		},
		&mutate.Operator{
			ID: "variable/property-mistaken",
			Doc: `Another property of the same declared type is read.

No test tells the two properties apart. Have an object in which they have different values, and assert what comes of each.`,
			Input:   "Add a case in which the two properties have different values.",
			Outcome: "Assert what comes of this property, in a case in which the other one has another value.",
			Hint:    mistakenHint,
			Before:  `class Pier { private int $from; private int $to; function from() { return $this->from; } }`,
			After:   `class Pier { private int $from; private int $to; function from() { return $this->to; } }`,
			Kinds:   []string{"member_access_expression"},
			Wide:    true,
			Apply:   propertyMistaken,
		},
	)
}

// A declared value is a parameter or a property with the type that its declaration says.
type declared struct{ code, typ string } // "$from" or "$this->from", "int"

// parameterMistaken takes the next parameter of the same type, or the first behind the last.
func parameterMistaken(f *syntax.File, n *syntax.Node) []mutate.Edit {
	if n.Parent.Is("simple_parameter", "property_promotion_parameter", "variadic_parameter", "anonymous_function_use_clause",
		"by_ref", "scoped_property_access_expression", "static_variable_declaration", "global_declaration",
		"dynamic_variable_name", "unset_statement") || isWrittenTo(f, n) {
		return nil
	}
	name := f.Text(n)
	hidden := map[string]bool{} // by parameters of arrow functions
	for fn := n.Up(functionKinds...); fn != nil; fn = fn.Up(functionKinds...) {
		if own := parameterNames(f, fn); own[name] {
			return mistaken(f, n, steadyParameters(f, fn), hidden, fn)
		} else if !fn.Is("arrow_function") {
			return nil
		} else {
			for other := range own {
				hidden[other] = true
			}
		}
	}
	return nil
}

// propertyMistaken takes the next property of the same type, or the first behind the last.
func propertyMistaken(f *syntax.File, n *syntax.Node) []mutate.Edit {
	if f.Text(n.Child("object")) != "$this" || !n.Child("name").Is("name") || isWrittenTo(f, n) || n.Parent.Is("unset_statement") {
		return nil
	}
	body := classBody(f, n)
	if body == nil {
		return nil
	}
	return mistaken(f, n, propertiesOf(f, body), nil, body)
}

// mistaken puts the next of some values that has the same type in the place of one; within
// has the code that may make two of them the same.
func mistaken(f *syntax.File, n *syntax.Node, all []declared, hidden map[string]bool, within *syntax.Node) []mutate.Edit {
	at := 0
	for at < len(all) && all[at].code != f.Text(n) {
		at++
	}
	tried := 0
	for step := 1; step < len(all) && at < len(all) && tried < mostTried; step++ {
		other := all[(at+step)%len(all)]
		if other.typ != all[at].typ {
			continue
		}
		if tried++; !hidden[other.code] && !madeEqual(f, within, other.code, all[at].code) && !repeatsNeighbour(f, n, other.code) {
			return one(n, other.code)
		}
	}
	return nil
}

type namesKey struct{ function *syntax.Node }

// parameterNames has the names of a function's own parameters.
func parameterNames(f *syntax.File, fn *syntax.Node) map[string]bool {
	return f.Memo(namesKey{fn}, func() any {
		names := map[string]bool{}
		for _, p := range fn.Child("parameters").NamedChildren() {
			names[f.Text(p.Child("name"))] = true
		}
		return names
	}).(map[string]bool)
}

type steadyKey struct{ function *syntax.Node }

// steadyParameters gives the parameters of a function that have a type and are not written to.
func steadyParameters(f *syntax.File, fn *syntax.Node) []declared {
	return f.Memo(steadyKey{fn}, func() any {
		var out []declared
		for _, p := range fn.Child("parameters").NamedChildren() {
			name := f.Text(p.Child("name"))
			if !p.Is("simple_parameter", "property_promotion_parameter") || p.First("reference_modifier") != nil || usesIn(f, fn).shared[name] {
				continue
			}
			if w := (typer{f, 0}).writes(fn, name); len(w.values) > 0 || w.array || w.sum || w.other {
				continue
			}
			out = append(out, typed(f, name, p.Child("type"))...)
		}
		return out
	}).([]declared)
}

// typed gives a value with its type, if that says anything.
func typed(f *syntax.File, code string, declaration *syntax.Node) []declared {
	typ := strings.Join(strings.Fields(simpleType(f, declaration)), "")
	if typ == "" || typ == "mixed" {
		return nil
	}
	return []declared{{code, typ}}
}

type ownPropertiesKey struct{ class *syntax.Node }

// propertiesOf gives the properties that a class declares with a type, in source order. Those
// with hooks do more than to hold a value.
func propertiesOf(f *syntax.File, body *syntax.Node) []declared {
	return f.Memo(ownPropertiesKey{body}, func() any {
		var out []declared
		for _, decl := range body.NamedChildren() {
			switch {
			case decl.Is("property_declaration") && decl.First("static_modifier", "property_hook_list") == nil:
				for _, el := range decl.NamedChildren() {
					if el.Is("property_element") && el.First("property_hook_list") == nil {
						out = append(out, typed(f, "$this->"+strings.TrimPrefix(f.Text(el.Child("name")), "$"), decl.Child("type"))...)
					}
				}
			case decl.Is("method_declaration") && strings.EqualFold(f.Text(decl.Child("name")), "__construct"):
				for _, p := range decl.Child("parameters").NamedChildren() {
					if p.Is("property_promotion_parameter") && p.First("property_hook_list") == nil {
						out = append(out, typed(f, "$this->"+strings.TrimPrefix(f.Text(p.Child("name")), "$"), p.Child("type"))...)
					}
				}
			}
		}
		return out
	}).([]declared)
}

type equalKey struct{ within *syntax.Node }

// madeEqual reports whether two variables or properties may be known to hold the same: one is
// assigned to the other, the same is assigned to both, or they are compared for equality.
// Literals do not count: those that are assigned to many are where values begin.
func madeEqual(f *syntax.File, within *syntax.Node, a, b string) bool {
	pairs := f.Memo(equalKey{within}, func() any {
		pairs := map[[2]string]bool{}
		holders := map[string][]string{} // by what is assigned
		join := func(a, b string) { pairs[[2]string{a, b}], pairs[[2]string{b, a}] = true, true }
		within.Walk(func(n *syntax.Node) bool {
			left, right := n.Child("left"), n.Child("right")
			switch {
			case n.Is("property_promotion_parameter"):
				name := f.Text(n.Child("name"))
				holders[name] = append(holders[name], "$this->"+strings.TrimPrefix(name, "$"))
			case n.Is("assignment_expression") && right != nil:
				value, to := right.Unwrapped(), f.Text(left)
				for value.Is("assignment_expression") && value.Child("right") != nil {
					join(to, f.Text(value.Child("left")))
					value = value.Child("right").Unwrapped()
				}
				if isConstant(value) || value.Is("array_creation_expression") {
					return true
				}
				join(to, f.Text(value))
				for _, other := range holders[f.Text(value)] {
					join(to, other)
				}
				holders[f.Text(value)] = append(holders[f.Text(value)], to)
			case isBinary(f, n, equalityOps):
				join(f.Text(left.Unwrapped()), f.Text(right.Unwrapped()))
			}
			return true
		})
		return pairs
	}).(map[[2]string]bool)
	return pairs[[2]string{a, b}]
}
