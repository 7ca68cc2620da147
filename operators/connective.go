package operators

import (
	"assay/mutate"
	"assay/mutate/syntax"
)

// Which mutants of a logical operator suffice follows from the four cases of
// two truth values. One side of && dropped is killed only where that side alone
// is false, false in its place only where both are true, and whatever kills a
// dropped side also kills || in the place of &&; likewise for ||.
// The method, comparing the cases that detect each mutant, is that of R. Just,
// G. M. Kapfhammer, F. Schweiggert, "Do redundant mutants affect the
// effectiveness and efficiency of mutation analysis?", Mutation 2012 (from
// memory). "Both equal", which they keep as well, has no plain form in PHP.
func init() {
	binary := []string{"binary_expression"}
	and, or := map[string]bool{"&&": true, "and": true}, map[string]bool{"||": true, "or": true}
	register(
		&mutate.Operator{
			ID: "connective/and-right-dropped",
			Doc: `The right condition is dropped: $a && $b becomes $a.

No test has the left side true and the right side false. Add that case, and assert that it comes out as false.`,
			Input:   "Add a case in which the left side is true and the right one false.",
			Outcome: "Assert that it comes out as false when only the right side is false.",
			Hint:    connectiveHint,
			Before:  `return $open && $dry;`, After: `return $open;`,
			Kinds: binary, Apply: dropFromChain(and, true, nil),
		},
		&mutate.Operator{
			ID: "connective/and-left-dropped",
			Doc: `The left condition is dropped: $a && $b becomes $b.

No test has the left side false and the right side true. Add that case, and assert that it comes out as false.`,
			Input:   "Add a case in which the left side is false and the right one true.",
			Outcome: "Assert that it comes out as false when only the left side is false.",
			Hint:    connectiveHint,
			Before:  `return $open && $dry;`, After: `return $dry;`,
			Kinds: binary, Apply: dropFromChain(and, false, notDeniedAgain), Version: 1,
		},
		&mutate.Operator{
			ID: "connective/or-right-dropped",
			Doc: `The right condition is dropped: $a || $b becomes $a.

No test has the left side false and the right side true. Add that case, and assert that it comes out as true.`,
			Input:   "Add a case in which the left side is false and the right one true.",
			Outcome: "Assert that it comes out as true when only the right side is true.",
			Hint:    connectiveHint,
			Before:  `return $early || $late;`, After: `return $early;`,
			Kinds: binary, Apply: dropFromChain(or, true, nil),
		},
		&mutate.Operator{
			ID: "connective/or-left-dropped",
			Doc: `The left condition is dropped: $a || $b becomes $b.

No test has the left side true and the right side false. Add that case, and assert that it comes out as true.`,
			Input:   "Add a case in which the left side is true and the right one false.",
			Outcome: "Assert that it comes out as true when only the left side is true.",
			Hint:    connectiveHint,
			Before:  `return $early || $late;`, After: `return $late;`,
			Kinds: binary, Apply: dropFromChain(or, false, notSaidAgain), Version: 1,
		},
		&mutate.Operator{
			ID: "connective/outcome-forced",
			Doc: `The conditions no longer matter: && becomes false, || becomes true.

No test depends on the case in which, for &&, everything holds, or, for ||, nothing does. Add that case, and assert what happens then.`,
			Input:   "Add a case in which, for &&, both sides are true, or, for ||, both are false.",
			Outcome: "Assert what happens when, for &&, both sides are true, or, for ||, both are false.",
			Hint:    forcedHint,
			Before:  `return $open && $dry;`, After: `return false;`,
			Kinds: binary, Apply: outcomeForced,
		},
		&mutate.Operator{
			ID: "connective/all-any-swapped",
			Doc: `All conditions must hold where any of them was enough, or the other way round: && and || are swapped, as are "and" and "or".

No test has one side true and the other false. Add both such cases, and assert the outcome.`,
			Input:   "Add a case in which one side is true and the other false.",
			Outcome: "Assert the outcome when one side is true and the other false.",
			Hint:    connectiveHint,
			Before:  `return $open && $dry;`, After: `return $open || $dry;`,
			Kinds: binary, Wide: true,
			Apply: swap(map[string]string{"&&": "||", "||": "&&", "and": "or", "or": "and"}, nil),
		},
		&mutate.Operator{
			ID: "connective/xor-loosened",
			Doc: `One or both may hold where just one had to: xor becomes or.

No test has both sides true. Add that case, and assert that it comes out as false.`,
			Input:   "Add a case in which both sides are true.",
			Outcome: "Assert that it comes out as false when both sides are true.",
			Before:  `return ($card xor $cash);`, After: `return ($card or $cash);`,
			Kinds: binary, Apply: swap(map[string]string{"xor": "or"}, nil),
		},
		&mutate.Operator{
			ID: "connective/xor-tightened",
			Doc: `Both must hold where just one had to: xor becomes and.

No test has one side true and the other false. Add both such cases, and assert that they come out as true.`,
			Input:   "Add a case in which one side is true and the other false.",
			Outcome: "Assert that it comes out as true when just one side is.",
			Before:  `return ($card xor $cash);`, After: `return ($card and $cash);`,
			Kinds: binary, Wide: true, Apply: swap(map[string]string{"xor": "and"}, nil),
		},
		&mutate.Operator{
			ID: "connective/not-dropped",
			Doc: `The negation is dropped: !$a becomes $a.

No test depends on the outcome of this condition. Add a case for each of its two values, and assert what differs.`,
			Input:   "Add one case for each of the two values of the condition.",
			Outcome: "Assert what differs between the two values of the condition.",
			Before:  `return !$open;`, After: `return $open;`,
			Kinds: []string{"unary_op_expression"}, Apply: dropNot,
		},
	)
}

