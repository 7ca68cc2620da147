package operators

import (
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	compound := []string{"augmented_assignment_expression"}
	register(
		&mutate.Operator{
			ID: "assignment/growth-reversed",
			Doc: `What is added is subtracted: += becomes -=.

No test checks which way the total moves. Add one in which the added amount is not zero, and assert the total afterwards.`,
			Before: `$total += $price;`, After: `$total -= $price;`,
			Kinds: compound, Apply: swap(map[string]string{"+=": "-="}, assignedMatters),
		},
		&mutate.Operator{
			ID: "assignment/decline-reversed",
			Doc: `What is subtracted is added: -= becomes +=.

No test checks which way the total moves. Add one in which the amount taken off is not zero, and assert what is left.`,
			Before: `$stock -= $sold;`, After: `$stock += $sold;`,
			Kinds: compound, Apply: swap(map[string]string{"-=": "+="}, assignedMatters),
		},
		&mutate.Operator{
			ID: "assignment/scale-reversed",
			Doc: `Multiplication and division are swapped: *= becomes /=, and /= becomes *=.

No test sees the size of the result; a factor of 1 or a starting value of 0 hides it. Add one with other numbers, and assert the exact number.`,
			Before: `$price *= $factor;`, After: `$price /= $factor;`,
			Kinds: compound, Apply: swap(map[string]string{"*=": "/=", "/=": "*="}, assignedMatters),
		},
		&mutate.Operator{
			ID: "assignment/restarted",
			Doc: `The value before is lost: +=, -=, *= and the like become =.

No test has a value here that was worked on before. Add one with two steps, for example two items in the loop, and assert the final value.`,
			Before: `$total += $price;`, After: `$total = $price;`,
			Kinds: compound,
			Apply: swap(map[string]string{
				"+=": "=", "-=": "=", "*=": "=", "/=": "=", "%=": "=", "**=": "=",
				"|=": "=", "&=": "=", "^=": "=", "<<=": "=", ">>=": "=",
			}, assignedMatters),
		},
		&mutate.Operator{
			ID: "assignment/string-overwritten",
			Doc: `A string is overwritten, not appended to: .= becomes =.

No test appends twice and looks at more than the end. Add one, and compare the whole string.`,
			Before: `$line .= $word;`, After: `$line = $word;`,
			Kinds: compound, Apply: swap(map[string]string{".=": "="}, assignedMatters),
		},
		&mutate.Operator{
			ID: "assignment/value-overwritten",
			Doc: `A value that is already there is overwritten: ??= becomes =.

No test begins with a value. Add one in which it is set before, or which asks twice, and assert that the first value is kept.`,
			Before: `$berth ??= $default;`, After: `$berth = $default;`,
			Kinds: compound, Apply: swap(map[string]string{"??=": "="}, nil),
		},
		&mutate.Operator{
			ID: "assignment/bits-reversed",
			Doc: `Bits are set instead of masked, or shifted the other way: |= becomes &=, &= and ^= become |=, <<= becomes >>=, >>= becomes <<=.

No test looks at the single bits of the result. Add one in which both sides have a bit that the other lacks, and assert the exact number.`,
			Before: `$flags |= $flag;`, After: `$flags &= $flag;`,
			Kinds:   compound,
			Version: 1,
			Apply:   swap(map[string]string{"|=": "&=", "&=": "|=", "^=": "|=", "<<=": ">>=", ">>=": "<<="}, bitsMatter),
		},
	)
}

// assignedMatters leaves array unions alone, steps of loops (they would not
// end), and right sides of no effect such as "+= 0".
func assignedMatters(f *syntax.File, n *syntax.Node) bool {
	left, right := n.Child("left"), n.Child("right")
	if isStep(f, n, left) {
		return false
	}
	switch op := operatorText(f, n); op {
	case "+=":
		return !isArray(f, left) && !isArray(f, right) && !isLiteral(f, right, zeros...)
	case "-=":
		return !isLiteral(f, right, zeros...)
	case "*=", "/=", "**=":
		return !isLiteral(f, right, ones...)
	case ".=":
		return !isLiteral(f, right, nothing...)
	default:
		return !strings.HasSuffix(op, "??=")
	}
}

// bitsMatter leaves "^= 0" and shifts by 0 alone, which the other operator does as well.
func bitsMatter(f *syntax.File, n *syntax.Node) bool {
	switch operatorText(f, n) {
	case "^=", "<<=", ">>=":
		if isLiteral(f, n.Child("right"), "0") {
			return false
		}
	}
	return assignedMatters(f, n)
}
