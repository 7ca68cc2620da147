package exec

import (
	"testing"
	"time"

	"assay/exec/recording"
	"assay/mutate"
)

// TestExpense: a mutant costs more with each test that reaches it, and the building of the suite
// where that passes it.
func TestExpense(t *testing.T) {
	b := &Baseline{Tests: []mutate.Test{{Time: time.Second}, {Time: time.Second}}, run: &recording.Run{Built: 2_000_000}}
	one, two := b.Expense(Task{Reach: []int{0}, Pairs: []int{1}}), b.Expense(Task{Reach: []int{0, 1}, Pairs: []int{1, 2}})
	built := b.Expense(Task{Reach: []int{0}, Pairs: []int{0, 1}})
	if two < one+1 || built < one+1.999 || built > one+2.001 {
		t.Errorf("%.3f by one test, %.3f by two, %.3f where the building passes it", one, two, built)
	}
}
