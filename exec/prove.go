//go:build linux

package exec

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"assay/exec/proving"
	"assay/exec/sandbox"
	"assay/exec/supervisor"
	"assay/mutate"
)

// ProveSettings says how findings are looked for.
type ProveSettings struct {
	For    time.Duration // the whole time; 0 for as long as it takes
	Inputs int           // the most that are tried of a mutant; 0 for DefaultInputs
	Seed   uint64        // the same seed gives the same findings, if For does not end it
	// Only, unless it is empty, and Not are patterns of functions that may, and that may not,
	// be called: "Class::method", "Class::__construct" or "function", in which * stands for
	// any text.
	Only, Not []string
	// Unconfined has calls be made with changed arguments where nothing keeps them from files
	// and the network.
	Unconfined bool
}

// DefaultInputs is how many inputs are tried of a mutant at most, unless it is said.
const DefaultInputs = 3000

// Prove looks for inputs that tell the mutants of some tasks from the original, and gives what
// came of each to each, in the order of the tasks. It has the suite run once more, to record
// the calls that it makes, and makes them again: as they are, and with changed arguments. When
// s.For is over what is left is given as it is. The error is a *ProjectError where the user
// can mend it.
func (e *Engine) Prove(ctx context.Context, b *Baseline, tasks []Task, s ProveSettings, each func(mutate.Search)) error {
	if err := e.mayProve(&s); err != nil || len(tasks) == 0 {
		return err
	}
	p := &prover{e: e, b: b, set: s, each: each, done: map[int]mutate.Search{}}
	var err error
	if p.confinement, err = e.strict(&s); err != nil {
		return err
	}
	if s.For > 0 {
		p.until = time.Now().Add(s.For)
	}
	if err := p.prepare(tasks); err != nil {
		return err
	}
	if err := p.record(ctx); err != nil {
		return err
	}
	for i, t := range tasks {
		p.hunts = append(p.hunts, p.newHunt(i, t))
	}
	g, ctx := errgroup.WithContext(ctx)
	for n := range min(e.set.Jobs, (len(tasks)+1)/2) {
		g.Go(func() error { return p.work(ctx, n+1) })
	}
	return g.Wait()
}

func (e *Engine) mayProve(s *ProveSettings) error {
	if s.Inputs <= 0 {
		s.Inputs = DefaultInputs
	}
	if gone := e.samePHP(); gone != nil {
		return gone
	}
	if !e.facts.Pcntl {
		return &ProjectError{e.set.PHP + " lacks the pcntl extension, without which calls cannot be tried", "Install or enable it, or name another PHP with --php."}
	}
	if (e.set.Unconfined || len(e.facts.Unconfined) > 0) && !s.Unconfined {
		why := "--no-confine"
		if len(e.facts.Unconfined) > 0 {
			why = e.facts.Unconfined[0]
		}
		return notConfined(why)
	}
	return nil
}

// strict gives the confinement for calls with changed arguments: what the tests may write to
// and connect to besides, such calls may not.
func (e *Engine) strict(s *ProveSettings) (sandbox.Confinement, error) {
	if s.Unconfined || len(e.set.AllowWrite)+len(e.set.AllowPorts)+len(e.set.AllowSockets) == 0 {
		return e.confinement, nil
	}
	p, err := sandbox.PlanConfinement(sandbox.Terms{Root: e.set.Root, Mode: e.facts.View}, abilitiesFor(e.facts.View, true))
	if err == nil && len(p.Loose) > 0 {
		err = notConfined(p.Loose[0])
	}
	return p.Confinement, err
}

func notConfined(why string) error {
	return &ProjectError{"calls with changed arguments are made only where code is kept from files and the network, and here it is not: " + why,
		"Run it where workers can be confined; assay check says what is missing."}
}

