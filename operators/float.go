package operators

import (
	"math/big"
	"strconv"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	kinds := []string{"float"}
	register(
		&mutate.Operator{
			ID: "float/last-digit-raised",
			Doc: `A float is a little larger: its last digit goes up by one, 0.19 becomes 0.20.

No test is fine enough to see this: amounts too small, rounding, or a tolerance too wide. Add one with an amount large enough for the last digit to show, and assert the exact result.`,
			Input:   "Add a case in which the last digit shows: an amount that is large enough, or a value between the two numbers.",
			Outcome: "Assert the exact result: rounding, or a tolerance that is too wide, hides the last digit.",
			Hint:    floatHint,
			Before:  `$tax = $net * 0.19;`, After: `$tax = $net * 0.20;`,
			Kinds: kinds, Apply: lastDigitRaised,
		},
		&mutate.Operator{
			ID: "float/zeroed",
			Doc: `A float becomes 0.0.

No test depends on this number at all. Assert a result in which it shows.`,
			Input:   "Add a case in which this number makes a difference.",
			Outcome: "Assert a result in which this number shows.",
			Hint:    floatHint,
			Before:  `$tax = $net * 0.19;`, After: `$tax = $net * 0.0;`,
			Kinds: kinds, Wide: true, Apply: floatZeroed,
		},
	)
}

func lastDigitRaised(f *syntax.File, n *syntax.Node) []mutate.Edit {
	text := f.Text(n)
	to, ok := raised(text)
	if !ok || !literalIsFree(f, signed(f, n)) || sameFloat(text, to) {
		return nil
	}
	return fit(f, n.Span, to)
}

// signed gives the unary expression that holds a literal's minus, or the
// literal itself.
func signed(f *syntax.File, n *syntax.Node) *syntax.Node {
	if n.Parent.Is("unary_op_expression") && operatorText(f, n.Parent) == "-" {
		return n.Parent
	}
	return n
}

// raised adds one to the last digit in front of the exponent: ".5" => ".6",
// "1.99" => "2.00", "1e3" => "2e3". ok is false for an integer too large
// for PHP's integers, which the grammar calls an integer as well.
func raised(text string) (string, bool) {
	mantissa, exponent := text, ""
	if i := strings.IndexAny(text, "eE"); i >= 0 {
		mantissa, exponent = text[:i], text[i:]
	}
	mantissa = strings.ReplaceAll(mantissa, "_", "")
	whole, fraction, point := strings.Cut(mantissa, ".")
	digits, ok := new(big.Int).SetString(whole+fraction, 10)
	if !ok {
		return "", false
	}
	out := digits.Add(digits, big.NewInt(1)).String()
	if short := len(whole) + len(fraction) - len(out); short > 0 {
		out = strings.Repeat("0", short) + out
	}
	if point {
		cut := len(out) - len(fraction)
		out = out[:cut] + "." + out[cut:]
	}
	return out + exponent, true
}

// sameFloat reports whether two literals are the same number to PHP, as they
// are when the last digit lies beyond a float's precision.
func sameFloat(a, b string) bool {
	x, errX := strconv.ParseFloat(strings.ReplaceAll(a, "_", ""), 64)
	y, errY := strconv.ParseFloat(b, 64)
	return errX != nil || errY != nil || x == y
}

func floatZeroed(f *syntax.File, n *syntax.Node) []mutate.Edit {
	at := signed(f, n)
	if !literalIsFree(f, at) || isDivisor(f, at) || sameFloat(f.Text(n), "0.0") {
		return nil
	}
	return fit(f, n.Span, "0.0")
}
