package exec

import (
	"errors"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"assay/exec/sandbox"
	"assay/mutate"
)

// wholeStage is the stage in which everything is loaded that the tests load of
// the sources, with mutants in it; see mutate.Schemata. A child that is forked
// from it has only to choose one.
type wholeStage struct {
	want      *schemataRequest
	peer      *peer
	pid       int
	files     map[string]bool // relative to the root: loaded there, with their mutants
	sequences bool            // it can run tests of several mutants in one child
	unfit     []int           // but not these tests
	anew      bool            // and tests can be made anew there
}

// schemataRequest asks for a whole stage.
type schemataRequest struct {
	Texts   map[string][]byte // path => text with mutants
	Classes []string          // to be loaded
}

func (s *wholeStage) live() bool { return s.peer != nil && !isClosed(s.peer.closed) }

// startWhole makes the whole stage, or leaves it out where it cannot be had:
// then all its mutants are swapped in one by one.
func (k *keeper) startWhole() error {
	k.endWhole()
	w := &k.whole
	if w.want == nil || k.stage0 == nil || isClosed(k.stage0.closed) {
		return nil
	}
	for {
		if err := k.view.Swap(w.want.Texts); err != nil {
			return errors.Join(err, k.view.Restore())
		}
		bad, err := k.tryWhole()
		if err = errors.Join(err, k.view.Restore()); err != nil {
			return err
		}
		if len(bad) == 0 {
			break
		}
		for _, path := range bad {
			delete(w.want.Texts, path)
		}
		k.endWhole()
	}
	if !w.live() {
		w.want = nil // it would not come the next time either
	}
	return k.view.Accept()
}

// tryWhole starts the stage once. It gives the files that PHP complained of when
// it loaded them with their mutants; without them it can be tried again.
func (k *keeper) tryWhole() (bad []string, err error) {
	w := &k.whole
	w.peer = k.board.expect()
	k.serial++
	err = k.stage0.send(order{Op: "stage", ID: k.serial, Token: w.peer.token, Preload: k.earlyIn1(), Whole: &wholeOrder{w.want.Classes}})
	if err != nil {
		return nil, err
	}
	deadline := time.NewTimer(startupTime)
	defer deadline.Stop()
	for {
		select {
		case m := <-w.peer.messages:
			switch m.kind {
			case "hello":
				w.pid, _ = get[int](m, 0)
			case "whole":
				return k.noteWhole(m), nil
			case "stage":
				k.endWhole() // another adapter's: it knows of no such stage
				return nil, nil
			}
		case <-w.peer.closed:
			if len(w.peer.messages) > 0 {
				continue
			}
			k.endWhole()
			return k.refused()
		case <-deadline.C:
			k.endWhole()
			return nil, nil
		}
	}
}

// noteWhole takes in what the stage says of itself: what it has loaded, and
// whether its suite is that of the unchanged files.
func (k *keeper) noteWhole(m message) (bad []string) {
	files, _ := get[[]string](m, 0)
	ids, _ := get[[]string](m, 1)
	complained, _ := get[[]string](m, 2)
	unfit, ok := get[[]int](m, 3)
	k.whole.unfit, k.whole.sequences = unfit, ok
	if same := slices.EqualFunc(ids, k.facts.Tests, func(id string, t testRow) bool { return id == t.ID }); !same {
		k.endWhole()
		return nil
	}
	k.whole.files = map[string]bool{}
	for path := range k.relative(files) {
		if k.whole.want.Texts[path] != nil && !k.files0[path] { // what PHPUnit itself needs was there before
			k.whole.files[path] = true
		}
	}
	unsure, certain := get[[]string](m, 4)
	k.whole.anew = certain && unsure != nil && !slices.ContainsFunc(unsure, func(path string) bool { return !k.whole.files[path] })
	for path := range k.relative(complained) {
		if k.whole.want.Texts[path] != nil {
			bad = append(bad, path)
		}
	}
	return bad
}

// refused gives the files that PHP's compiler does not take with their mutants.
func (k *keeper) refused() (bad []string, err error) {
	l := &linter{php: k.req.PHP}
	for _, path := range slices.Sorted(maps.Keys(k.whole.want.Texts)) {
		ok, err := l.compiles(k.whole.want.Texts[path], k.view.Temp())
		if err != nil {
			return nil, err
		}
		if !ok {
			bad = append(bad, path)
		}
	}
	return bad, nil
}

func (k *keeper) endWhole() {
	w := &k.whole
	if w.peer == nil {
		return
	}
	if w.pid > 0 && sandbox.Alive(w.pid) {
		sandbox.KillGroup(w.pid)
	}
	k.board.forget(w.peer)
	w.peer, w.pid, w.files = nil, 0, nil
}

// schemata is the host's side: the mutants of some tasks in one text a file.
type schemata struct {
	request *schemataRequest // nil: there are none
	number  map[*mutate.Mutant]int
	place   map[int]int // number of a mutant => that of its place
	// control is a task whose code ends the process when number controls is chosen.
	control  *Task
	ender    []byte // its file with that change
	repeats  bool   // its tests may be in a sequence; else no tests are
	controls int
	remade   []string         // the methods whose tests have to be made anew for the control; see inSequences
	anew     map[int][]string // number of a mutant that building the suite passes => the tests that are made anew; see makers
}

