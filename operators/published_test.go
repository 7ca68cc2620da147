package operators

import (
	"slices"
	"strings"
	"testing"

	"assay/mutate"
	"assay/mutate/syntax"
)

// mutantsOf gives what some operators make of an expression, sorted.
func mutantsOf(t *testing.T, expr, family string, wide bool) []string {
	t.Helper()
	const open, shut = "<?php return ", ";"
	f, err := syntax.Parse(expr, []byte(open+expr+shut))
	if err != nil || len(f.Damage) > 0 {
		t.Fatalf("%s: %v %v", expr, err, f.Damage)
	}
	var out []string
	for _, op := range All() {
		if op.Family() != family || op.Wide && !wide {
			continue
		}
		for _, e := range mutate.EditsOf(f, op) {
			text := string(e.Edit.Apply(f.Src))
			out = append(out, strings.TrimSuffix(strings.TrimPrefix(text, open), shut))
		}
	}
	slices.Sort(out)
	return out
}

// TestRelationalHierarchy holds the family relational to the published fault
// hierarchy: for each operator the three mutants that subsume all others.
// Source: G. Kaminski, P. Ammann, J. Offutt, "Better predicate testing",
// Proc. 6th International Workshop on Automation of Software Test (AST 2011).
func TestRelationalHierarchy(t *testing.T) {
	for op, want := range map[string][]string{
		"<":  {"$a <= $b", "$a != $b", "false"},
		"<=": {"$a < $b", "$a == $b", "true"},
		">":  {"$a >= $b", "$a != $b", "false"},
		">=": {"$a > $b", "$a == $b", "true"},
	} {
		slices.Sort(want)
		if got := mutantsOf(t, "$a "+op+" $b", "relational", true); !slices.Equal(got, want) {
			t.Errorf("%s: mutants %q, want %q", op, got, want)
		}
	}
}

// TestEqualityHierarchy: of the same source's mutants for == (<=, >=, false)
// and != (<, >, true) the constants, which order has no part in. What PHP adds,
// === for ==, has no published table.
func TestEqualityHierarchy(t *testing.T) {
	for op, want := range map[string]string{"==": "false", "===": "false", "!=": "true", "!==": "true", "<>": "true"} {
		got := mutantsOf(t, "$a "+op+" $b", "sameness", false)
		if !slices.Contains(got, want) {
			t.Errorf("%s: mutants %q, want %s among them", op, got, want)
		}
		if other := map[string]string{"true": "false", "false": "true"}[want]; slices.Contains(got, other) {
			t.Errorf("%s: mutants %q of the breadth core, want no %s", op, got, other)
		}
	}
}

// TestHierarchySubsumes works the relational table out again instead of
// believing it: over the three cases (less, equal, greater), each mutant left
// out must be detected by every set of cases that detects the three that are
// made. This is arithmetic, no source.
func TestHierarchySubsumes(t *testing.T) {
	const less, equal, greater = 1, 2, 4
	meaning := map[string]int{ // the cases in which each comparison holds
		"<": less, "<=": less | equal, ">": greater, ">=": greater | equal, "==": equal, "!=": less | greater,
		"true": less | equal | greater, "false": 0,
	}
	checkSubsumption(t, []string{"<", "<=", ">", ">="}, meaning, less|equal|greater, func(op string) (out []string) {
		for _, m := range mutantsOf(t, "$a "+op+" $b", "relational", false) {
			out = append(out, strings.TrimSuffix(strings.TrimPrefix(m, "$a "), " $b"))
		}
		return out
	})
}

// TestLogicalSubsumes does the same for && and || over the four cases of two
// truth values: what the breadth core makes leaves out only what is detected
// with it, save for "both equal", which PHP has no plain operator for. The
// tables of such mutants are those of R. Just, G. M. Kapfhammer, F. Schweiggert,
// "Do redundant mutants affect the effectiveness and efficiency of mutation
// analysis?", Mutation 2012 (from memory).
func TestLogicalSubsumes(t *testing.T) {
	const tt, tf, ft, ff = 1, 2, 4, 8
	meaning := map[string]int{
		"$a && $b": tt, "$a || $b": tt | tf | ft, "$a": tt | tf, "$b": tt | ft,
		"true": tt | tf | ft | ff, "false": 0,
	}
	checkSubsumption(t, []string{"$a && $b", "$a || $b"}, meaning, tt|tf|ft|ff, func(expr string) []string {
		return mutantsOf(t, expr, "connective", false)
	})
}

// checkSubsumption: a set of cases detects a mutant when one of them is among
// the cases in which the mutant and the original differ. Every mutant in
// meaning that is not made must be detected by all sets that detect those made.
func checkSubsumption(t *testing.T, originals []string, meaning map[string]int, all int, made func(string) []string) {
	t.Helper()
	for _, original := range originals {
		mutants := made(original)
		for cases := 0; cases <= all; cases++ {
			detects := func(m string) bool {
				holds, ok := meaning[m]
				if !ok {
					t.Fatalf("%s: mutant %q has no meaning in this test", original, m)
				}
				return (holds^meaning[original])&cases != 0
			}
			if slices.ContainsFunc(mutants, func(m string) bool { return !detects(m) }) {
				continue
			}
			for m := range meaning {
				if m != original && !detects(m) {
					t.Errorf("%s: cases %b detect %q and not %q", original, cases, mutants, m)
				}
			}
		}
	}
}

// TestConstantsOfSides: within && and || a comparison is not replaced by true
// or false, because the family connective makes the same truth tables.
func TestConstantsOfSides(t *testing.T) {
	for expr, want := range map[string][]string{
		"$a < $b && $c":      {"$a < $b", "$c", "false"},
		"$c || !($a >= $b)":  {"!($a >= $b)", "$c", "true"},
		"$a < $b and $a > 1": {"$a < $b", "$a > 1", "false"},
	} {
		for _, m := range mutantsOf(t, expr, "relational", true) {
			if strings.Contains(m, "true") || strings.Contains(m, "false") {
				t.Errorf("%s: the family relational makes %q", expr, m)
			}
		}
		got := mutantsOf(t, expr, "connective", false)
		for _, m := range want {
			if !slices.Contains(got, m) {
				t.Errorf("%s: the family connective makes %q, want %q among them", expr, got, m)
			}
		}
	}
}
