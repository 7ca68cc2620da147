//go:build linux

package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"assay/exec"
	"assay/exec/pool"
	"assay/exec/sandbox"
	"assay/mutate"
)

type workCommand struct {
	poolAccess
	Name    string `name:"name" toml:"-" placeholder:"NAME" help:"What this worker is called; without it, by its machine and process." group:"pool"`
	Once    bool   `name:"once" toml:"-" help:"End with the first run that is over." group:"pool"`
	PHP     string `name:"php" toml:"-" placeholder:"FILE" help:"The PHP to run, if not php on PATH." group:"tests"`
	PHPUnit string `name:"phpunit" toml:"-" placeholder:"FILE" help:"The PHPUnit to run (script or phar) where it is none of the project's own, if not phpunit on PATH." group:"tests"`
	Jobs    int    `name:"jobs" short:"j" toml:"-" default:"0" placeholder:"N" help:"Mutants at a time; 0 is one for each core." group:"tests"`
	View    string `name:"view" toml:"-" enum:"auto,overlay,copy" default:"auto" placeholder:"HOW" help:"How mutants get a project tree of their own: overlay, copy, or auto, which takes the first where the machine allows it." group:"tests"`

	Confine      bool     `name:"confine" toml:"-" default:"true" negatable:"" help:"Keep the tests from writing and connecting anywhere but where it is allowed, as far as the kernel can. A run that wants it otherwise is refused, unless it is so here, too." group:"reach"`
	AllowWrite   []string `name:"allow-write" toml:"-" placeholder:"PATH" sep:"none" help:"Let the tests write to this file or folder outside of the project; repeatable." group:"reach"`
	AllowConnect []place  `name:"allow-connect" toml:"-" placeholder:"PLACE" help:"Let the tests connect to a port, as 5432 or 127.0.0.1:5432 (the kernel looks at the port alone), or to a service's socket file; repeatable." group:"reach"`
}

func (c *workCommand) confined() confineOptions {
	return confineOptions{Confine: c.Confine, AllowWrite: c.AllowWrite, AllowConnect: c.AllowConnect}
}

// run takes mutants until it is ended.
func (c *workCommand) run(env *environment) error {
	if c.Pool == "" && c.PoolContext == "" {
		return usagef("say where the pool is: --pool URL, as assay run has it, or --pool-context NAME")
	}
	err := c.poolAccess.check(false)
	if err == nil {
		err = (&suiteOptions{Jobs: c.Jobs}).check()
	}
	if err != nil {
		return err
	}
	if c.Name == "" {
		host, err := os.Hostname()
		if err != nil {
			return err
		}
		c.Name = fmt.Sprintf("%s:%d", host, os.Getpid())
	}
	told := false
	conn, err := pool.Connect(env.ctx, c.access(), "assay work "+c.Name, func(why error) {
		if !told {
			told = true
			fmt.Fprintf(env.stderr, "assay: waiting for the pool at %s: %v\n", c.place(), why)
		}
	})
	if err != nil {
		return ofPool(cmpSignal(env, err))
	}
	defer conn.Close()
	fmt.Fprintf(env.stderr, "assay: %s waits for mutants from %s\n", c.Name, c.place())
	w := &pool.Worker{Name: c.Name, Once: c.Once, Tell: func(text string) { fmt.Fprintf(env.stderr, "assay: %s\n", text) },
		Prepare: func(ctx context.Context, run *pool.Run, fetch pool.Fetch) (pool.Bench, error) {
			return c.prepare(env, ctx, run, fetch)
		}}
	return cmpSignal(env, w.Work(env.ctx, conn))
}

// cmpSignal gives the signal that ended the process as the error, where one did.
func cmpSignal(env *environment, err error) error {
	if err != nil && env.ctx.Err() != nil {
		return context.Cause(env.ctx)
	}
	return err
}

