//go:build linux

package main

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"assay/exec"
	"assay/exec/pool"
	"assay/mutate"
	"assay/report"
)

// A hosting is the side of a pool that gives mutants out. A nil one is that of a run that
// judges by itself.
type hosting struct {
	server *pool.Server // nil: it is elsewhere
	conn   *pool.Conn
	giver  *pool.Giver // nil before the first mutant is given
	offer  *offer
	known  map[string]string // of the interrupted run: what pool.Giver.Begin wants
	note   string            // the file with the name of the run; "" for none
	where  string
}

// pooled reports whether others are to judge.
func (o *poolOptions) pooled() bool { return o.Pool != "" || o.PoolContext != "" || o.PoolListen != "" }

// checkPool refuses options that mean nothing together.
func (c *runCommand) checkPool() error {
	if err := c.poolAccess.check(c.PoolListen != ""); err != nil {
		return err
	}
	switch {
	case c.PoolListen != "" && (c.Pool != "" || c.PoolContext != ""):
		return usagef("--pool-listen starts a server, and --pool and --pool-context name one; give one of them")
	case c.PoolDir != "" && c.PoolListen == "":
		return usagef("--pool-dir is for the server that --pool-listen starts")
	case c.pooled() && c.Shard.given():
		return usagef("--shard %s: a part of a run is not given to a pool; the pool divides the run by itself", c.Shard)
	case time.Duration(c.PoolPatience) < time.Second && c.pooled():
		return badValue("pool-patience", time.Duration(c.PoolPatience).String(), "%v is too short; a worker says at times that it is there", time.Duration(c.PoolPatience))
	}
	return nil
}

// check refuses what says how to get into a pool, where there is none.
func (a *poolAccess) check(listens bool) error {
	if a.Pool != "" && a.PoolContext != "" {
		return usagef("--pool and --pool-context both say where the server is; give one of them")
	}
	if a.Pool != "" || a.PoolContext != "" || listens {
		return nil
	}
	for _, o := range []struct {
		name  string
		given bool
	}{{"pool-creds", a.PoolCreds != ""}, {"pool-secret", a.PoolSecret != ""}, {"pool-ca", a.PoolCA != ""}, {"pool-cert", a.PoolCert != ""}, {"pool-key", a.PoolKey != ""}, {"insecure", a.Insecure}} {
		if o.given {
			return usagef("--%s is for a pool of workers; name one with --pool", o.name)
		}
	}
	return nil
}

func (a *poolAccess) access() pool.Access {
	return pool.Access{URL: a.Pool, Context: a.PoolContext, Creds: a.PoolCreds, Secret: a.PoolSecret, CA: a.PoolCA, Cert: a.PoolCert, Key: a.PoolKey, Insecure: a.Insecure}
}

// place names the server for people.
func (a *poolAccess) place() string { return cmp.Or(pool.Shown(a.Pool), "the context "+a.PoolContext) }

// openPool connects to the pool, or starts it, before anything is run.
func (c *runCommand) openPool(env *environment, engine *exec.Engine) error {
	if !c.pooled() {
		return nil
	}
	h := &hosting{where: c.place()}
	var err error
	if c.PoolListen != "" {
		h.server, err = pool.Serve(pool.Listening{Address: c.PoolListen, Dir: c.PoolDir, Temp: engine.Facts().WorkDir, Secret: c.PoolSecret, Cert: c.PoolCert, Key: c.PoolKey, Insecure: c.Insecure})
		if err == nil {
			c.pool = h
			h.where = h.server.Address()
			fmt.Fprintf(env.stderr, "assay: workers can join at %s\n", h.where)
			h.conn, err = h.server.Connect("assay run")
		}
	} else if h.conn, err = pool.Connect(env.ctx, c.access(), "assay run", nil); err == nil {
		c.pool = h
	}
	return ofPool(err)
}

// ofPool gives the error of a pool that the user can mend as one of usage.
func ofPool(err error) error {
	var bad pool.AccessError
	if errors.As(err, &bad) {
		return usageError{err}
	}
	return err
}

// close ends what was begun.
func (h *hosting) close(env *environment) {
	if h == nil {
		return
	}
	if h.conn != nil {
		h.conn.Close()
	}
	if h.server != nil {
		if err := h.server.Close(); err != nil {
			fmt.Fprintf(env.stderr, "assay: the server of the pool: %v\n", err)
		}
	}
	h.conn, h.server = nil, nil
}

// know takes in a verdict of the interrupted run: workers may still tell of it.
func (h *hosting) know(v mutate.Verdict) {
	if h != nil {
		if h.known == nil {
			h.known = map[string]string{}
		}
		h.known[v.Mutant.ID] = essenceOf(recordOf(v, noChange))
	}
}

func noChange(text string) string { return text }

// recordOf gives a verdict as it is sent: as a line of a journal. Of places it says what place
// makes of them.
func recordOf(v mutate.Verdict, place func(string) string) pool.Record {
	s := stored(v)
	s.Killer, s.Detail = place(s.Killer), place(s.Detail)
	s.Opened, s.Killers = slices.Clone(s.Opened), slices.Clone(s.Killers)
	for i, p := range s.Opened {
		s.Opened[i] = place(p)
	}
	for i, k := range s.Killers {
		s.Killers[i] = mutate.TestID(place(string(k)))
	}
	text, err := json.Marshal(s)
	if err != nil {
		panic(err) // there is nothing in it that has no form
	}
	return pool.Record{Item: s.ID, Data: text}
}