// prover is one call of Prove.
type prover struct {
	confinement sandbox.Confinement // for calls with changed arguments
	e           *Engine
	b           *Baseline
	set         ProveSettings
	until       time.Time // zero for none
	recording   *proving.Recording
	texts       map[string][]byte // of the sources, with the mutants that can be selected
	number      map[*mutate.Mutant]int
	place       map[int]int
	functions   map[int]function // point => function
	own         map[int]string   // point => the code that is run when it is passed
	roots       []string         // of this machine: what holds one of them is no value for a test

	mu    sync.Mutex
	hunts []*hunt
	next  int // the first hunt that nobody has taken
	each  func(mutate.Search)
	done  map[int]mutate.Search
	given int
}

// function is one of the sources.
type function struct {
	mutate.Declared
	path string
}

// text gives the source of a function.
func (p *prover) text(f function) string {
	return string(p.b.points[f.path].Source.Text[f.Start:f.End])
}

// of gives the innermost function that holds a mutant; ok is false outside of functions.
func (p *prover) of(m *mutate.Mutant) (f function, ok bool) {
	for _, d := range p.functions {
		if d.path == m.Source.Path && d.Contains(m.Edit.Span) && (!ok || f.Contains(d.Span)) {
			f, ok = d, true
		}
	}
	return f, ok
}

// named gives the innermost function with a name that holds a mutant.
func (p *prover) named(m *mutate.Mutant) (f function, ok bool) {
	for _, d := range p.functions {
		if d.Name != "" && d.path == m.Source.Path && d.Contains(m.Edit.Span) && (!ok || f.Contains(d.Span)) {
			f, ok = d, true
		}
	}
	return f, ok
}

// prepare makes the texts in which mutants are selected.
func (p *prover) prepare(tasks []Task) error {
	p.texts, p.number, p.place, p.functions = map[string][]byte{}, map[*mutate.Mutant]int{}, map[int]int{}, map[int]function{}
	p.own = map[int]string{}
	p.roots = []string{p.e.set.Root, p.e.dir, "/tmp/"}
	byFile := map[string][]mutate.Numbered{}
	for i, t := range tasks {
		m := t.Mutant
		if m.Place.Kind != mutate.NoPlace && m.Point != mutate.FileLevel && m.Place.Point == m.Point && !p.b.dropped[m.Source.Path] {
			byFile[m.Source.Path] = append(byFile[m.Source.Path], mutate.Numbered{Mutant: m, Number: i + 1})
		}
	}
	for path, points := range p.b.points {
		for _, d := range points.Declared() {
			p.functions[d.Point] = function{d, path}
		}
		maps.Copy(p.own, points.Own())
		if points.Count == 0 || p.b.dropped[path] {
			continue
		}
		c := points.CombineTelling(byFile[path])
		ok, err := p.e.lint.parses(c.Text)
		if ok && len(byFile[path]) > 0 {
			ok, err = p.e.lint.compiles(c.Text, p.e.dir)
		}
		if err != nil {
			return err
		}
		if !ok { // these are swapped in
			if c = points.CombineTelling(nil); len(byFile[path]) == 0 {
				continue
			}
		}
		p.texts[path] = c.Text
		for _, m := range byFile[path] {
			if place := c.Places[m.Number]; place != 0 {
				p.number[m.Mutant], p.place[m.Number] = m.Number, place
			}
		}
	}
	return nil
}

// over reports whether the time is up.
func (p *prover) over() bool { return !p.until.IsZero() && time.Now().After(p.until) }

// give passes on what came of a hunt, when all before it have been.
func (p *prover) give(h *hunt) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.done[h.at] = h.search
	h.bases, h.variation, h.reaching, h.found, h.job = nil, nil, nil, nil, nil
	for {
		s, is := p.done[p.given]
		if !is {
			return
		}
		p.given++
		p.each(s)
	}
}

// together is how many mutants are tried in one process.
const together = 8

func (p *prover) take() []*hunt {
	p.mu.Lock()
	defer p.mu.Unlock()
	n := min(together, (len(p.hunts)+p.e.set.Jobs-1)/p.e.set.Jobs, len(p.hunts)-p.next)
	out := p.hunts[p.next : p.next+n]
	p.next += n
	return out
}