// A workshop judges the mutants of one run. It has the host's project in a folder of its own.
type workshop struct {
	env      *environment
	work     *sandbox.WorkDir
	run      runCommand
	code     *codebase
	engine   *exec.Engine
	baseline *exec.Baseline
	all      []exec.Task
	tasks    map[string]exec.Task // by ID of the mutant
	place    func(string) string  // gives text in which places are the host's
	jobs     context.CancelFunc
	feed     atomic.Pointer[exec.Feed]
}

// prepare fetches a project, records its tests, and compares what was seen with what the host
// has seen. What differs is a refusal.
func (c *workCommand) prepare(env *environment, ctx context.Context, run *pool.Run, fetch pool.Fetch) (_ pool.Bench, err error) {
	s := &workshop{env: env}
	defer func() {
		if err != nil {
			err = errors.Join(err, s.Close())
		}
	}()
	if s.work, err = sandbox.MakeWorkDir(false); err != nil {
		return nil, err
	}
	d, err := s.describe(ctx, run, fetch)
	if err != nil {
		return nil, err
	}
	if err := c.accept(d); err != nil {
		return nil, err
	}
	fmt.Fprintf(env.stderr, "assay: fetching %s of %s\n", run.Name, run.Host)
	root, err := s.fetchProject(ctx, run, d, fetch)
	if err != nil {
		return nil, err
	}
	s.place = strings.NewReplacer(root, d.Root, root[1:], d.Root[1:]).Replace
	s.configure(c, d, root)
	if err := s.record(ctx, d); err != nil {
		return nil, err
	}
	fmt.Fprintf(env.stderr, "assay: %s of %s: the tests do here what they do there; taking mutants\n", run.Name, run.Host)
	return s, nil
}

// mostDescription bounds the description of a run, in bytes.
const mostDescription = 512 << 20

