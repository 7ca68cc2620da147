package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// The extent family is off by one where no number is written out that the family integer
// could change.
func init() {
	kinds := []string{"argument", "binary_expression"}
	register(
		&mutate.Operator{
			ID: "extent/one-more",
			Doc: `An offset, a length or a count that is worked out is one larger: substr($a, 0, $n) becomes substr($a, 0, $n + 1).

No test pins down where the part begins or ends, or how many there are. Have a case in which one more makes a difference, and assert the exact result.`,
			Input:   "Add a case in which one more makes a difference: something must be there to be taken, counted or left out.",
			Outcome: "Assert the exact result, to its last character or element.",
			Hint:    extentHint,
			Before:  `$day = substr($stamp, 0, $width);`,
			After:   `$day = substr($stamp, 0, $width + 1);`,
			Kinds:   kinds, Wide: true, Apply: extended(1),
		},
		&mutate.Operator{
			ID: "extent/one-less",
			Doc: `An offset, a length or a count that is worked out is one smaller: substr($a, 0, $n) becomes substr($a, 0, $n - 1).

No test pins down where the part begins or ends, or how many there are. Have a case in which one less makes a difference, and assert the exact result.`,
			Input:   "Add a case in which one less makes a difference: something must be there to be taken, counted or left out.",
			Outcome: "Assert the exact result, to its last character or element.",
			Hint:    extentHint,
			Before:  `$day = substr($stamp, 0, $width);`,
			After:   `$day = substr($stamp, 0, $width - 1);`,
			Kinds:   kinds, Wide: true, Apply: extended(-1),
		},
	)
}

// extents says of functions which of their arguments, by place, are offsets, lengths or
// counts: "b" where one more and one less need tests of their own, "+" where a test that
// sees the one sees the other. From the manual.
var extents = map[string]string{
	"substr": ".bb", "mb_substr": ".bb", "array_slice": ".bb", "array_splice": ".bb",
	"array_pad": ".b", "str_pad": ".b", "mb_str_pad": ".b",
	"str_repeat": ".+", "array_fill": ".+", "array_chunk": ".+", "str_split": ".+", "mb_str_split": ".+", "range": "++",
}

// lengths count what there is in a value.
var lengths = wordSet("count sizeof strlen mb_strlen")

var (
	sums     = map[string]bool{"+": true, "-": true}
	products = map[string]bool{"*": true, "/": true, "%": true, "**": true}
)

// extended makes an extent one larger or smaller.
func extended(by int) applyFunc {
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		var at *syntax.Node
		switch {
		case n.Is("argument"):
			at = extentArgument(f, n, by)
		case isBinary(f, n, relationalOps):
			at = extentCompared(f, n, by)
		case by > 0:
			at = extentReckoned(f, n)
		}
		if at == nil {
			return nil
		}
		text := f.Text(at)
		if binding(f, at) < bindings["+"] {
			text = "(" + text + ")"
		}
		text += map[int]string{1: " + 1", -1: " - 1"}[by]
		if n.Is("binary_expression") && !isBinary(f, n, relationalOps) {
			text = "(" + text + ")"
		}
		return one(at, text)
	}
}

// extentArgument gives the value of an argument that is an extent.
func extentArgument(f *syntax.File, arg *syntax.Node, by int) *syntax.Node {
	call := arg.Parent.Parent
	how := extents[builtin(f, call)]
	if how == "" {
		return nil
	}
	args, ok := plainArgs(call)
	if !ok {
		return nil
	}
	for place, a := range args {
		if a != arg || place >= len(how) || how[place] == '.' || how[place] == '+' && by < 0 {
			continue
		}
		if v := argValue(arg); isReckoned(f, v) && !(place == 2 && isWholeLength(f, v, argValue(args[0]))) {
			return v
		}
	}
	return nil
}

// isReckoned reports whether an expression may be a number that is written nowhere: neither
// a literal, nor a constant, which the family declaration changes, nor a sum with a literal,
// which the family integer does.
func isReckoned(f *syntax.File, n *syntax.Node) bool {
	if typ := evident(f, n); typ != "" && typ != "int" && !strings.HasPrefix(typ, "int|") {
		return false
	}
	switch n = n.Unwrapped(); n.Kind {
	case "variable_name", "member_access_expression", "scoped_property_access_expression", "subscript_expression",
		"function_call_expression", "member_call_expression", "scoped_call_expression":
		return true
	case "unary_op_expression":
		return operatorText(f, n) == "-" && isReckoned(f, argumentOf(n))
	case "binary_expression":
		return (sums[operatorText(f, n)] || products[operatorText(f, n)]) && !hasNumber(f, n)
	}
	return false
}

// hasNumber reports whether a literal is one of the terms of a sum.
func hasNumber(f *syntax.File, n *syntax.Node) bool {
	for _, term := range operandsOf(f, n, sums) {
		if inner := term.Unwrapped(); isConstant(inner) || inner != term && hasNumber(f, inner) {
			return true
		}
	}
	return false
}

