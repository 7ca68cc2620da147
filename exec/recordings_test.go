package exec

import (
	"slices"
	"sync"
	"testing"
)

// TestOneByOne: recordings that end at the same time are told of one after the other, in
// order; the race detector sees where two are told of at once.
func TestOneByOne(t *testing.T) {
	var heard []int
	tell := oneByOne(func(done, all int) { heard = append(heard, done) }, 50)
	var g sync.WaitGroup
	for range 50 {
		g.Go(tell)
	}
	g.Wait()
	if len(heard) != 50 || !slices.IsSorted(heard) || heard[0] != 1 || heard[49] != 50 {
		t.Errorf("heard of %v", heard)
	}
	oneByOne(nil, 1)() // nobody listens
}
