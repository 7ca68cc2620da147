package pool

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

// steady is a bench that takes some time for each item, and has not begun on those behind it.
type steady struct {
	took time.Duration
	back *atomic.Int64
	left *droppable
}

func (b steady) Work(ctx context.Context, feed Feed, each func(Record)) error {
	for {
		items := feed(ctx, true)
		if len(items) == 0 {
			return ctx.Err()
		}
		b.left.put(items)
		for item, _ := b.left.next(); item != ""; item, _ = b.left.next() {
			time.Sleep(b.took)
			each(Record{item, json.RawMessage(fmt.Sprintf("%q", item))})
		}
	}
}

func (b steady) Drop(items []string, most int) []string {
	dropped := b.left.drop(items, most)
	b.back.Add(int64(len(dropped)))
	return dropped
}

func (steady) Close() error { return nil }

// A worker with nothing to do gets what another has not begun, and nothing counts twice.
func TestGivenBack(t *testing.T) {
	t.Parallel()
	s := serve(t, "127.0.0.1:0", "")
	var r results
	var back atomic.Int64
	g := giver("run00000011", &r)
	hire(t, connect(t, s), "slow", steady{30 * time.Millisecond, &back, &droppable{}})
	hire(t, connect(t, s), "quick", steady{time.Millisecond, &back, &droppable{}})
	if err := give(t, g, connect(t, s), 600); err != nil {
		t.Fatal(err)
	}
	r.wholly(t, 600)
	shares, again := g.Shares()
	if back.Load() == 0 || again != 0 || len(shares) != 2 || shares[0].Items+shares[1].Items != 600 {
		t.Errorf("%d items were given back, %d given again; %+v", back.Load(), again, shares)
	}
}

// What is given back must be of the batch, and without a record; and not for ever.
func TestTakeBack(t *testing.T) {
	t.Parallel()
	w := &giving{Giver: &Giver{}, open: map[string]Item{}, batches: map[int]*given{}, of: map[string]int{}, costs: map[int]float64{7: 2}, sizes: map[int]int{7: 2}, back: map[string]int{}}
	for n, i := range items(4) {
		if n != 1 { // of that there is a record
			w.open[i.Name] = i
		}
	}
	hand := func() {
		w.batches[7] = &given{items: map[string]bool{"item000": true, "item002": true}, asked: time.Now()}
		w.of["item000"], w.of["item002"], w.waiting, w.left = 7, 7, nil, 0
	}
	hand()
	s := &said{Worker: "w", Batch: 7, Answers: true, Back: []string{"item000", "item001", "item003", "nobody's"}}
	if err := w.takeBack(s); err != nil {
		t.Fatal(err)
	}
	if b := w.batches[7]; len(w.waiting) != 1 || w.waiting[0].Name != "item000" || w.left != 1 || b == nil || !b.items["item002"] || !b.asked.IsZero() || b.firm {
		t.Errorf("%+v waits, and %+v is left", w.waiting, b)
	}
	if err := w.takeBack(&said{Worker: "w", Batch: 7, Answers: true}); err != nil || !w.batches[7].firm {
		t.Errorf("%v; who gives nothing back is asked again", err)
	}
	if err := w.takeBack(&said{Worker: "w", Batch: 8, Answers: true, Back: []string{"item002"}}); err != nil || len(w.waiting) != 1 {
		t.Errorf("%v, %+v", err, w.waiting)
	}
	var err error
	for n := 0; n < mostGiven && err == nil; n++ {
		hand()
		err = w.takeBack(s)
	}
	if err == nil || !strings.Contains(err.Error(), "item000 was given back 21 times; the last was w") {
		t.Error(err)
	}
}

// Who has most to do is asked, for as much as is worth a start of somebody else.
func TestLongest(t *testing.T) {
	t.Parallel()
	w := &giving{Giver: &Giver{}, open: map[string]Item{}, batches: map[int]*given{}, rate: 1, start: 10}
	batch := func(number, size int) *given {
		b := &given{items: map[string]bool{}}
		for n := range size {
			name := fmt.Sprint(number, " ", n)
			b.items[name], w.open[name] = true, Item{name, 1}
		}
		w.batches[number] = b
		return b
	}
	batch(1, 40)
	if n, items := w.longest(); n != 0 {
		t.Errorf("%d items of %d are asked for; they take as long as two starts", items, n)
	}
	two, three := batch(2, 50), batch(3, 100)
	if n, items := w.longest(); n != 3 || items != 45 {
		t.Errorf("%d items of %d are asked for", items, n)
	}
	three.asked = time.Now()
	if n, items := w.longest(); n != 2 || items != 20 {
		t.Errorf("%d items of %d are asked for", items, n)
	}
	two.firm, three.asked = true, time.Now().Add(-askedFor)
	if n, _ := w.longest(); n != 3 {
		t.Errorf("%d is asked; 2 has given nothing back, and 3 has not answered", n)
	}
}