// isWholeLength reports whether a length is that of the whole text or array: what goes
// beyond the end, or is one short of it behind an offset, is the same.
func isWholeLength(f *syntax.File, n, whole *syntax.Node) bool {
	name, args, ok := callTo(f, n.Unwrapped(), 1)
	return ok && lengths[name] && f.Text(args[0]) == f.Text(whole)
}

// isLength reports whether an expression counts what there is, or is a sum with such a term
// and without a literal.
func isLength(f *syntax.File, n *syntax.Node) bool {
	n = n.Unwrapped()
	return lengths[builtin(f, n)] || firstLength(f, n) != nil && !hasNumber(f, n)
}

// firstLength gives the first term of a sum that counts what there is.
func firstLength(f *syntax.File, n *syntax.Node) (first *syntax.Node) {
	if !isBinary(f, n, sums) {
		return nil
	}
	for _, term := range operandsOf(f, n, sums) {
		if lengths[builtin(f, term)] && (first == nil || term.Start < first.Start) {
			first = term
		}
	}
	return first
}

// extentCompared gives the side of a comparison that is a length. One more or less on one
// side is one less or more on the other; and the way that opens the comparison is a boundary
// included or excluded, which the family relational makes.
func extentCompared(f *syntax.File, n *syntax.Node, by int) *syntax.Node {
	side, other := n.Child("left"), n.Child("right")
	if !isLength(f, side) {
		side, other = other, side
	}
	if !isLength(f, side) || isConstant(other) || hasNumber(f, other.Unwrapped()) || repeatsBoundary(f, side, int64(by)) {
		return nil
	}
	return side
}

// extentReckoned gives a length in a calculation. Of a sum that is compared, returned or an
// extent itself the whole is changed; see above, and the family return.
func extentReckoned(f *syntax.File, n *syntax.Node) *syntax.Node {
	switch {
	case isBinary(f, n, sums):
		top := n
		for top.Parent.Is("parenthesized_expression") {
			top = top.Parent
		}
		if isBinary(f, top.Parent, sums) || isBinary(f, top.Parent, relationalOps) || isBinary(f, top.Parent, equalityOps) ||
			top.Parent.Is("return_statement", "arrow_function") {
			return nil
		}
		first := firstLength(f, n)
		if first == nil || hasNumber(f, n) {
			return nil
		}
		if top.Parent.Is("argument") && (extentArgument(f, top.Parent, 1) != nil) {
			return nil
		}
		return first
	case isBinary(f, n, products):
		for _, side := range n.NamedChildren() {
			if lengths[builtin(f, side)] {
				return side
			}
		}
	}
	return nil
}

// extentHint says for which input one more or less shows.
func extentHint(f *syntax.File, n *syntax.Node, e mutate.Edit) mutate.Hints {
	less := strings.HasSuffix(strings.TrimRight(e.New, ")"), "- 1")
	if isBinary(f, n, relationalOps) {
		return extentHintCompared(f, n, e, less)
	}
	name, args, ok := callTo(f, n.Parent.Parent, 1)
	if !n.Is("argument") || !ok {
		return mutate.Hints{}
	}
	what := "text"
	if strings.HasPrefix(name, "array_") {
		what = "array"
	}
	place := 0
	for args[place] != n {
		place++
	}
	is := named(f, args[place], "the argument")
	switch {
	case extents[name] == ".bb" && place == 1:
		return mutate.Hints{Input: "Add a case in which " + is + " lies within the " + what + ", with something to be seen on both sides of it."}
	case extents[name] == ".bb" && less:
		return mutate.Hints{Input: "Add a case in which the " + what + " has all that " + is + " lets through."}
	case extents[name] == ".bb":
		return mutate.Hints{Input: "Add a case in which the " + what + " goes on behind the part that " + is + " lets through."}
	case strings.HasSuffix(name, "_pad") && less:
		return mutate.Hints{Input: "Add a case in which the " + what + " is shorter than " + is + "."}
	case strings.HasSuffix(name, "_pad"):
		return mutate.Hints{Input: "Add a case in which the " + what + " is not longer than " + is + "."}
	}
	return mutate.Hints{}
}

// extentHintCompared names the only value for which the comparison has another outcome.
func extentHintCompared(f *syntax.File, n *syntax.Node, e mutate.Edit, less bool) mutate.Hints {
	side, other := n.Child("left"), n.Child("right")
	if side.Span != e.Span {
		side, other = other, side
	}
	is, limit := named(f, side, ""), named(f, other, "")
	switch {
	case is == "" || limit == "":
		return mutate.Hints{}
	case less:
		return atLimit(f, n, is+" is exactly one more than "+limit)
	}
	return atLimit(f, n, is+" is exactly one less than "+limit)
}
