package operators

import (
	"fmt"
	"math/big"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	kinds := []string{"integer", "unary_op_expression"}
	register(
		&mutate.Operator{
			ID: "integer/plus-one",
			Doc: `An integer is one larger: 3 becomes 4.

No test pins this number down. Add one that lies exactly on it, or assert a result in which it shows.`,
			Input:   "Add a case in which this number and the one above it make a difference.",
			Outcome: "Assert a result in which this number shows.",
			Hint:    integerHint,
			Before:  `return $nights > 6;`, After: `return $nights > 7;`,
			Kinds: kinds, Apply: nudge(1),
		},
		&mutate.Operator{
			ID: "integer/minus-one",
			Doc: `An integer is one smaller: 3 becomes 2.

No test pins this number down. Add one that lies exactly on it, or assert a result in which it shows.`,
			Input:   "Add a case in which this number and the one below it make a difference.",
			Outcome: "Assert a result in which this number shows.",
			Hint:    integerHint,
			Before:  `return $nights >= 7;`, After: `return $nights >= 6;`,
			Kinds: kinds, Apply: nudge(-1),
		},
		&mutate.Operator{
			ID: "integer/zeroed",
			Doc: `An integer becomes 0.

No test depends on this number at all. Assert a result in which it shows.`,
			Input:   "Add a case in which this number makes a difference.",
			Outcome: "Assert a result in which this number shows.",
			Hint:    integerHint,
			Before:  `$limit = 40;`, After: `$limit = 0;`,
			Kinds: kinds, Wide: true, Apply: integerZeroed,
		},
		&mutate.Operator{
			ID: "integer/sign-flipped",
			Doc: `An integer has the opposite sign: 3 becomes -3.

No test depends on the sign of this number. Assert a result in which it shows.`,
			Input:   "Add a case in which the sign of this number makes a difference.",
			Outcome: "Assert a result in which this number shows with its sign.",
			Hint:    integerHint,
			Before:  `$step = 3;`, After: `$step = -3;`,
			Kinds: []string{"integer"}, Wide: true, Apply: signFlipped,
		},
	)
}

// A number is an integer literal with its sign: 12, -1, 0x1F, 0o17, 1_000.
type number struct {
	node   *syntax.Node // the literal, or the unary expression that holds its sign
	value  int64
	digits string // of the literal as written, without prefix and "_"
	prefix string // "0x", "0b", "0o", "0" or ""
	base   int
}

// numberAt reads the number at a node; ok is false for other nodes, for the
// literal inside a signed one, and for what is too large for PHP's integers.
func numberAt(f *syntax.File, n *syntax.Node) (x number, ok bool) {
	literal, negative := n, false
	switch {
	case n.Is("unary_op_expression"):
		literal, negative = argumentOf(n), operatorText(f, n) == "-"
		if !literal.Is("integer") || !negative {
			return number{}, false
		}
	case n.Parent.Is("unary_op_expression") && operatorText(f, n.Parent) == "-":
		return number{}, false
	}
	text := strings.ReplaceAll(f.Text(literal), "_", "")
	x = number{node: n, digits: text, base: 10}
	switch lower := strings.ToLower(text); {
	case strings.HasPrefix(lower, "0x"):
		x.prefix, x.base = text[:2], 16
	case strings.HasPrefix(lower, "0b"):
		x.prefix, x.base = text[:2], 2
	case strings.HasPrefix(lower, "0o"):
		x.prefix, x.base = text[:2], 8
	case len(text) > 1 && text[0] == '0':
		x.prefix, x.base = "0", 8
	}
	x.digits = text[len(x.prefix):]
	v, valid := new(big.Int).SetString(x.digits, x.base)
	if !valid || !v.IsInt64() {
		return number{}, false
	}
	if x.value = v.Int64(); negative {
		x.value = -x.value
	}
	return x, true
}

// write gives another value in the literal's own base, padded to its width.
func (x number) write(value int64) string {
	sign := ""
	magnitude := big.NewInt(value)
	if value < 0 {
		sign = "-"
		magnitude.Neg(magnitude)
	}
	digits := magnitude.Text(x.base)
	if strings.ContainsAny(x.digits, "ABCDEF") {
		digits = strings.ToUpper(digits)
	}
	if x.prefix != "" && len(digits) < len(x.digits) {
		digits = strings.Repeat("0", len(x.digits)-len(digits)) + digits
	}
	return sign + x.prefix + digits
}

