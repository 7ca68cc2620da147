package operators

import (
	"slices"

	"assay/mutate"
	"assay/mutate/syntax"
)

// These operators of the array family change where something is put.
func init() {
	register(
		&mutate.Operator{
			ID: "array/key-left-out",
			Doc: `A value is appended, and not put under its key: $a[$key] = $b becomes $a[] = $b.

No test looks for the value under its key, or puts a second one there. Assert the whole array with assertSame, keys and all, in a case in which a key comes twice.`,
			Before: `$berths[$boat] = $pier;`, After: `$berths[] = $pier;`,
			Kinds: []string{"assignment_expression"}, Wide: true, Apply: keyLeftOut,
		},
		&mutate.Operator{
			ID: "array/targets-swapped",
			Doc: `Two neighbours of what an array is taken apart into are swapped: [$a, $b] = ... becomes [$b, $a] = ...

No test has two different values here and looks at what became of them. Use two that differ, and assert both.`,
			Before: `[$from, $to] = $trip;`, After: `[$to, $from] = $trip;`,
			Kinds: []string{"list_literal"}, Wide: true, Apply: targetsSwapped,
		},
	)
}

// keyLeftOut leaves alone keys that are written out, and those that count: what is appended
// mostly comes to the same place.
func keyLeftOut(f *syntax.File, n *syntax.Node) []mutate.Edit {
	left := n.Child("left")
	parts := left.NamedChildren()
	if !left.Is("subscript_expression") || len(parts) != 2 || !n.Parent.Is("expression_statement") || left.Bad {
		return nil
	}
	base, key := parts[0], parts[1].Unwrapped()
	if f.Text(base) == "$this" || f.Text(base) == "$GLOBALS" || evident(f, base) == "string" || !base.Is("variable_name", "member_access_expression", "scoped_property_access_expression", "subscript_expression") {
		return nil
	}
	switch {
	case key.Is("variable_name", "member_access_expression", "scoped_property_access_expression"):
		if isCounter(f, key) {
			return nil
		}
	case key.Is("subscript_expression", "member_call_expression", "scoped_call_expression", "encapsed_string"):
	case key.Is("function_call_expression") && !lengths[builtin(f, key)]:
	case isBinary(f, key, map[string]bool{".": true}):
	default:
		return nil
	}
	return remove(parts[1].Start, parts[1].End)
}

type countersKey struct{ function *syntax.Node }

// isCounter reports whether the function around a variable or property counts with it.
func isCounter(f *syntax.File, n *syntax.Node) bool {
	fn := owner(f, n)
	return f.Memo(countersKey{fn}, func() any {
		counters := map[string]bool{}
		fn.Walk(func(c *syntax.Node) bool {
			switch {
			case c.Is("update_expression"):
				counters[f.Text(argumentOf(c))] = true
			case c.Is("augmented_assignment_expression"):
				counters[f.Text(c.Child("left"))] = true
			}
			return true
		})
		return counters
	}).(map[string]bool)[f.Text(n)]
}

// targetsSwapped swaps neighbours that are plain variables, properties or elements; what is
// taken apart further, or by reference, stays where it is.
func targetsSwapped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	var targets []*syntax.Node // nil for one that is left out, or no plain one
	var target *syntax.Node
	for _, c := range n.Children {
		switch {
		case c.Is(",", "]", ")"):
			targets, target = append(targets, target), nil
		case c.Named && c.Is("variable_name", "member_access_expression", "subscript_expression", "scoped_property_access_expression"):
			target = c
		case c.Named && c.Kind != "comment":
			target = nil
		}
	}
	var out []mutate.Edit
	for i := 1; i < len(targets); i++ {
		if pair := targets[i-1 : i+1]; !slices.Contains(pair, nil) {
			out = append(out, exchanged(f, pair[0], pair[1])...)
		}
	}
	return out
}
