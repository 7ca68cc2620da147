package operators

import (
	"assay/mutate"
	"assay/mutate/syntax"
)

func init() {
	binary := []string{"binary_expression"}
	or := map[string]bool{"|": true}
	register(
		&mutate.Operator{
			ID: "bitwise/mask-reversed",
			Doc: `Bits are set instead of masked: & becomes |.

No test looks at which bits are left. Add one in which the mask takes a bit away, and assert the exact number.`,
			Input:   "Add a case in which one side has a bit that the other lacks.",
			Outcome: "Assert the exact number that comes out.",
			Hint:    maskHint,
			Before:  `return $flags & $mask;`, After: `return $flags | $mask;`,
			Kinds: binary, Apply: swap(map[string]string{"&": "|"}, nil),
		},
		&mutate.Operator{
			ID: "bitwise/mask-dropped",
			Doc: `The mask is not applied: $a & $b becomes $a.

No test has a bit set outside the mask. Add one, and assert that it is gone.`,
			Input:   "Add a case with a bit set outside the mask.",
			Outcome: "Assert that the bit outside the mask is gone.",
			Before:  `return $flags & $mask;`, After: `return $flags;`,
			Kinds: binary, Apply: keepLeftOf("&"),
		},
		&mutate.Operator{
			ID: "bitwise/right-flag-dropped",
			Doc: `The flag on the right is dropped: $a | $b becomes $a.

No test depends on the bits of the right side. Add one that fails without this flag, or drop the flag.`,
			Input:   "Add a case in which the right side has a bit that the left one lacks.",
			Outcome: "Assert that this bit is set, or what the flag is for.",
			Hint:    flagHint(true),
			Before:  `return $read | $write;`, After: `return $read;`,
			Kinds: binary, Apply: dropFromChain(or, true, flagMatters), Version: 1,
		},
		&mutate.Operator{
			ID: "bitwise/left-flag-dropped",
			Doc: `The flag on the left is dropped: $a | $b becomes $b.

No test depends on the bits of the left side. Add one that fails without this flag, or drop the flag.`,
			Input:   "Add a case in which the left side has a bit that the right one lacks.",
			Outcome: "Assert that this bit is set, or what the flag is for.",
			Hint:    flagHint(false),
			Before:  `return $read | $write;`, After: `return $write;`,
			Kinds: binary, Apply: dropFromChain(or, false, flagMatters), Version: 1,
		},
		&mutate.Operator{
			ID: "bitwise/flags-masked",
			Doc: `Bits are masked instead of set: | becomes &.

No test looks at the bits of the result. Add one in which each side has a bit that the other lacks, and assert the exact number.`,
			Input:   "Add a case in which one side has a bit that the other lacks.",
			Outcome: "Assert the exact number that comes out.",
			Before:  `return $read | $write;`, After: `return $read & $write;`,
			Kinds: binary, Wide: true, Apply: swap(map[string]string{"|": "&"}, nil),
		},
		&mutate.Operator{
			ID: "bitwise/toggle-never-clears",
			Doc: `Bits that both sides have are not cleared: ^ becomes |.

No test has a bit that is set on both sides. Add one, and assert that it is cleared.`,
			Input:   "Add a case with a bit that is set on both sides.",
			Outcome: "Assert that a bit that both sides have is cleared.",
			Before:  `return $state ^ $toggle;`, After: `return $state | $toggle;`,
			Kinds: binary, Version: 1,
			Apply: swap(map[string]string{"^": "|"}, func(f *syntax.File, n *syntax.Node) bool {
				return !isLiteral(f, n.Child("left"), "0") && !isLiteral(f, n.Child("right"), "0")
			}),
		},
		&mutate.Operator{
			ID: "bitwise/complement-dropped",
			Doc: `The bits are not inverted: ~$a becomes $a.

No test looks at the bits that should be inverted. Add one with a bit set inside and one outside this value, and assert the exact number.`,
			Input:   "Add a case with a bit set inside and one outside this value.",
			Outcome: "Assert the exact number that comes out.",
			Before:  `return ~$mask;`, After: `return $mask;`,
			Kinds: []string{"unary_op_expression"},
			Apply: func(f *syntax.File, n *syntax.Node) []mutate.Edit {
				if operatorText(f, n) != "~" {
					return nil
				}
				return keepSide(f, n, argumentOf(n))
			},
		},
		&mutate.Operator{
			ID: "bitwise/shift-reversed",
			Doc: `The bits are shifted the other way: << becomes >>, and >> becomes <<.

No test looks at the shifted number. Add one with a shift of at least one place and a number that is not zero, and assert the result.`,
			Input:   "Add a case with a shift of at least one place and a number that is not zero.",
			Outcome: "Assert the exact number that comes out.",
			Before:  `return 1 << $bit;`, After: `return 1 >> $bit;`,
			Kinds: binary,
			Apply: swap(map[string]string{"<<": ">>", ">>": "<<"}, func(f *syntax.File, n *syntax.Node) bool {
				return !isLiteral(f, n.Child("right"), "0")
			}),
		},
	)
}

// flagMatters leaves a 0 alone beside what is an integer anyway; of another value
// "| 0" makes one.
func flagMatters(f *syntax.File, dropped, kept *syntax.Node) bool {
	return !isLiteral(f, dropped, "0") || certain(f, kept) != "int"
}

// flagHint names the constant that is dropped, on the right or on the left.
func flagHint(right bool) hintFunc {
	return func(f *syntax.File, n *syntax.Node, _ mutate.Edit) mutate.Hints {
		side := "left"
		if right {
			side = "right"
		}
		flag := n.Child(side)
		code := named(f, flag, "")
		if code == "" || !isConstant(flag) {
			return mutate.Hints{}
		}
		return mutate.Hints{Outcome: "Assert a result that is another one without " + code + ".",
			Either: "No test depends on " + code + ". Have a case whose result is another one without it, and assert that, or drop it."}
	}
}

// maskHint is for a mask of which only counts whether any bit is left.
func maskHint(f *syntax.File, n *syntax.Node, _ mutate.Edit) mutate.Hints {
	at := n
	for at.Parent.Is("parenthesized_expression") {
		at = at.Parent
	}
	asks := isNot(f, at.Parent) || isBinary(f, at.Parent, logicalOps) || at.Field == "condition"
	code := named(f, n, "")
	if code == "" || !asks {
		return mutate.Hints{}
	}
	return decided(code + " does not hold")
}
