package pool

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"
)

const (
	// leastTelling is how many items a batch has of which is learned how long a start takes.
	leastTelling = 8
	// rounding is by how much sums of costs may differ that are the same.
	rounding = 1e-6
)

// blockItems is how many items that follow one another stay together.
const blockItems = 8

// dearUntil is the part of all behind which none of the dearest are.
const dearUntil = 0.6

// Spread gives items in an order in which the dearer ones come to an end sooner, as far as their
// costs tell: whoever has nothing left waits for the last that was begun. (Graham's rule is that the
// longest go first: Bounds on Multiprocessing Timing Anomalies, 1969; from memory.) Until then each
// part has as many of them as any other. Those whose costs are alike stay together in small blocks
// of neighbours, for they may be cheap to work on one after the other; and which of the blocks come
// first has nothing to do with their order: what is dearer than it looks has neighbours that are so
// too, and all of these are not to be in one batch.
func Spread(items []Item) []Item {
	of := map[int][][]Item{}
	for _, i := range items {
		class := i.class()
		blocks := of[class]
		if n := len(blocks); n > 0 && len(blocks[n-1]) < blockItems {
			blocks[n-1] = append(blocks[n-1], i)
		} else {
			of[class] = append(blocks, []Item{i})
		}
	}
	type placed struct {
		items []Item
		at    float64 // of 1
	}
	var all []placed
	for rank, class := range slices.Sorted(maps.Keys(of)) {
		blocks, until := of[class], 1.0
		if rank > 0 {
			until -= (1 - dearUntil) * float64(rank) / float64(len(of)-1)
		}
		slices.SortFunc(blocks, func(a, b []Item) int { return cmp.Compare(scattered(a[0].Name), scattered(b[0].Name)) })
		for n, b := range blocks {
			all = append(all, placed{b, (float64(n) + 0.5) / float64(len(blocks)) * until})
		}
	}
	slices.SortStableFunc(all, func(a, b placed) int { return cmp.Compare(a.at, b.at) })
	var out []Item
	for _, p := range all {
		out = append(out, p.items...)
	}
	return out
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
	w.rate = w.took / w.cost
	// What a batch took is its start and its items. Until the first record it was the start and one
	// of them: of few items it does not tell how long that one took. What makes it longer by chance
	// is most often an item that takes long, so that less is believed sooner than more.
	n := float64(w.sizes[s.Batch])
	if n < leastTelling {
		return
	}
	start, weight := max(0, s.Start.Seconds()-s.Took.Seconds()/n)*n/(n-1), 1.0/16
	if start < w.start {
		weight = 1.0 / 4
	}
	if !w.started {
		weight, w.started = 1, true
	}
	w.start += (start - w.start) * weight
}

// size is how many of the waiting items the next batch has.
func (w *giving) size(team int) int {
	most, items := w.left/float64(firstShares*max(team, firstTeam)), firstItems
	if rate := w.rate; rate > 0 {
		items = mostItems
		target := min(max(w.Target.Seconds(), startsMost*w.start), mostTarget.Seconds())
		least := max(leastTarget.Seconds(), startsLeast*w.start)
		most = target / rate
		if n := len(w.hungry); n > 0 { // what there is, is for these
			most = min(most, max(w.left/float64(n), least/rate))
		}
	}
	cost := 0.0
	for n, i := range w.waiting {
		if cost += i.Cost; n > 0 && cost > most*(1+rounding) || n == items {
			return n
		}
	}
	return len(w.waiting)
}

// askBack asks workers that have much to do for some of it, as long as others have nothing.
func (w *giving) askBack() {
	for worker := range w.hungry {
		number, items := w.longest()
		if number == 0 || len(w.waiting) > 0 {
			return
		}
		delete(w.hungry, worker) // it says so again, if it lives
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
		seconds := w.secondsLeft(b)
		if seconds > most {
			most, number, items = seconds, n, max(1, int(float64(len(b.items))*(1-w.start/seconds)/2))
		}
	}
	return number, items
}

// goesOn notes a record of a batch.
func (b *given) goesOn(i Item, now time.Time) {
	if b.first.IsZero() {
		b.first = now
	} else {
		b.done += i.Cost
	}
}

// secondsLeft estimates how long a batch takes from now on: as it went until now, or, as long as
// that is little, as others like it have gone.
func (w *giving) secondsLeft(b *given) (seconds float64) {
	cost := 0.0
	for i := range b.items {
		cost += w.open[i].Cost
	}
	seconds = cost * w.rate
	if went := time.Since(b.first).Seconds(); b.done > cost/8 && went > w.start {
		seconds = cost * went / b.done
	}
	return seconds
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
