package operators

import (
	"strings"

	"assay/mutate/syntax"
)

// countsUp reports whether a comparison "$i < ..." is that of a "for" in which $i begins at
// an integer, grows by one with each turn and by nothing else, and what it is compared
// with is an integer that is no smaller at the beginning and stays as it is. Then $i comes
// to be equal before it could be greater, and < and != are the same.
func countsUp(f *syntax.File, n *syntax.Node) bool {
	i, fn := n.Child("left"), n.Up(functionKinds...)
	if operatorText(f, n) != "<" || !i.Is("variable_name") || fn == nil {
		return false
	}
	part := n
	for part.Parent.Is("parenthesized_expression") || isBinary(f, part.Parent, map[string]bool{"&&": true}) {
		part = part.Parent
	}
	loop := part.Parent
	if part.Field != "condition" || !loop.Is("for_statement") {
		return false
	}
	begin, ok := startOf(f, loop, f.Text(i))
	return ok && onlySteps(f, fn, loop, f.Text(i)) && staysAbove(f, fn, loop, n.Child("right").Unwrapped(), begin)
}

// startOf gives the integer that a "for" begins with.
func startOf(f *syntax.File, loop *syntax.Node, name string) (int64, bool) {
	for _, e := range loop.Fields("initialize") {
		parts := []*syntax.Node{e}
		if e.Is("sequence_expression") {
			parts = e.NamedChildren()
		}
		for _, a := range parts {
			if a.Is("assignment_expression") && f.Text(a.Child("left")) == name {
				x, ok := numberAt(f, a.Child("right"))
				return x.value, ok
			}
		}
	}
	return 0, false
}

// onlySteps reports whether a variable is changed in a loop by one step alone, "$i++" in
// its head, and nowhere in the function could get another name.
func onlySteps(f *syntax.File, fn, loop *syntax.Node, name string) bool {
	u := usesIn(f, fn)
	if u.open || u.shared[name] {
		return false
	}
	steps, only := 0, true
	variables(f, fn, func(v *syntax.Node, other string) {
		p := v.Parent
		head := p.Field == "update" || p.Parent.Is("sequence_expression") && p.Parent.Field == "update"
		switch {
		case other != name || justRead(f, v):
		case !loop.Span.Contains(v.Span):
			only = only && (p.Is("update_expression") || p.Is("assignment_expression", "augmented_assignment_expression") && v.Field == "left")
		case p.Is("update_expression") && head && strings.Contains(f.Text(p), "++") && p.Up(loopKinds...) == loop:
			steps++
		case p.Is("assignment_expression") && v.Field == "left" && p.Up(loopKinds...) == loop &&
			(p.Field == "initialize" || p.Parent.Is("sequence_expression") && p.Parent.Field == "initialize"):
			steps += 10
		default:
			only = false
		}
	})
	return only && steps == 11
}

// staysAbove reports whether an expression is an integer that a loop leaves alone, and no
// less than where the loop begins: a literal, or the count or length of something.
func staysAbove(f *syntax.File, fn, loop, bound *syntax.Node, begin int64) bool {
	if x, ok := numberAt(f, bound); ok {
		return begin <= x.value
	}
	if bound.Is("variable_name") {
		u, w := usesIn(f, fn), typer{f, 0}.writes(fn, f.Text(bound))
		if u.open || u.shared[f.Text(bound)] || w.other || w.sum || w.array || len(w.values) != 1 || begin > 0 {
			return false
		}
		stays := true
		variables(f, fn, func(v *syntax.Node, name string) {
			if name == f.Text(bound) && !justRead(f, v) {
				head := v.Up("compound_statement", "colon_block")
				stays = stays && head != nil && v.Parent.Child("right") == w.values[0] &&
					!(loop.Span.Contains(v.Span) && loop.Span.Contains(head.Span))
			}
		})
		_, isParameter := typer{f, 0}.parameter(fn, f.Text(bound))
		return stays && !isParameter && certain(f, w.values[0]) == "int" && neverNegative(f, w.values[0])
	}
	args, ok := plainArgs(bound)
	if begin > 0 || !neverNegative(f, bound) || certain(f, bound) != "int" || !ok || len(args) != 1 || !argValue(args[0]).Is("variable_name") {
		return false
	}
	counted, stays := f.Text(argValue(args[0])), true
	u := usesIn(f, fn)
	variables(f, loop, func(v *syntax.Node, name string) {
		if name == counted && (!justRead(f, v) || v.Parent.Is("member_access_expression", "member_call_expression")) {
			stays = false
		}
	})
	return stays && !u.open && !u.shared[counted] && counted != "$this"
}