// describe gets the description of a run.
func (s *workshop) describe(ctx context.Context, run *pool.Run, fetch pool.Fetch) (*described, error) {
	at := slices.IndexFunc(run.Files, func(f pool.File) bool { return f.Role == roleDescription })
	if at < 0 || run.Files[at].Size > mostDescription {
		return nil, &pool.Refusal{Why: "the run is not described, or at too great length"}
	}
	f, err := os.OpenFile(filepath.Join(s.work.Path, "description"), os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if err := fetch(ctx, run.Files[at], f); err != nil {
		return nil, err
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	d := &described{}
	decoder := json.NewDecoder(f)
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(d); err != nil {
		return nil, &pool.Refusal{Why: fmt.Sprintf("the run is described in a way that is not known here, so it is another assay's: %v", err)}
	}
	if !filepath.IsAbs(d.Root) || d.Root != filepath.Clean(d.Root) || d.Root == "/" || d.Dir != filepath.Base(d.Root) {
		return nil, &pool.Refusal{Why: "the run does not say where its project is"}
	}
	for _, p := range append([]string{d.Options.PHPUnit, d.Options.PHPUnitConfig}, d.Options.Paths...) {
		if p != "" && !filepath.IsLocal(p) {
			return nil, &pool.Refusal{Why: fmt.Sprintf("the run names %q, which is no path in its project", p)}
		}
	}
	return d, nil
}

// accept compares tools, and what tests may do, before anything of the project is fetched: what
// mutants may do on this machine is for its owner to say.
func (c *workCommand) accept(d *described) error {
	mine, theirs := confinedText(c.confined()), confinedText(d.Options.Confine)
	if mine != theirs {
		return &pool.Refusal{Why: fmt.Sprintf("the run wants its tests to reach (%s), and here they may reach (%s); give assay work the same --no-confine, --allow-write and --allow-connect if that is meant", theirs, mine)}
	}
	php, err := phpFor(c.PHP)
	if err != nil {
		return &pool.Refusal{Why: err.Error()}
	}
	here, err := agreementOf(php, "")
	if err != nil {
		return &pool.Refusal{Why: err.Error()}
	}
	there := agreement{}
	for name, value := range d.Agreed {
		if name != phpunitFile {
			there[name] = value
		}
	}
	if out := here.differences(there); len(out) > 0 {
		return &pool.Refusal{Why: told(out)}
	}
	return nil
}

func confinedText(o confineOptions) string {
	if !o.Confine {
		return "all that the user may"
	}
	var places []string
	for _, p := range o.AllowConnect {
		places = append(places, fmt.Sprint(p.Port, p.Socket))
	}
	writes := slices.Sorted(slices.Values(o.AllowWrite))
	slices.Sort(places)
	return fmt.Sprintf("what is theirs, and to write %q, to connect %q", writes, places)
}

// fetchProject fetches a project into a folder that is called as the host's.
func (s *workshop) fetchProject(ctx context.Context, run *pool.Run, d *described, fetch pool.Fetch) (string, error) {
	root := filepath.Join(s.work.Path, "project", d.Dir)
	if err := os.MkdirAll(root, 0o755); err != nil {
		return "", err
	}
	for _, f := range run.Files {
		if f.Role != roleArchive {
			continue
		}
		if f.Size > pool.Usual.Packed {
			return "", &pool.Refusal{Why: "the project is larger than a pool takes"}
		}
		kept, err := s.fetchKept(ctx, f, fetch)
		if err != nil {
			return "", err
		}
		err = pool.Unpack(kept, root, pool.Usual)
		kept.Close()
		if err != nil {
			return "", &pool.Refusal{Why: fmt.Sprintf("the project cannot be unpacked: %v", err)}
		}
	}
	return filepath.EvalSymlinks(root)
}

// configure makes the options of a run of one's own.
func (s *workshop) configure(c *workCommand, d *described, root string) {
	o := d.Options
	r := &s.run
	r.sourceOptions = sourceOptions{Project: root, Exclude: o.Exclude, Breadth: o.Breadth, Enable: o.Enable, Disable: o.Disable, Only: o.Only, PHP: c.PHP}
	r.suiteOptions = suiteOptions{PHPUnit: c.PHPUnit, TestSuite: o.TestSuite, Group: o.Group, Jobs: c.Jobs, MemoryLimit: size(o.MemoryLimit), Cold: o.Cold, View: c.View, confineOptions: c.confined()}
	if o.PHPUnit != "" {
		r.PHPUnit = filepath.Join(root, o.PHPUnit)
	}
	if o.PHPUnitConfig != "" {
		r.PHPUnitConfig = filepath.Join(root, o.PHPUnitConfig)
	}
	for _, p := range o.Paths {
		r.Paths = append(r.Paths, filepath.Join(root, p))
	}
	r.NoObserve, r.AllKills = o.NoObserve, o.AllKills
}

// record makes the mutants and runs the tests unchanged, as the host has done.
func (s *workshop) record(ctx context.Context, d *described) (err error) {
	// The engine outlives the call that makes it.
	life, end := context.WithCancel(context.WithoutCancel(ctx))
	s.jobs = end
	defer context.AfterFunc(ctx, func() {
		if s.baseline == nil {
			end()
		}
	})()
	if s.code, err = begin(life, s.run.sourceOptions, &s.run.suiteOptions, s.run.Paths); err != nil {
		return err
	}
	if here, there := shortSum(fileSum(s.code.PHPUnit.Path)), d.Agreed[phpunitFile]; here != there {
		return &pool.Refusal{Why: fmt.Sprintf("%s is %s there, and %s here (%s)", phpunitFile, there, here, s.code.PHPUnit.Path)}
	}
	inner := *s.env
	inner.ctx = life
	s.run.phpSum = sync.OnceValues(func() (string, error) { return phpSum(s.code.PHP) })
	if s.engine, err = s.run.open(&inner, s.code); err != nil {
		return err
	}
	if err := s.code.making(); err != nil {
		return err
	}
	chosen, err := s.choose(d)
	if err != nil {
		return err
	}
	if !s.run.NoObserve {
		s.engine.Observe(chosen)
	}
	baseline, err := s.engine.Record(life, s.code.points, nil)
	if err != nil {
		return err
	}
	if s.run.AllKills {
		s.engine.FindAllKills()
	}
	return s.compare(d, baseline, chosen)
}

// choose gives the mutants that the host has chosen.
func (s *workshop) choose(d *described) ([]*mutate.Mutant, error) {
	byID := make(map[string]*mutate.Mutant, len(s.code.mutants))
	for _, m := range s.code.mutants {
		byID[m.ID] = m
	}
	out := make([]*mutate.Mutant, 0, len(d.Chosen))
	for _, id := range d.Chosen {
		m := byID[id]
		if m == nil {
			return nil, &pool.Refusal{Why: fmt.Sprintf("there is a mutant %.200q there, and none here", id)}
		}
		out = append(out, m)
	}
	return out, nil
}

// compare plans as the host has planned, and refuses where the tests do something else here.
func (s *workshop) compare(d *described, b *exec.Baseline, chosen []*mutate.Mutant) error {
	own := make([]time.Duration, len(b.Tests))
	for i, t := range b.Tests {
		own[i] = t.Time
	}
	if len(b.Tests) == len(d.Seen.Tests) {
		orderAs(b.Tests, d.Seen.Tests)
	}
	planned := exec.Plan(chosen, b)
	for i := range b.Tests {
		b.Tests[i].Time = own[i]
	}
	tasks, err := b.LeaveOutElsewhere(planned)
	if err != nil {
		return err
	}
	now, err := newSituation(s.code, b, nil, nil)
	if err != nil {
		return err
	}
	here := seenHere(s.code, s.engine.Facts(), b, now, tasks, os.Environ())
	if out := here.differences(&d.Seen); len(out) > 0 {
		return &pool.Refusal{Why: told(out)}
	}
	s.all, s.tasks = tasks, make(map[string]exec.Task, len(tasks))
	for _, t := range tasks {
		s.tasks[t.Mutant.ID] = t
	}
	s.baseline = b
	return nil
}

// Work judges mutants, as they come.
func (s *workshop) Work(ctx context.Context, feed pool.Feed, each func(pool.Record)) error {
	ctx, fail := context.WithCancelCause(ctx)
	defer fail(nil)
	more := func(ctx context.Context, wait bool) (tasks []exec.Task) {
		for _, id := range feed(ctx, wait) {
			t, ok := s.tasks[id]
			if !ok {
				fail(fmt.Errorf("there is no mutant %.200q here", id))
				return nil
			}
			tasks = append(tasks, t)
		}
		return tasks
	}
	from := &exec.Feed{Next: more}
	s.feed.Store(from)
	defer s.feed.Store(nil)
	err := s.engine.JudgeFed(ctx, s.baseline, s.all, from, func(v mutate.Verdict) { each(recordOf(v, s.place)) })
	return cmp.Or(context.Cause(ctx), err)
}

// Drop has mutants not be judged that have not been begun.
func (s *workshop) Drop(ids []string, most int) (dropped []string) {
	from := s.feed.Load()
	if from == nil {
		return nil
	}
	is := make(map[string]bool, len(ids))
	for _, id := range ids {
		is[id] = true
	}
	for _, m := range from.Drop(func(m *mutate.Mutant) bool { return is[m.ID] }, most) {
		dropped = append(dropped, m.ID)
	}
	return dropped
}

// Close ends the engine, and removes what was fetched.
func (s *workshop) Close() error {
	var err error
	if s.jobs != nil {
		s.jobs()
	}
	if s.engine != nil {
		for _, text := range s.engine.Remarks() {
			fmt.Fprintln(s.env.stderr, "assay:", text)
		}
		err = s.engine.Close()
	}
	if s.work != nil {
		err = errors.Join(err, s.work.Remove())
	}
	return err
}