// combineFile makes the schemata of a file. Where PHP's parser does not take them,
// it is asked about the mutants one by one.
func (s *Survey) combineFile(p *mutate.Points, ms []mutate.Numbered, parses func([]byte) (bool, error)) (c mutate.Schemata, ok bool, err error) {
	c = p.Combine(ms)
	if ok, err = parses(c.Text); ok || err != nil {
		return c, ok, err
	}
	var good []mutate.Numbered
	for _, m := range ms {
		ok, err := parses(m.Edit.Apply(p.Source.Text))
		if err != nil {
			return c, false, err
		}
		if ok {
			good = append(good, m)
		}
	}
	c = p.Combine(good)
	ok, err = parses(c.Text)
	return c, ok, err
}

// How a program looks at its own lines, and at what is loaded.
var (
	looksAtLines  = regexp.MustCompile(`(?i)\b(getLine|getTrace|getTraceAsString|debug_backtrace|debug_print_backtrace|__LINE__|getStartLine|getEndLine|on line)\b`)
	looksAtLoaded = regexp.MustCompile(`(?i)\b(get_declared_(classes|traits|interfaces)|get_(included|required)_files|spl_autoload_(call|functions)|` +
		`(class|interface|trait|enum)_exists\s*\([^;]*,\s*(false|0)\b)`)
	asksForName = regexp.MustCompile(`(?i)^(?:class|interface|trait|enum)_exists\s*\(\s*'([^']*)'\s*,\s*(?:false|0)$`)
)

// combine makes the schemata of tasks, if one of them can serve as a control.
func (s *Survey) combine(tasks []Task, parses func([]byte) (bool, error)) (*schemata, error) {
	if s.loadsCount != "" {
		return &schemata{}, nil
	}
	for without := map[string]bool{}; ; {
		c, byFile := s.choose(tasks, without)
		if c.control == nil {
			return &schemata{}, nil
		}
		for _, path := range slices.Sorted(maps.Keys(byFile)) {
			combined, ok, err := s.combineFile(s.points[path], byFile[path], parses)
			if err != nil {
				return nil, err
			}
			if !ok {
				continue
			}
			c.request.Texts[path] = combined.Text
			maps.Copy(c.place, combined.Places)
			if len(s.byFile[path]) > 0 {
				c.request.Classes = append(c.request.Classes, s.points[path].Classes...)
			}
		}
		if c.place[c.controls] != 0 {
			return c, nil
		}
		without[c.control.Mutant.Source.Path] = true // its file cannot be combined
	}
}

// choose numbers the mutants that may be in schemata, by file, and picks a control
// from files other than some.
func (s *Survey) choose(tasks []Task, without map[string]bool) (*schemata, map[string][]mutate.Numbered) {
	c := &schemata{number: map[*mutate.Mutant]int{}, place: map[int]int{}, controls: len(tasks) + 1,
		request: &schemataRequest{Texts: map[string][]byte{}}, anew: map[int][]string{}}
	byFile := map[string][]mutate.Numbered{}
	for i, t := range tasks {
		m := t.Mutant
		path := m.Source.Path
		methods, ok := s.makers(m)
		if m.Place.Kind == mutate.NoPlace || m.Place.Point == mutate.FileLevel || len(t.Tests) == 0 || s.dropped[path] ||
			!ok || s.linesCount && strings.Contains(m.Before(), "\n") {
			continue
		}
		c.number[m] = i + 1
		if methods != nil {
			c.anew[i+1] = methods
		}
		byFile[path] = append(byFile[path], mutate.Numbered{Mutant: m, Number: i + 1})
		// Of a control it must be certain that it is run when its point is passed.
		if m.Place.Kind == mutate.Statement && m.Place.Len() > 0 && m.Place.Point == m.Point && methods == nil && !c.repeats && !without[path] {
			fit, _, others := s.inSequences(t)
			if c.repeats = fit != nil && others == nil; c.repeats || c.control == nil || fit != nil && c.remade == nil {
				c.control, c.remade = &tasks[i], others
			}
		}
	}
	c.repeats = c.repeats || c.remade != nil
	if len(c.anew) > 0 || c.remade != nil {
		for path, p := range s.points { // to be told whether they are run
			if p.HasStaticVariables() && !s.dropped[path] && byFile[path] == nil {
				byFile[path] = []mutate.Numbered{}
			}
		}
	}
	if c.control != nil {
		m := c.control.Mutant
		ender := *m // code and tests may catch what is thrown; this they cannot
		ender.Edit = mutate.Edit{Span: m.Place.Span, New: `exit(70);`}
		c.ender = ender.Edit.Apply(m.Source.Text)
		byFile[m.Source.Path] = append(byFile[m.Source.Path], mutate.Numbered{Mutant: &ender, Number: c.controls})
	}
	return c, byFile
}
