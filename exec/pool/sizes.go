package pool

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"math"
	"slices"
	"time"
)

// blockItems is how many items that follow one another stay together.
const blockItems = 8

// DearFirst gives items with those first that cost most: one that comes last has all but one
// worker wait. Among those whose costs are alike, neighbours stay together in small blocks, for
// they may be cheap to work on one after the other, and the blocks come in an order that has
// nothing to do with theirs: what is dearer than it looks has neighbours that are so too, and all
// of these are not to be in one batch.
func DearFirst(items []Item) []Item {
	items = slices.Clone(items)
	slices.SortStableFunc(items, func(a, b Item) int { return b.class() - a.class() })
	var blocks [][]Item
	for rest := items; len(rest) > 0; {
		n := 1
		for n < min(blockItems, len(rest)) && rest[n].class() == rest[0].class() {
			n++
		}
		blocks, rest = append(blocks, rest[:n:n]), rest[n:]
	}
	slices.SortStableFunc(blocks, func(a, b []Item) int {
		return cmp.Or(b[0].class()-a[0].class(), cmp.Compare(scattered(a[0].Name), scattered(b[0].Name)))
	})
	return slices.Concat(blocks...)
}

// scattered is a number that says nothing of the order of names.
func scattered(name string) uint64 {
	sum := sha256.Sum256([]byte(name))
	return binary.BigEndian.Uint64(sum[:])
}

// class is the same for items whose costs are alike, and more for those that cost more.
func (i Item) class() int { return int(math.Floor(math.Log2(i.Cost) / 2)) }

// measure learns from how long a batch took.
func (w *giving) measure(s *said) {
	if s.Took <= 0 || s.Batch == 0 || w.costs[s.Batch] <= 0 {
		return
	}
	// What one batch takes says little, for costs are estimated: many have to agree.
	w.took, w.cost = w.took*forgets+s.Took.Seconds(), w.cost*forgets+w.costs[s.Batch]
	// Of what it took until the first record the item itself is a part. What makes it longer by
	// chance is most often an item that takes long, so that less is believed sooner than more.
	start, weight := max(0, (s.Start-s.Took/time.Duration(max(1, w.sizes[s.Batch]))).Seconds()), 1.0/16
	class := w.ofClass[w.classes[s.Batch]]
	if class == nil {
		class = &tally{}
		w.ofClass[w.classes[s.Batch]] = class
	}
	class.took, class.cost = class.took*forgets+s.Took.Seconds(), class.cost*forgets+w.costs[s.Batch]
	if w.rate == 0 || start < w.start {
		weight = 1.0 / 2
	}
	w.rate, w.start = w.took/w.cost, w.start+(start-w.start)*weight
}

// size is how many of the waiting items the next batch has. ending is true where it has less than
// batches of usual length, for the run comes to its end.
func (w *giving) size(team int) (n int, ending bool) {
	most := w.left / float64(firstShares*max(team, firstTeam))
	rate := w.rate
	if c := w.ofClass[w.waiting[0].class()]; c != nil {
		rate = c.took / c.cost
	}
	if rate > 0 {
		target := min(max(w.Target.Seconds(), startsMost*w.start), mostTarget.Seconds())
		least := max(leastTarget.Seconds(), startsLeast*w.start)
		part := w.left / float64(shares*team)
		most, ending = min(target/rate, max(part, least/rate)), part < target/rate
	}
	cost := 0.0
	for n, i := range w.waiting {
		if cost += i.Cost; n > 0 && cost > most || n == mostItems {
			return n, ending
		}
	}
	return len(w.waiting), ending
}