// work goes through hunts until none is left.
func (p *prover) work(ctx context.Context, number int) error {
	var w *supervisor.Client
	defer func() {
		if w != nil {
			w.Kill()
		}
	}()
	for hunts := p.take(); len(hunts) > 0; hunts = p.take() {
		for {
			if p.over() {
				for _, h := range hunts {
					h.hurry()
				}
			}
			open := slices.DeleteFunc(slices.Clone(hunts), func(h *hunt) bool { return h.phase == over })
			if len(open) == 0 {
				break
			}
			if w == nil {
				var err error
				if w, err = p.e.startClient(ctx, number, p.confinement, false); err != nil {
					return err
				}
			}
			if err := p.try(ctx, w, open); err != nil {
				return err
			}
		}
		for _, h := range hunts {
			p.give(h)
		}
	}
	return nil
}

// mayCall reports whether the user lets the calls of an input be made.
func (s *ProveSettings) mayCall(in *proving.Input) bool {
	for _, c := range in.Calls {
		name := c.Name
		switch {
		case c.Kind == mutate.CallNew:
			name = c.Class + "::__construct"
		case c.Class != "":
			name = c.Class + "::" + c.Name
		}
		if matchesAny(s.Not, name) || len(s.Only) > 0 && !matchesAny(s.Only, name) {
			return false
		}
	}
	return true
}

func matchesAny(patterns []string, name string) bool {
	return slices.ContainsFunc(patterns, func(p string) bool {
		expression := "(?i)^" + strings.ReplaceAll(regexp.QuoteMeta(strings.TrimPrefix(p, `\`)), `\*`, ".*") + "$"
		is, err := regexp.MatchString(expression, name)
		return err == nil && is
	})
}

// record has the suite run once more and notes the calls that it makes.
func (p *prover) record(ctx context.Context) error {
	w, err := p.e.startClient(ctx, 1, p.e.confinement, false)
	if err != nil {
		return err
	}
	defer w.Kill()
	defer p.e.turns.take()()
	request := supervisor.Prove{Texts: map[string][]byte{}, Limit: int64(5*time.Minute + 20*p.b.Suite)}
	request.Setup.What = "record"
	for path, points := range p.b.points {
		request.Setup.Sources = append(request.Setup.Sources, path)
		if text := points.Calling(); points.Count > 0 && !p.b.dropped[path] {
			ok, err := p.e.lint.parses(text)
			if err != nil {
				return err
			}
			if ok {
				request.Texts[path] = text
			}
		}
	}
	for point := range p.functions {
		request.Setup.Wanted = append(request.Setup.Wanted, point)
	}
	slices.Sort(request.Setup.Sources)
	slices.Sort(request.Setup.Wanted)
	told, o, err := w.Prove(ctx, request)
	if err != nil {
		return p.e.notReady(err)
	}
	if !o.Done {
		return fmt.Errorf("the suite did not come to its end while its calls were recorded (exit status %d, signal %d): %s", o.Exit, o.Signal, lastLines(o.Output, 5))
	}
	p.roots = append(p.roots, w.Facts.Root)
	if p.recording, err = proving.NewRecording(told); err != nil {
		return err
	}
	return nil
}

// ask has a process make the calls of some jobs, and gives what came of each by its ID.
func (p *prover) ask(ctx context.Context, w *supervisor.Client, texts map[string][]byte, jobs []*proving.Job) (map[int]proving.Answer, *supervisor.Outcome, error) {
	defer p.e.turns.take()()
	setup, err := proving.Setup(jobs)
	if err != nil {
		return nil, nil, err
	}
	request := supervisor.Prove{Texts: texts, Limit: int64(time.Minute) + int64(len(jobs))*int64(30*time.Second), Built: p.b.built}
	request.Setup.What, request.Setup.Jobs = "run", setup
	told, o, err := w.Prove(ctx, request)
	var failed *supervisor.Error
	if errors.As(err, &failed) {
		return map[int]proving.Answer{}, &supervisor.Outcome{Last: failed.Text}, nil
	}
	if err != nil {
		return nil, nil, err
	}
	out := map[int]proving.Answer{}
	for _, t := range told {
		a, err := proving.ReadAnswer(t)
		if err != nil {
			return nil, nil, err
		}
		out[a.ID] = a
	}
	return out, o, nil
}
