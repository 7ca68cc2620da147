package operators

import (
	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	binary := []string{"binary_expression"}
	register(
		&mutate.Operator{
			ID: "arithmetic/sum-reversed",
			Doc: `A sum becomes a difference: + becomes -.

No test pins the result of this sum down. Add one in which the right side is not zero, and assert the exact number, worked out by hand.`,
			Input:   "Add a case in which the right side is not zero.",
			Outcome: "Assert the exact number that comes out, worked out by hand.",
			Before:  `$fare + $toll;`, After: `$fare - $toll;`,
			Kinds: binary, Apply: swap(map[string]string{"+": "-"}, sumMatters),
		},
		&mutate.Operator{
			ID: "arithmetic/difference-reversed",
			Doc: `A difference becomes a sum: - becomes +.

No test pins the result of this difference down. Add one in which the right side is not zero, and assert the exact number, worked out by hand.`,
			Input:   "Add a case in which the right side is not zero.",
			Outcome: "Assert the exact number that comes out, worked out by hand.",
			Before:  `$fare - $rebate;`, After: `$fare + $rebate;`,
			Kinds: binary, Apply: swap(map[string]string{"-": "+"}, sumMatters),
		},
		&mutate.Operator{
			ID: "arithmetic/product-reversed",
			Doc: `A product becomes a quotient: * becomes /.

No test sees the size of this product; those in which the factor is 1 or the other side is 0 cannot. Add one with a factor of, say, 3, and assert the exact number.`,
			Input:   "Add a case in which the left side is not 0 and the right one is neither 1 nor -1.",
			Outcome: "Assert the exact number that comes out.",
			Before:  `$nights * $rate;`, After: `$nights / $rate;`,
			Kinds: binary, Apply: swap(map[string]string{"*": "/"}, factorMatters),
		},
		&mutate.Operator{
			ID: "arithmetic/quotient-reversed",
			Doc: `A quotient becomes a product: / becomes *.

No test sees the size of this quotient; those in which the divisor is 1 or the dividend is 0 cannot. Add one in which the division matters, and assert the exact number.`,
			Input:   "Add a case in which the left side is not 0 and the right one is neither 1 nor -1.",
			Outcome: "Assert the exact number that comes out.",
			Before:  `$total / $people;`, After: `$total * $people;`,
			Kinds: binary, Apply: swap(map[string]string{"/": "*"}, factorMatters),
		},
		&mutate.Operator{
			ID: "arithmetic/remainder-dropped",
			Doc: `The remainder is not taken: $a % $b becomes $a.

No test has a left side that is larger than the right one. Add one, for example the eighth day of a week, and assert where the count begins again.`,
			Input:   "Add a case in which the left side is at least as large as the right one, such as the eighth day of a week.",
			Outcome: "Assert the number at which the count begins again.",
			Before:  `$day % 7;`, After: `$day;`,
			Kinds: binary, Apply: keepLeftOf("%"),
		},
		&mutate.Operator{
			ID: "arithmetic/power-flattened",
			Doc: `A power becomes a product: ** becomes *.

No test tells the power from the product: they agree for 2 and 2, for an exponent of 1, and for 0. Add one with other numbers, such as 3 to the power of 2, and assert the exact number.`,
			Input:   "Add a case in which the power and the product differ, such as 3 to the power of 2.",
			Outcome: "Assert the exact number that comes out.",
			Before:  `$side ** 2;`, After: `$side * 2;`,
			Kinds: binary, Apply: swap(map[string]string{"**": "*"}, powerMatters),
		},
		&mutate.Operator{
			ID: "arithmetic/sign-dropped",
			Doc: `The sign is dropped: -$a becomes $a.

No test sees whether this value is negative. Add one in which it is not zero, and assert the result with its sign.`,
			Input:   "Add a case in which the value is not zero.",
			Outcome: "Assert the result with its sign.",
			Before:  `return -$offset;`, After: `return $offset;`,
			Kinds: []string{"unary_op_expression"}, Apply: signDropped,
		},
	)
}

// sumMatters leaves alone the union of arrays, which has no counterpart, and
// what adding and subtracting do not tell apart: "x + 0".
func sumMatters(f *syntax.File, n *syntax.Node) bool {
	left, right := n.Child("left"), n.Child("right")
	return !isArray(f, left) && !isArray(f, right) && !isLiteral(f, right, zeros...)
}

// factorMatters leaves "x * 1" and "x / 1" alone, which are the same.
func factorMatters(f *syntax.File, n *syntax.Node) bool {
	return !isLiteral(f, n.Child("right"), ones...)
}

// powerMatters leaves "x ** 1" and "2 ** 2" alone.
func powerMatters(f *syntax.File, n *syntax.Node) bool {
	return !isLiteral(f, n.Child("right"), "1", "1.0") &&
		!(isLiteral(f, n.Child("left"), "2") && isLiteral(f, n.Child("right"), "2"))
}

// keepLeftOf is the rule "a op b" => "a".
func keepLeftOf(op string) applyFunc {
	return func(f *syntax.File, n *syntax.Node) []mutate.Edit {
		if operatorText(f, n) != op {
			return nil
		}
		return keepSide(f, n, n.Child("left"))
	}
}

// signDropped leaves "-0" alone, and signs of literals where no literal may
// change.
func signDropped(f *syntax.File, n *syntax.Node) []mutate.Edit {
	arg := argumentOf(n)
	if operatorText(f, n) != "-" || arg == nil || isLiteral(f, arg, zeros...) {
		return nil
	}
	if arg.Is("integer", "float") && !literalIsFree(f, n) {
		return nil
	}
	return keepSide(f, n, arg)
}
