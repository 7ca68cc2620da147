package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	register(&mutate.Operator{
		ID: "effect/order-swapped",
		Doc: `Two calls of methods that share a property of the object are made in the other order.

No test depends on which of the two comes first. Have a case in which the first one changes what the second one needs, and assert the outcome.`,
		Before: `class Pier { function open() { $this->fill(); $this->sort(); } function fill() { $this->list = [2]; } function sort() { sort($this->list); } }`,
		After:  `class Pier { function open() { $this->sort(); $this->fill(); } function fill() { $this->list = [2]; } function sort() { sort($this->list); } }`,
		Kinds:  []string{"expression_statement"},
		Wide:   true,
		Apply:  orderSwapped,
	})
}

// orderSwapped is for two statements in a row that call methods of this object, both written in
// its class, of which one evidently assigns to a property that the other one mentions.
func orderSwapped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	second := following(n)
	if !second.Is("expression_statement") || second.Bad || f.Src[n.End-1] != ';' || f.Src[second.End-1] != ';' {
		return nil
	}
	a, b := ownMethodCalled(f, n), ownMethodCalled(f, second)
	if a == nil || b == nil || a == b || !(sharesWritten(f, a, b) || sharesWritten(f, b, a)) {
		return nil
	}
	return exchanged(f, n, second)
}

// ownMethodCalled gives the method of the class around that a statement calls on $this.
func ownMethodCalled(f *syntax.File, n *syntax.Node) *syntax.Node {
	call := called(f, n)
	if !call.Is("member_call_expression") || !n.Parent.Is("compound_statement") {
		return nil
	}
	return declarationCalled(f, call)
}

// sharesWritten reports whether one method assigns to a property that another one mentions.
func sharesWritten(f *syntax.File, writes, mentions *syntax.Node) bool {
	used := propertiesUsed(f, mentions)
	for property, written := range propertiesUsed(f, writes) {
		if _, is := used[property]; written && is {
			return true
		}
	}
	return false
}

type propertiesUsedKey struct{ function *syntax.Node }

// propertiesUsed gives the properties of $this that a function mentions, with whether it
// assigns to them.
func propertiesUsed(f *syntax.File, fn *syntax.Node) map[string]bool {
	return f.Memo(propertiesUsedKey{fn}, func() any {
		used := map[string]bool{}
		fn.Walk(func(n *syntax.Node) bool {
			if n.Is("member_access_expression") && f.Text(n.Child("object")) == "$this" {
				name := strings.TrimSpace(f.Text(n.Child("name")))
				used[name] = used[name] || isWrittenTo(f, n)
			}
			return true
		})
		return used
	}).(map[string]bool)
}
