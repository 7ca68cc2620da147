package pool

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// serve starts a server for a test, in memory unless there is a folder, at an address of its
// own unless there is one.
func serve(t *testing.T, address, dir string) *Server {
	t.Helper()
	s, err := Serve(Listening{Address: address, Dir: dir, Temp: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func connect(t *testing.T, s *Server) *Conn {
	t.Helper()
	c, err := Connect(t.Context(), Access{URL: "nats://" + s.Address()}, "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

// fake is a bench whose records say what the items are called.
type fake struct {
	data func(item string) string // nil: the item itself
	took time.Duration            // for each item
	stop chan struct{}            // nil, or the bench hangs until it is closed
	fail error
}

func (f *fake) Work(ctx context.Context, feed Feed, each func(Record)) error {
	for {
		items := feed(ctx, true)
		if len(items) == 0 {
			return ctx.Err()
		}
		if f.fail != nil {
			return f.fail
		}
		for _, item := range items {
			if f.stop != nil {
				<-f.stop
			}
			select {
			case <-time.After(f.took):
			case <-ctx.Done():
				return ctx.Err()
			}
			data := item
			if f.data != nil {
				data = f.data(item)
			}
			text, _ := json.Marshal(data)
			each(Record{item, text})
		}
	}
}

func (f *fake) Drop([]string, int) []string { return nil }

func (f *fake) Close() error { return nil }

// hire has a worker work until the test, or what is returned, ends it.
func hire(t *testing.T, c *Conn, name string, b Bench) (end func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		w := &Worker{Name: name, Tell: func(string) {}, Prepare: func(context.Context, *Run, Fetch) (Bench, error) { return b, nil }}
		w.Work(ctx, c)
	}()
	end = sync.OnceFunc(func() {
		cancel()
		<-done
	})
	t.Cleanup(end)
	return end
}

// results collects records, and fails on one that comes twice.
type results struct {
	mu  sync.Mutex
	got map[string]string
}

func giver(id string, into *results) *Giver {
	into.got = map[string]string{}
	return &Giver{Run: Run{ID: id, Name: "test", Host: "here", Patience: time.Second}, Target: 200 * time.Millisecond,
		Essence: func(r Record) string { return string(r.Data) },
		Take: func(r Record, _ bool) (bool, error) {
			into.mu.Lock()
			defer into.mu.Unlock()
			if into.got[r.Item] != "" {
				return false, fmt.Errorf("%s was counted twice", r.Item)
			}
			into.got[r.Item] = string(r.Data)
			return false, nil
		}}
}

func items(n int) []Item {
	var out []Item
	for i := range n {
		out = append(out, Item{fmt.Sprintf("item%03d", i), 1})
	}
	return out
}

func give(t *testing.T, g *Giver, c *Conn, n int) error {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute) // a hang is a failure
	defer cancel()
	if err := g.Begin(ctx, c, nil); err != nil {
		t.Fatal(err)
	}
	err := g.Give(ctx, items(n))
	if end := g.End(ctx); end != nil {
		t.Error(end)
	}
	return err
}

func (r *results) wholly(t *testing.T, n int) {
	t.Helper()
	for _, i := range items(n) {
		if r.got[i.Name] != fmt.Sprintf("%q", i.Name) {
			t.Errorf("%s: %q", i.Name, r.got[i.Name])
		}
	}
}

func TestTwoWorkers(t *testing.T) {
	t.Parallel()
	s := serve(t, "127.0.0.1:0", "")
	var r results
	g := giver("run00000001", &r)
	hire(t, connect(t, s), "one", &fake{took: 5 * time.Millisecond})
	hire(t, connect(t, s), "two", &fake{took: 5 * time.Millisecond})
	if err := give(t, g, connect(t, s), 200); err != nil {
		t.Fatal(err)
	}
	r.wholly(t, 200)
	shares, again := g.Shares()
	if len(shares) != 2 || shares[0].Items == 0 || shares[1].Items == 0 || shares[0].Items+shares[1].Items != 200 || again != 0 {
		t.Errorf("%+v, %d given again", shares, again)
	}
}

// One that is cut off in the middle of a batch: the server hears no more of it.
func TestWorkerThatHangs(t *testing.T) {
	t.Parallel()
	s := serve(t, "127.0.0.1:0", "")
	var r results
	g := giver("run00000002", &r)
	stop := make(chan struct{})
	defer close(stop)
	lost := connect(t, s)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	taken := make(chan struct{}, 100)
	go (&Worker{Name: "hangs", Tell: func(string) {}, Prepare: func(context.Context, *Run, Fetch) (Bench, error) {
		return &fake{stop: stop, data: func(string) string { taken <- struct{}{}; return "" }}, nil
	}}).Work(ctx, lost)
	go func() {
		for { // as soon as it has a batch its connection is gone, and it does not know
			if w, err := lost.js.Consumer(ctx, g.Run.work(), workers); err == nil && w.CachedInfo().NumAckPending > 0 {
				lost.nc.Close()
				break
			}
			time.Sleep(5 * time.Millisecond)
		}
		hire(t, connect(t, s), "works", &fake{})
	}()
	if err := give(t, g, connect(t, s), 40); err != nil {
		t.Fatal(err)
	}
	r.wholly(t, 40)
	if _, again := g.Shares(); again == 0 {
		t.Error("nothing was given again")
	}
}

// A server that comes back with what it had, and one that has forgotten all.
func TestServerThatRestarts(t *testing.T) {
	t.Parallel()
	for _, dir := range []string{"", t.TempDir()} {
		s := serve(t, "127.0.0.1:0", dir)
		address := s.Address()
		var r results
		g := giver("run00000003", &r)
		for _, name := range []string{"one", "two"} {
			hire(t, connect(t, s), name, &fake{took: 20 * time.Millisecond})
		}
		host := connect(t, s)
		restarts := 0
		g.Heard = func() {
			if r.mu.Lock(); len(r.got) > 30*(restarts+1) && restarts < 2 {
				restarts++
				s.Close()
				s = serve(t, address, dir)
			}
			r.mu.Unlock()
		}
		if err := give(t, g, host, 150); err != nil {
			t.Fatalf("in %q: %v", dir, err)
		}
		r.wholly(t, 150)
		if restarts != 2 {
			t.Errorf("in %q: the server was restarted %d times", dir, restarts)
		}
	}
}

// A host that is gone: the next one takes in what workers said meanwhile.
func TestHostThatIsResumed(t *testing.T) {
	t.Parallel()
	s := serve(t, "127.0.0.1:0", "")
	hire(t, connect(t, s), "one", &fake{took: 10 * time.Millisecond})
	var first results
	g := giver("run00000004", &first)
	ctx, cancel := context.WithCancel(t.Context())
	g.Heard = func() {
		if len(first.got) > 10 {
			cancel()
		}
	}
	if err := g.Begin(ctx, connect(t, s), nil); err != nil {
		t.Fatal(err)
	}
	if err := g.Give(ctx, items(80)); err != context.Canceled {
		t.Fatal(err)
	}
	known := map[string]string{}
	var left []Item
	for _, i := range items(80) {
		if data := first.got[i.Name]; data != "" {
			known[i.Name] = data
		} else {
			left = append(left, i)
		}
	}
	var second results
	g = giver("run00000004", &second)
	g.Resumed = true
	ctx, cancel = context.WithTimeout(t.Context(), 10*time.Minute)
	defer cancel()
	if err := g.Begin(ctx, connect(t, s), known); err != nil {
		t.Fatal(err)
	}
	if err := g.Give(ctx, left); err != nil {
		t.Fatal(err)
	}
	for _, i := range left {
		if second.got[i.Name] == "" {
			t.Errorf("nothing is known of %s", i.Name)
		}
	}
	if len(second.got) != len(left) {
		t.Errorf("%d records, of %d", len(second.got), len(left))
	}
}

// What a host must not believe, or must not go on with.
func TestWrongWorkers(t *testing.T) {
	t.Parallel()
	send := func(t *testing.T, c *Conn, id string, data []byte) {
		t.Helper()
		if _, err := c.js.Publish(t.Context(), "assay.said."+id, data); err != nil {
			t.Error(err)
		}
	}
	packed := func(s said) []byte {
		data, err := pack(s)
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	bomb := encoder.EncodeAll(bytes.Repeat([]byte(" "), mostRead+1), nil)
	for name, c := range map[string]struct {
		data []byte
		want string
	}{
		"no message":        {[]byte("hello"), "sent what no worker sends"},
		"a bomb":            {bomb, "sent what no worker sends"},
		"unknown field":     {encoder.EncodeAll([]byte(`{"worker":"w","orders":1}`), nil), "sent what no worker sends"},
		"no name":           {packed(said{}), "has no name"},
		"a name for a tty":  {packed(said{Worker: "\x1b[2J"}), "has no name"},
		"a long name":       {packed(said{Worker: strings.Repeat("w", 300)}), "has no name"},
		"an item of nobody": {packed(said{Worker: "w", Records: []Record{{"other", json.RawMessage(`1`)}}}), `tells of "other", which it was not given`},
		"two that disagree": {packed(said{Worker: "w", Records: []Record{{"item000", json.RawMessage(`"x"`)}, {"item000", json.RawMessage(`"y"`)}}}), "disagree about item000:\n\"x\"\n\"y\""},
		"given endlessly":   {packed(said{Worker: "w", Batch: 1, Given: mostGiven}), "given 20 times"},
		"negative":          {packed(said{Worker: "w", Batch: -1}), "is none that a worker sends"},
	} {
		t.Run(name, func(t *testing.T) {
			s := serve(t, "127.0.0.1:0", "")
			var r results
			g := giver("run00000005", &r)
			conn := connect(t, s)
			if err := g.Begin(t.Context(), conn, nil); err != nil {
				t.Fatal(err)
			}
			send(t, conn, "run00000005", c.data)
			ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
			defer cancel()
			if err := g.Give(ctx, items(2)); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v, want %q", err, c.want)
			}
		})
	}
}

// One that acknowledges and says nothing cannot keep a run waiting for ever.
func TestWorkerThatSaysNothing(t *testing.T) {
	t.Parallel()
	s := serve(t, "127.0.0.1:0", "")
	var r results
	g := giver("run00000006", &r)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	thief := connect(t, s)
	go func() {
		for ctx.Err() == nil {
			c, err := thief.js.Consumer(ctx, "assay-work-run00000006", workers)
			if err != nil {
				time.Sleep(10 * time.Millisecond)
				continue
			}
			if got, err := c.Fetch(10, jetstream.FetchMaxWait(100*time.Millisecond)); err == nil {
				for m := range got.Messages() {
					m.Ack()
				}
			}
		}
	}()
	if err := give(t, g, connect(t, s), 5); err == nil || !strings.Contains(err.Error(), "told nothing of them") {
		t.Errorf("%v", err)
	}
}

// A record that is to be forgotten is asked for again, and in the end counts.
func TestWorkedOnAgain(t *testing.T) {
	t.Parallel()
	s := serve(t, "127.0.0.1:0", "")
	var r results
	g := giver("run00000007", &r)
	take, times := g.Take, map[string]int{}
	g.Take = func(rec Record, last bool) (bool, error) {
		if times[rec.Item]++; rec.Item == "item001" && !last {
			return true, nil
		}
		return take(rec, last)
	}
	hire(t, connect(t, s), "one", &fake{})
	if err := give(t, g, connect(t, s), 5); err != nil {
		t.Fatal(err)
	}
	r.wholly(t, 5)
	if times["item001"] != mostAgain || times["item002"] != 1 {
		t.Errorf("%v", times)
	}
}

// A worker that does not fit, and one that fails, say so and take nothing.
func TestRefusals(t *testing.T) {
	t.Parallel()
	s := serve(t, "127.0.0.1:0", "")
	var r results
	g := giver("run00000008", &r)
	var mu sync.Mutex
	var told []string
	g.Tell = func(text string) {
		mu.Lock()
		defer mu.Unlock()
		told = append(told, text)
	}
	for name, prepare := range map[string]func(context.Context, *Run, Fetch) (Bench, error){
		"old":   func(context.Context, *Run, Fetch) (Bench, error) { return nil, &Refusal{"PHP is another one"} },
		"worse": func(context.Context, *Run, Fetch) (Bench, error) { return &fake{fail: fmt.Errorf("no space")}, nil },
	} {
		go (&Worker{Name: name, Tell: func(string) {}, Prepare: prepare}).Work(t.Context(), connect(t, s))
	}
	go func() {
		for {
			mu.Lock()
			text := strings.Join(told, "\n")
			mu.Unlock()
			if strings.Contains(text, "PHP is another one") && strings.Contains(text, "no space") {
				break
			}
			time.Sleep(10 * time.Millisecond)
		}
		hire(t, connect(t, s), "good", &fake{})
	}()
	if err := give(t, g, connect(t, s), 30); err != nil {
		t.Fatal(err)
	}
	r.wholly(t, 30)
	if text := strings.Join(told, "\n"); !strings.Contains(text, "old takes nothing: PHP is another one") || !strings.Contains(text, "no space") {
		t.Errorf("%s", text)
	}
}

// A file whose bytes are not what its name says is none.
func TestFilesAreWhatTheirNamesSay(t *testing.T) {
	t.Parallel()
	s := serve(t, "127.0.0.1:0", "")
	c := connect(t, s)
	text := "the true bytes"
	sum := sha256.Sum256([]byte(text))
	f := File{Role: "x", Sum: hex.EncodeToString(sum[:]), Size: int64(len(text))}
	g := &Giver{Run: Run{ID: "run00000009", Files: []File{f}}, Open: func(File) (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil }}
	if err := g.Begin(t.Context(), c, nil); err != nil {
		t.Fatal(err)
	}
	w := &Worker{conn: c}
	var out bytes.Buffer
	if err := w.fetch(t.Context(), f, &out); err != nil || out.String() != text {
		t.Fatalf("%v, %q", err, &out)
	}
	files, err := c.js.ObjectStore(t.Context(), filesBucket)
	if err != nil {
		t.Fatal(err)
	}
	for _, other := range []string{"the false byte", "longer than what was said", "short"} {
		if _, err := files.PutString(t.Context(), f.Sum, other); err != nil {
			t.Fatal(err)
		}
		if err := w.fetch(t.Context(), f, io.Discard); err == nil || !strings.Contains(err.Error(), "not what its name says") {
			t.Errorf("%q is taken for it: %v", other, err)
		}
	}
}

// Runs that a host describes in ways that no host does are left alone.
func TestWrongRuns(t *testing.T) {
	t.Parallel()
	for _, text := range []string{``, `[]`, `{}`, `{"protocol":1,"id":"run00000001","patience":1000000000}`, `{"protocol":2,"id":"../../etc","patience":1000000000}`,
		`{"protocol":2,"id":"run00000001","patience":0}`, `{"protocol":2,"id":"run00000001","patience":1000000000,"files":[{"sum":"../x","size":1}]}`,
		`{"protocol":2,"id":"run00000001","patience":1000000000,"files":[{"sum":"` + strings.Repeat("a", 64) + `","size":-1}]}`} {
		if r, err := readRun([]byte(text)); err == nil {
			t.Errorf("%s is taken for %+v", text, r)
		}
	}
	if _, err := readRun([]byte(`{"protocol":2,"id":"run00000001","name":"n","host":"h","patience":1000000000,"files":[{"role":"r","sum":"` + strings.Repeat("a", 64) + `","size":1}]}`)); err != nil {
		t.Error(err)
	}
}
