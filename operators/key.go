package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The key family takes one element of an array for another.
func init() {
	register(
		&mutate.Operator{
			ID: "key/another",
			Doc: `Another key is used, one that the same function uses with the same array: $a['from'] becomes $a['to'].

No test tells the two elements apart. Give them different values, and assert what comes of each.`,
			Input:   "Add a case in which the two elements have different values.",
			Outcome: "Assert what comes of this element, in a case in which the other one has another value.",
			Hint:    mistakenHint,
			Before:  `function f($a) { $a['to'] ??= 1; return $a['from']; }`,
			After:   `function f($a) { $a['to'] ??= 1; return $a['to']; }`,
			Kinds:   []string{"subscript_expression"},
			Apply:   anotherKey,
		},
	)
}

// A keyUse is a key that a function uses with an array.
type keyUse struct {
	text    string // as written, with its quotes
	literal string // what an array literal has for it, where that is a literal; else ""
}

// anotherKey takes the key that is used next with the same array, or the first one behind the
// last: each is put in the place of another one. Numbers are left to the family integer, and
// of what is only written to, the keys are not exchanged: the family effect leaves the
// statement out, which is harder to see.
func anotherKey(f *syntax.File, n *syntax.Node) []mutate.Edit {
	base, key := keyed(f, n)
	if base == nil || isWrittenTo(f, n) {
		return nil
	}
	used := keysIn(f)[arrayIn{owner(f, n), f.Text(base)}]
	at := 0
	for at < len(used) && bareKey(used[at].text) != bareKey(f.Text(key)) {
		at++
	}
	for step := 1; step < min(len(used), mostTried+1); step++ {
		other := used[(at+step)%len(used)]
		if other.literal != "" && other.literal == used[at].literal {
			continue
		}
		if whole := string(f.Src[n.Start:key.Start]) + other.text + string(f.Src[key.End:n.End]); !repeatsNeighbour(f, n, whole) {
			return one(key, other.text)
		}
	}
	return nil
}

// keyed gives the array and the key of an element whose key is a text that is written out;
// nil for others, and within the little language of strings.
func keyed(f *syntax.File, n *syntax.Node) (base, key *syntax.Node) {
	parts := n.NamedChildren()
	if !n.Is("subscript_expression") || len(parts) != 2 || n.Bad || !isPlainText(f, parts[1]) || inText(n) {
		return nil, nil
	}
	if !parts[0].Is("variable_name", "member_access_expression", "scoped_property_access_expression", "subscript_expression") {
		return nil, nil
	}
	return parts[0], parts[1]
}

// isPlainText reports whether a node is a text in which each character stands for itself.
func isPlainText(f *syntax.File, n *syntax.Node) bool {
	text := f.Text(n)
	return n.Is("string", "encapsed_string") && len(text) > 2 && !strings.ContainsAny(text, `\$`) &&
		strings.IndexByte(`'"`, text[0]) >= 0
}

func bareKey(text string) string { return text[1 : len(text)-1] }

// owner gives the function whose variables a node sees, or the file. An arrow function sees
// those of the function around it.
func owner(f *syntax.File, n *syntax.Node) *syntax.Node {
	for fn := n.Up(functionKinds...); fn != nil; fn = fn.Up(functionKinds...) {
		if !fn.Is("arrow_function") {
			return fn
		}
	}
	return f.Root
}

// An arrayIn is an array by the code that names it, in a function.
type arrayIn struct {
	owner *syntax.Node
	code  string
}

type keysOfFile struct{}

// keysIn gives the keys that are used with each array of a file, each once, in source order:
// in elements, and in array literals that are assigned to it.
func keysIn(f *syntax.File) map[arrayIn][]keyUse {
	return f.Memo(keysOfFile{}, func() any {
		all := map[arrayIn][]keyUse{}
		seen := map[arrayIn]map[string]bool{}
		put := func(in arrayIn, use keyUse) {
			if seen[in] == nil {
				seen[in] = map[string]bool{}
			}
			if !seen[in][bareKey(use.text)] {
				seen[in][bareKey(use.text)] = true
				all[in] = append(all[in], use)
			}
		}
		f.Walk(func(n *syntax.Node) bool {
			if base, key := keyed(f, n); base != nil {
				put(arrayIn{owner(f, n), f.Text(base)}, keyUse{text: f.Text(key)})
			}
			right := n.Child("right").Unwrapped()
			if !n.Is("assignment_expression") || !right.Is("array_creation_expression") {
				return true
			}
			for _, e := range elements(right) {
				if parts := e.NamedChildren(); len(parts) == 2 && isPlainText(f, parts[0]) {
					use := keyUse{text: f.Text(parts[0])}
					if isConstant(parts[1]) {
						use.literal = f.Text(parts[1])
					}
					put(arrayIn{owner(f, n), f.Text(n.Child("left"))}, use)
				}
			}
			return true
		})
		return all
	}).(map[arrayIn][]keyUse)
}
