package pool

import (
	"context"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// begun is a run that has begun at a server of its own, and a limit for hangs.
func begun(t *testing.T, id string, r *results) (*Server, *Giver, context.Context, context.CancelFunc) {
	t.Helper()
	s, g := serve(t, "127.0.0.1:0", ""), giver(id, r)
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
	if err := g.Begin(ctx, connect(t, s), nil); err != nil {
		t.Fatal(err)
	}
	return s, g, ctx, cancel
}

// A batch of which nobody knows any more is given again, also while workers say that they have
// nothing to do.
func TestLostWhileOthersAreIdle(t *testing.T) {
	t.Parallel()
	var r results
	s, g, ctx, cancel := begun(t, "run00000010", &r)
	defer cancel()
	go func() {
		other := connect(t, s)
		var from jetstream.Consumer
		w := &Worker{Name: "loses", conn: other}
		for ctx.Err() == nil { // until it has had one
			if m, _ := newSession(w, &g.Run).next(ctx, &from); m != nil {
				m.DoubleAck(ctx)
				break
			}
		}
		hire(t, connect(t, s), "works", &fake{})
		for ctx.Err() == nil {
			w.say(ctx, &g.Run, said{Idle: true})
			time.Sleep(100 * time.Millisecond)
		}
	}()
	if err := g.Give(ctx, items(20)); err != nil {
		t.Fatal(err)
	}
	cancel()
	r.wholly(t, 20)
	if _, again := g.Shares(); again == 0 {
		t.Error("nothing was given again")
	}
}

// Workers are heard from the first message of a stream on, also where it has taken the place of
// another one between two looks.
func TestHeardInAnotherStream(t *testing.T) {
	t.Parallel()
	_, g, ctx, cancel := begun(t, "run00000011", &results{})
	defer cancel()
	heard := make(chan jetstream.Msg, 64)
	go (&giving{Giver: g}).listen(ctx, heard)
	say := func(text string) {
		t.Helper()
		if _, err := g.conn.js.Publish(ctx, g.Run.saidSubject(), []byte(text)); err != nil {
			t.Fatal(err)
		}
	}
	hear := func(want string) {
		t.Helper()
		select {
		case m := <-heard:
			if got := string(m.Data()); got != want {
				t.Errorf("heard %q, want %q", got, want)
			}
		case <-time.After(time.Minute):
			t.Fatalf("nobody has heard %q", want)
		}
	}
	for _, text := range []string{"a", "b", "c", "d"} {
		say(text)
		hear(text)
	}
	if err := g.conn.js.DeleteStream(ctx, g.Run.said()); err != nil {
		t.Fatal(err)
	}
	if err := g.setUp(ctx); err != nil {
		t.Fatal(err)
	}
	others := []string{"e", "f", "g", "h", "i", "j"} // more than before, when the next look is made
	for _, text := range others {
		say(text)
	}
	for _, text := range others {
		hear(text)
	}
}