// outcomeForced makes one constant of a whole chain. Within another && or
// || that is a dropped side, and a loop's condition may not become true; for the
// rest see constantFor.
func outcomeForced(f *syntax.File, n *syntax.Node) []mutate.Edit {
	to := map[string]string{"&&": "false", "and": "false", "||": "true", "or": "true"}[operatorText(f, n)]
	if to == "" || isLogicalOperand(f, n) || isStatement(n) {
		return nil
	}
	truth := (to == "true") != negated(f, n)
	if truth && steers(f, n) || !truth && (isArm(f, n) || guardsDropped(f, n)) {
		return nil
	}
	return fit(f, n.Span, to)
}

// isStatement reports whether an expression's value is not used, as in
// "$ready or wait();".
func isStatement(n *syntax.Node) bool { return n.Parent.Is("expression_statement") }

// dropNot leaves the inner one of "!!$a" alone, which makes the same mutant as
// the outer one.
func dropNot(f *syntax.File, n *syntax.Node) []mutate.Edit {
	arg := argumentOf(n)
	if !isNot(f, n) || arg == nil || isNot(f, n.Parent) {
		return nil
	}
	return keepSide(f, n, arg)
}

// notDeniedAgain leaves alone !isset($a['k']) && !array_key_exists('k', $a), which is the same.
func notDeniedAgain(f *syntax.File, dropped, kept *syntax.Node) bool {
	dropped, kept = dropped.Unwrapped(), kept.Unwrapped()
	return !isNot(f, dropped) || !isNot(f, kept) || notSaidAgain(f, argumentOf(dropped), argumentOf(kept))
}

// notSaidAgain leaves alone isset($a['k']) || array_key_exists('k', $a): the left side saves a
// call, and is true only where the right side is true as well.
func notSaidAgain(f *syntax.File, dropped, kept *syntax.Node) bool {
	dropped, kept = dropped.Unwrapped(), kept.Unwrapped()
	name, args, ok := callTo(f, kept, 2)
	if !ok || name != "array_key_exists" && name != "key_exists" || len(args) != 2 {
		return true
	}
	array, key := argValue(args[1]), f.Text(argValue(args[0]))
	asked, of, ok := callTo(f, dropped, 1)
	return !ok || asked != "isset" || len(of) != 1 || f.Text(argValue(of[0])) != f.Text(array)+"["+key+"]" || !isArray(f, array)
}
