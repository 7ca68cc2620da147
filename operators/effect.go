package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The effect family leaves out one statement that is there for its effect.
func init() {
	register(
		&mutate.Operator{
			ID: "effect/call-dropped",
			Doc: `A call whose result is not used is left out.

No test sees the effect of this call. Assert the effect: the changed state, or with a mock and expects(self::once()) that the other object was told.`,
			Hint:   callDroppedHint,
			Before: `$this->pier->reserve($boat);`,
			After:  `;`,
			Kinds:  []string{"expression_statement"},
			Apply:  callDropped,
		},
		&mutate.Operator{
			ID: "effect/parent-call-dropped",
			Doc: `The parent's method is not called.

No test depends on what the parent does here. Assert something that only the parent's method sets up, or drop the call.`,
			Before: `parent::__construct($name);`,
			After:  `;`,
			Kinds:  []string{"expression_statement"},
			Apply:  parentCallDropped,
		},
		&mutate.Operator{
			ID: "effect/assignment-dropped",
			Doc: `An assignment to a property, an element or a variable that has a value already is left out.

No test depends on the new value. Read it back after the call, through what callers can see, and choose an input for which it differs from the old one.`,
			Input:   "Add a case in which the new value differs from the one that is there before.",
			Outcome: "Assert the new value after the call, through what callers can see.",
			Hint:    assignmentHint,
			Before:  `$this->berth = $berth;`,
			After:   `;`,
			Kinds:   []string{"expression_statement"},
			Apply:   assignmentDropped, Version: 1,
		},
		&mutate.Operator{
			ID: "effect/first-assignment-dropped",
			Doc: `The first assignment to a local variable is left out.

No test comes to a place where the variable is missing, or PHP's warnings do not fail your tests. Assert what the variable is used for, and let PHPUnit fail on warnings.`,
			Input:   "Add a case in which the assigned value is not null.",
			Outcome: "Assert what the variable is used for, and let PHPUnit fail on warnings.",
			Before:  `function f($a) { $sum = $a; return $sum; }`,
			After:   `function f($a) { ; return $sum; }`,
			Kinds:   []string{"expression_statement"},
			Wide:    true, // the warning about an undefined variable kills nearly all
			Apply:   firstAssignmentDropped,
		},
		&mutate.Operator{
			ID: "effect/unset-dropped",
			Doc: `An unset() is left out.

No test checks that the thing is gone. Assert it: the key is absent, the count is smaller.`,
			Before: `unset($this->stops[$id]);`,
			After:  `;`,
			Kinds:  []string{"unset_statement"},
			Apply:  dropStatement,
		},
		&mutate.Operator{
			ID: "effect/output-dropped",
			Doc: `Nothing is printed.

No test looks at the output. Use expectOutputString(), or let the code return its string and assert that.`,
			Before: `echo $label;`,
			After:  `;`,
			Kinds:  []string{"echo_statement", "print_intrinsic"},
			Apply:  outputDropped,
		},
	)
}

// unseenCalls leave nothing behind that a unit test could look at.
var unseenCalls = map[string]bool{
	"sleep": true, "usleep": true, "set_time_limit": true, "ignore_user_abort": true,
	"gc_collect_cycles": true, "gc_enable": true, "gc_disable": true, "gc_mem_caches": true,
	"clearstatcache": true, "flush": true, "fflush": true, "fclose": true, "closedir": true,
	"exit": true, "die": true, "isset": true, "empty": true, // no calls at all, or never to be left out
}

// called gives the call that a statement consists of, or nil.
func called(f *syntax.File, n *syntax.Node) *syntax.Node {
	inner := n.NamedChildren()
	if len(inner) != 1 || holdsYield(n) {
		return nil
	}
	e := inner[0].Unwrapped()
	if e.Is("error_suppression_expression") && len(e.NamedChildren()) == 1 {
		e = e.NamedChildren()[0]
	}
	if !e.Is("function_call_expression", "member_call_expression", "nullsafe_member_call_expression",
		"scoped_call_expression", "object_creation_expression") || unseenCalls[builtin(f, e)] {
		return nil
	}
	return e
}

func callsParent(f *syntax.File, call *syntax.Node) bool {
	return call.Is("scoped_call_expression") && strings.EqualFold(f.Text(call.Child("scope")), "parent")
}

func callDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	if call := called(f, n); call == nil || callsParent(f, call) {
		return nil
	}
	return dropStatement(f, n)
}

func parentCallDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	if call := called(f, n); call == nil || !callsParent(f, call) {
		return nil
	}
	return dropStatement(f, n)
}

// assigned gives the left side of a statement that is an assignment, or nil.
func assigned(n *syntax.Node) *syntax.Node {
	inner := n.NamedChildren()
	if len(inner) != 1 || holdsYield(n) || !inner[0].Is(
		"assignment_expression", "augmented_assignment_expression", "reference_assignment_expression") || inner[0].Bad {
		return nil
	}
	return inner[0].Child("left")
}

func assignmentDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	left := assigned(n)
	if left == nil || neutral(f, left.Parent) || left.Is("variable_name", "list_literal", "array_creation_expression") &&
		(isFirst(f, n, left) || isDead(f, n, left)) {
		return nil
	}
	return dropStatement(f, n)
}

func firstAssignmentDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	left := assigned(n)
	if !left.Is("variable_name", "list_literal", "array_creation_expression") || !isFirst(f, n, left) || isDead(f, n, left) {
		return nil
	}
	return dropStatement(f, n)
}

// variables calls visit for each plain variable in a function, functions
// within it too: they may share its variables.
func variables(f *syntax.File, fn *syntax.Node, visit func(v *syntax.Node, name string)) {
	fn.Walk(func(n *syntax.Node) bool {
		if n.Is("variable_name") && !n.Parent.Is("scoped_property_access_expression") {
			visit(n, f.Text(n))
		}
		return true
	})
}

// uses says where a function, with those in it, has its variables.
type uses struct {
	first, last map[string]syntax.Span // by name
	// open is true where it has ways to its variables besides their names; shared has
	// those that are references, global or static.
	open   bool
	shared map[string]bool
}

type usesKey struct{ function *syntax.Node }

// usesIn finds that out, once for each function.
func usesIn(f *syntax.File, fn *syntax.Node) *uses {
	return f.Memo(usesKey{fn}, func() any {
		u := &uses{first: map[string]syntax.Span{}, last: map[string]syntax.Span{}, shared: map[string]bool{}}
		variables(f, fn, func(v *syntax.Node, name string) {
			if _, seen := u.first[name]; !seen {
				u.first[name] = v.Span
			}
			u.last[name] = v.Span
		})
		u.findOpen(f, fn)
		return u
	}).(*uses)
}

// isFirst reports whether the variables on the left side have no value yet, as
// far as the order of the text tells.
func isFirst(f *syntax.File, n, left *syntax.Node) bool {
	fn := n.Up(functionKinds...)
	if fn == nil || n.Parent != nil && left.Parent.Is("augmented_assignment_expression") {
		return false
	}
	u := usesIn(f, fn)
	for name := range namesIn(f, left) {
		if u.first[name].Start < n.Start {
			return false
		}
	}
	return true
}

// isDead reports whether nothing in the function reads the variables on the
// left side, so that the assignment could be left out of the original too.
// Variables that live on after the function are never dead.
func isDead(f *syntax.File, n, left *syntax.Node) bool {
	fn := n.Up(functionKinds...)
	if fn == nil {
		return false
	}
	u, names := usesIn(f, fn), namesIn(f, left)
	if u.open {
		return false
	}
	inLoop := n.Up(append([]string{"named_label_statement"}, loopKinds...)...)
	if inLoop != nil && !fn.Span.Contains(inLoop.Span) {
		inLoop = nil
	}
	for name := range names {
		first, last := u.first[name], u.last[name]
		if u.shared[name] || last.Start > n.Start && !n.Span.Contains(last) || inLoop != nil && !n.Span.Contains(first) {
			return false
		}
	}
	return true
}

func namesIn(f *syntax.File, left *syntax.Node) map[string]bool {
	names := map[string]bool{}
	variables(f, left, func(_ *syntax.Node, name string) { names[name] = true })
	return names
}

// findOpen finds out whether a function has ways to its variables besides their names, and
// which of these are references, global or static.
func (u *uses) findOpen(f *syntax.File, fn *syntax.Node) {
	fn.Walk(func(n *syntax.Node) bool {
		switch n.Kind {
		case "dynamic_variable_name", "include_expression", "include_once_expression", "require_expression",
			"require_once_expression", "reference_assignment_expression":
			u.open = true
		case "function_call_expression":
			switch builtin(f, n) {
			case "compact", "extract", "get_defined_vars", "eval", "func_get_args":
				u.open = true
			}
		case "global_declaration", "function_static_declaration", "by_ref", "simple_parameter", "variadic_parameter", "property_promotion_parameter":
			ref := !strings.HasSuffix(n.Kind, "_parameter") || n.First("reference_modifier") != nil
			if ref && n.Is("by_ref", "simple_parameter", "variadic_parameter", "global_declaration", "function_static_declaration") {
				for name := range namesIn(f, n) {
					u.shared[name] = true
				}
			}
		}
		return true
	})
}

// outputDropped is for echo, and for print as a statement.
func outputDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	switch {
	case n.Is("echo_statement"):
		return dropStatement(f, n)
	case n.Parent.Is("expression_statement") && !shownByTag(f, n):
		return dropStatement(f, n.Parent)
	}
	return nil
}