// essenceOf gives what a record says of what a result holds for every run: times and the text of a
// failure, in which there may be addresses or times, are only in those with timings. One that says
// that judging failed says nothing of the mutant.
func essenceOf(r pool.Record) string {
	var s storedLine
	if json.Unmarshal(r.Data, &s) != nil {
		return "no verdict"
	}
	if s.Status == mutate.Broken.String() {
		return ""
	}
	s.ID, s.Detail, s.Micros, s.Opened, s.Whole = "", "", 0, nil, false
	text, err := json.Marshal(s)
	if err != nil {
		panic(err) // there is nothing in it that has no form
	}
	return string(text)
}

// said counts the workers, for the line that shows how far a run is.
func (h *hosting) said() string {
	if h == nil || h.giver == nil {
		return ""
	}
	return ", " + many(h.giver.Workers(), "worker")
}

// judging gives what judges by offering work to the pool.
func (h *hosting) judging(o *offer) judge {
	h.offer = o
	return h.judge
}

// judge has the workers of the pool judge what has to be run; what no test reaches is judged
// here, for that takes no time.
func (h *hosting) judge(ctx context.Context, b *exec.Baseline, tasks []exec.Task, each func(mutate.Verdict)) error {
	var here []exec.Task
	var items []pool.Item
	given := map[string]*exec.Task{}
	tasks = slices.Clone(tasks)
	exec.InSuiteOrder(tasks)
	for n, t := range tasks {
		if len(t.Pairs) == 0 {
			here = append(here, t)
			continue
		}
		given[t.Mutant.ID] = &tasks[n]
		items = append(items, pool.Item{Name: t.Mutant.ID, Cost: b.Expense(t)})
	}
	if len(here) > 0 {
		if err := h.offer.engine.Judge(ctx, b, here, each); err != nil {
			return err
		}
	}
	if len(items) == 0 {
		return nil
	}
	if h.giver == nil {
		if err := h.begin(ctx); err != nil {
			return ofPool(err)
		}
	}
	names := reachNames{b, map[*int][]mutate.TestID{}}
	h.giver.Take = func(r pool.Record, last bool) (bool, error) {
		t, ok := given[r.Item]
		var s storedLine
		if err := json.Unmarshal(r.Data, &s); err != nil || !ok || s.ID != r.Item {
			return false, fmt.Errorf("somebody in the pool has sent what is no verdict on %q: %.200q", r.Item, r.Data)
		}
		v, err := s.verdict(*t, names.of(*t))
		if err != nil {
			return false, fmt.Errorf("somebody in the pool has sent what is no verdict: %w", err)
		}
		if v.Status == mutate.Broken && !last {
			return true, nil
		}
		each(v)
		return false, nil
	}
	noticed := time.AfterFunc(waitForWorkers, func() {
		if h.giver.Workers() == 0 {
			fmt.Fprintf(h.offer.env.stderr, "assay: nobody has joined yet; assay work --pool %s does\n", strings.TrimPrefix("nats://"+h.where, "nats://nats://"))
		}
	})
	defer noticed.Stop()
	return h.giver.Give(ctx, items)
}

// waitForWorkers is how long it may take until somebody joins before a person is told that
// nobody has.
const waitForWorkers = 15 * time.Second

// begin announces the run.
func (h *hosting) begin(ctx context.Context) error {
	run, open, err := h.offer.describe()
	if err != nil {
		return err
	}
	id, resumed, err := h.runID()
	if err != nil {
		return err
	}
	run.ID = id
	g := &pool.Giver{Run: *run, Open: open, Essence: essenceOf, Resumed: resumed, InMemory: h.server != nil && h.offer.c.PoolDir == "",
		Tell: func(text string) {
			h.offer.bar.end() // else its line is in the way
			fmt.Fprintf(h.offer.env.stderr, "assay: %s\n", text)
		}}
	h.giver = g
	return g.Begin(ctx, h.conn, h.known)
}

// runID gives the name of the run in the pool: that of the run that is gone on with, or a new
// one, which is noted for that.
func (h *hosting) runID() (id string, resumed bool, err error) {
	c, code := h.offer.c, h.offer.code
	h.note, err = c.kept(code.Name, code.Root).pool()
	if err == nil && c.Resume {
		text, err := os.ReadFile(h.note)
		if id = strings.TrimSpace(string(text)); err == nil && len(id) == len(rand.Text()) {
			return id, true, nil
		}
	}
	id = rand.Text()
	if err == nil {
		err = report.WriteFile(h.note, func(w io.Writer) error {
			_, err := fmt.Fprintln(w, id)
			return err
		})
	}
	if err != nil { // it is gone on with under another name then: no verdict is lost that the journal has
		h.note = ""
	}
	return id, false, nil
}

// end takes the run out of the pool, and says who has judged.
func (h *hosting) end(env *environment, fault error) {
	if h == nil || h.giver == nil {
		return
	}
	h.offer.bar.end()
	shares, again := h.giver.Shares()
	for _, s := range shares {
		if s.Items > 0 || s.Refused == "" {
			fmt.Fprintf(env.stderr, "assay: %s judged %s\n", s.Worker, many(s.Items, "mutant"))
		}
	}
	if again > 0 {
		fmt.Fprintf(env.stderr, "assay: %s given again, to another worker or once more\n", wereMany(again, "mutant"))
	}
	soon, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if err := h.giver.End(soon); err != nil {
		fmt.Fprintf(env.stderr, "assay: the pool still has this run, for some days: %v\n", err)
	}
	if h.note != "" {
		os.Remove(h.note)
	}
	h.giver, h.offer, h.known = nil, nil, nil // reports are written next, and need the memory
}

func wereMany(n int, noun string) string {
	if n == 1 {
		return "1 " + noun + " was"
	}
	return many(n, noun) + " were"
}

// workFolder is where files for the pool are made.
func workFolder(e *exec.Engine) (string, error) {
	dir := filepath.Join(e.Facts().WorkDir, "pool")
	return dir, os.MkdirAll(dir, 0o700)
}
