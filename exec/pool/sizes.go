package pool

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
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

// size is how many of the waiting items the next batch has.
func (w *giving) size(team int) int {
	most := w.left / float64(firstShares*max(team, firstTeam))
	if rate := w.rateOf(w.waiting[0]); rate > 0 {
		target := min(max(w.Target.Seconds(), startsMost*w.start), mostTarget.Seconds())
		least := max(leastTarget.Seconds(), startsLeast*w.start)
		if n := len(w.hungry); n > 0 {
			team = n // the others have enough
		}
		most = min(target/rate, max(w.left/float64(team), least/rate))
	}
	cost := 0.0
	for n, i := range w.waiting {
		if cost += i.Cost; n > 0 && cost > most || n == mostItems {
			return n
		}
	}
	return len(w.waiting)
}

// rateOf is how many seconds a unit of cost takes for an item and those like it; 0: nothing is known.
func (w *giving) rateOf(i Item) float64 {
	if c := w.ofClass[i.class()]; c != nil {
		return c.took / c.cost
	}
	return w.rate
}

// askBack asks workers that have much to do for some of it, as long as others have nothing.
func (w *giving) askBack() {
	open := 0
	for _, b := range w.batches {
		if time.Since(b.asked) < askedFor {
			open++
		}
	}
	for ; len(w.waiting) == 0 && open < len(w.hungry); open++ {
		number, items := w.longest()
		if number == 0 {
			return
		}
		b := w.batches[number]
		b.asked = time.Now()
		if text, err := pack(wanted{Batch: number, Most: items}); err == nil {
			w.conn.nc.Publish(w.Run.wantSubject(), text) // what is lost is asked again
		}
	}
}

// longest gives the batch that takes longest from now on, and how many of its items somebody else
// is to have, who has to make a start with them; 0 if that is not worth it for any.
func (w *giving) longest() (number, items int) {
	most := 2 * max(leastTarget.Seconds(), startsLeast*w.start)
	for n, b := range w.batches {
		if b.firm || time.Since(b.asked) < askedFor || len(b.items) < 2 {
			continue
		}
		seconds := 0.0
		for i := range b.items {
			seconds += w.open[i].Cost * w.rateOf(w.open[i])
		}
		if seconds > most {
			most, number, items = seconds, n, max(1, int(float64(len(b.items))*(1-w.start/seconds)/2))
		}
	}
	return number, items
}

// takeBack takes in what a worker gives back.
func (w *giving) takeBack(s *said) error {
	b := w.batches[s.Batch]
	if b == nil {
		return nil
	}
	b.asked, b.firm = time.Time{}, len(s.Back) == 0
	for _, name := range s.Back {
		item, open := w.open[name]
		if !open || !b.items[name] {
			continue // there is a record of it, or somebody else has it
		}
		if w.back[name]++; w.back[name] > mostGiven {
			return fmt.Errorf("%s was given back %d times; the last was %s", name, w.back[name], s.Worker)
		}
		w.costs[s.Batch] -= item.Cost
		w.sizes[s.Batch]--
		w.settle(name)
		w.wait(item)
	}
	return nil
}