// nudge moves a number by one.
func nudge(by int64) applyFunc {
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		x, ok := numberAt(f, n)
		if !ok || !literalIsFree(f, n) || isUntested(f, n) {
			return nil
		}
		to := x.value + by
		switch {
		case (to > x.value) != (by > 0): // overflow: PHP would make a float of it
			return nil
		case x.value == 0 && by < 0: // 1 says as much, and -1 is often an error
			return nil
		case to == 0 && isDivisor(f, n), to == 0 && isStepWidth(f, n):
			return nil
		case repeatsBoundary(f, n, by), by < 0 && isOnlyValue(f, n, x.value):
			return nil
		}
		return fit(f, n.Span, x.write(to))
	}
}

// isDivisor reports whether a number stands to the right of / or %: by zero
// they only throw.
func isDivisor(f *syntax.File, n *syntax.Node) bool {
	if n.Parent.Is("augmented_assignment_expression") {
		op := operatorText(f, n.Parent)
		return n.Field == "right" && (op == "/=" || op == "%=")
	}
	name, at := argumentIn(f, n)
	return isBinary(f, n.Parent, map[string]bool{"/": true, "%": true}) && n.Field == "right" ||
		at == 1 && (name == "intdiv" || name == "fmod" || name == "array_chunk" || name == "str_split")
}

// isStepWidth reports whether a number is the width of a loop's step, as in
// "$i += 1": with 0 the loop would not end.
func isStepWidth(f *syntax.File, n *syntax.Node) bool {
	for p := n.Parent; p != nil; p = p.Parent {
		if p.Is("assignment_expression", "augmented_assignment_expression") {
			return isStep(f, p, p.Child("left"))
		}
		if !p.Is("binary_expression", "parenthesized_expression") {
			return false
		}
	}
	return false
}

// isOnlyValue reports whether a number is handed on as it is, or is a larger
// operand in a calculation: then what kills one more kills one less.
func isOnlyValue(f *syntax.File, n *syntax.Node, value int64) bool {
	switch p := n.Parent; p.Kind {
	case "return_statement", "array_element_initializer":
		return true
	case "binary_expression":
		switch operatorText(f, p) {
		case "+", "-", "*", "/", "**":
			return value > 2 || value < -2
		}
	}
	return false
}

// repeatsBoundary reports whether the new number only moves a boundary as the
// family relational does: for integers "$a > 4" is "$a >= 5".
func repeatsBoundary(f *syntax.File, n *syntax.Node, by int64) bool {
	if !isBinary(f, n.Parent, relationalOps) {
		return false
	}
	op := operatorText(f, n.Parent)
	opens := map[string]int64{">": -1, ">=": 1, "<": 1, "<=": -1}[op]
	if n.Field == "left" {
		opens = -opens
	}
	return by == opens
}

// untestedArguments are numbers that tests cannot reasonably see: permissions,
// waiting times, limits of nesting.
var untestedArguments = map[string]bool{
	"mkdir": true, "chmod": true, "umask": true, "sleep": true, "usleep": true, "set_time_limit": true,
	"json_encode": true, "json_decode": true,
}

// isUntested reports whether a number is an argument of such a function.
func isUntested(f *syntax.File, n *syntax.Node) bool {
	name, _ := argumentIn(f, n)
	return untestedArguments[name]
}

func integerZeroed(f *syntax.File, n *syntax.Node) []mutate.Edit {
	x, ok := numberAt(f, n)
	// 1 and -1 become 0 by nudging.
	if !ok || x.value >= -1 && x.value <= 1 || !literalIsFree(f, n) || isUntested(f, n) ||
		isDivisor(f, n) || isStepWidth(f, n) {
		return nil
	}
	return fit(f, n.Span, "0")
}

func signFlipped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	x, ok := numberAt(f, n)
	if !ok || x.value == 0 || !literalIsFree(f, n) || isUntested(f, n) || isStepWidth(f, n) {
		return nil
	}
	if n.Parent.Is("unary_op_expression") || isBinary(f, n.Parent, map[string]bool{"**": true}) && n.Field == "left" {
		return nil
	}
	return fit(f, n.Span, fmt.Sprintf("-%s", f.Text(n)))
}
