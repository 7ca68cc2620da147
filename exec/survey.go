package exec

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"assay/mutate"
	"assay/mutate/syntax"
)

// Survey is what the runs of the unchanged suite told: the tests, their times,
// and which probe points each of them passes.
type Survey struct {
	Tests []mutate.Test // in the suite's order
	Suite time.Duration // the tests' own time, all of them
	Notes []mutate.Note

	rows     []testRow
	classes  [][2]string      // PHPUnit's own, loaded in a whole run, with their files
	byPoint  map[int][]int    // point => tests, ascending
	byFile   map[string][]int // path => tests in whose process it was loaded
	dropped  map[string]bool  // paths whose points PHP did not take
	points   map[string]*mutate.Points
	peak     map[int]int64 // point => the most often that one test passes it
	leftover map[int]bool  // points that some test passes only in the whole suite
	memory   int64         // bytes a child may use
	shares   []bool        // test => it touches state that outlives it
	inspects []bool        // test => it may read defaults of parameters without a call
	always   []int         // tests that do not pass with probes in the sources: any change may reach them
	needs    [][]int       // test => tests that must run before it
	feeds    [][]int       // test => tests that need it
}

// Survey runs the unchanged suite whole and as it is, from its last test to its
// first, and with probes in the sources: class by class, and whole. A suite that is red to begin with, or has
// no tests, is a *ProjectError. progress may be nil.
func (e *Engine) Survey(ctx context.Context, files []*mutate.Points, progress func(done, all int)) (*Survey, error) {
	s := &Survey{byPoint: map[int][]int{}, byFile: map[string][]int{}, dropped: map[string]bool{},
		points: map[string]*mutate.Points{}, peak: map[int]int64{}, leftover: map[int]bool{}}
	for _, p := range files {
		s.points[p.Source.Path] = p
	}
	probed, err := e.probedSources(files, s)
	if err != nil {
		return nil, err
	}
	x := &explorer{e: e, s: s, files: files, probed: probed, progress: progress,
		apart: map[string]outcome{}, again: map[string]outcome{}, described: make(chan struct{})}
	if err := x.explore(ctx); err != nil {
		return nil, e.ifConfined(ctx, err)
	}
	if err := x.withoutProbes(ctx); err != nil {
		return nil, err
	}
	e.putBack(x.plain)
	if err := x.conclude(); err != nil {
		return nil, err
	}
	return s, x.noteSkipped(ctx)
}

// known is what a worker is told of the survey. Classes that PHPUnit loads in
// every whole run are loaded once for all children; not those that come from
// the project itself, whose files may be under change.
func (s *Survey) known(root string) *knownRequest {
	k := &knownRequest{Times: make([]int64, len(s.Tests)), Memory: s.memory}
	for i, t := range s.Tests {
		k.Times[i] = t.Time.Microseconds()
	}
	for _, c := range s.classes {
		rel, err := filepath.Rel(root, c[1])
		outside := err != nil || strings.HasPrefix(rel, "../")
		if c[1] != "" && (outside || strings.HasPrefix(rel, "vendor/")) {
			k.Preload = append(k.Preload, c[0])
		}
	}
	return k
}

// notReady turns the failure of a stage into words for the project's owner.
func (e *Engine) notReady(err error) error {
	var we *workerError
	if !errors.As(err, &we) {
		return err
	}
	return &ProjectError{"PHPUnit does not get as far as its first test: " + we.text,
		"Run phpunit by itself and mend what it reports first."}
}

// probedSources gives the text of every file with its probes. A text that PHP
// does not take leaves its file without points.
func (e *Engine) probedSources(files []*mutate.Points, s *Survey) (map[string][]byte, error) {
	probed := map[string][]byte{}
	for _, p := range files {
		if p.Count == 0 {
			s.dropped[p.Source.Path] = true
			continue
		}
		text := p.Probed()
		ok, err := e.lint.parses(text)
		if err != nil {
			return nil, err
		}
		if !ok {
			s.dropped[p.Source.Path] = true
			continue
		}
		probed[p.Source.Path] = text
	}
	return probed, nil
}

// leastMemory is what a child may always use, in bytes: twice PHP's own
// default of 128 MB.
const leastMemory = 256 << 20

// explorer does the runs of a survey and puts together what they told.
type explorer struct {
	e        *Engine
	s        *Survey
	files    []*mutate.Points
	probed   map[string][]byte
	progress func(done, all int)

	plain     *worker
	described chan struct{}      // closed when the next two are set
	classes   map[string][]int   // class => its tests
	queue     chan string        // classes to run with probes, and wholeSuite
	again     map[string]outcome // class => its run without probes, where it did not pass with them

	mu     sync.Mutex
	whole  outcome
	back   outcome            // the whole suite from its last test to its first
	probes outcome            // the whole suite with probes
	apart  map[string]outcome // class => its run with probes
	loaded map[string]bool    // paths loaded before the first test, in the probed stages
	built  map[string][]int
	done   int
}

// explore starts a plain worker and some with probes, and has the suite run in
// all of them.
func (x *explorer) explore(ctx context.Context) error {
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return x.runWhole(ctx) })
	for n := range max(1, x.e.set.Jobs-1) {
		g.Go(func() error { return x.probeClasses(ctx, n+2) })
	}
	return g.Wait()
}

// runWhole has the suite described and run as it is, forwards and backwards.
func (x *explorer) runWhole(ctx context.Context) (err error) {
	if x.plain, err = x.e.startWorker(ctx, 1, nil); err != nil {
		return x.e.notReady(err)
	}
	x.e.facts.PHPUnit = x.plain.facts.PHPUnit
	if err := x.describe(); err != nil {
		return err
	}
	close(x.described)
	if x.whole, err = x.plain.run(ctx, runRequest{Mode: "survey"}); err != nil {
		return err
	}
	if err := x.red(); err != nil {
		return err
	}
	last := make([]int, len(x.s.rows))
	for i := range last {
		last[i] = len(last) - 1 - i
	}
	x.back, err = x.plain.run(ctx, runRequest{Mode: "survey", Tests: last, Names: names(x.s.rows, last)})
	return err
}

// describe takes over the tests and queues their classes, the whole suite first.
func (x *explorer) describe() error {
	x.s.rows = x.plain.facts.Tests
	if len(x.s.rows) == 0 {
		return &ProjectError{"PHPUnit finds no tests in " + x.e.set.Root, "Check the testsuites of phpunit.xml, or --testsuite and --group."}
	}
	x.classes = map[string][]int{}
	order := []string{wholeSuite}
	for i, r := range x.s.rows {
		if x.classes[r.Class] == nil {
			order = append(order, r.Class)
		}
		x.classes[r.Class] = append(x.classes[r.Class], i)
	}
	x.queue = make(chan string, len(order))
	for _, c := range order {
		x.queue <- c
	}
	close(x.queue)
	return nil
}

// withoutProbes runs the classes again that did not pass with probes: a test
// that looks at the text of the sources fails then, and is not shaky for that.
func (x *explorer) withoutProbes(ctx context.Context) error {
	for class, tests := range x.classes {
		if passed(x.apart[class], tests) {
			continue
		}
		o, err := x.plain.run(ctx, runRequest{Mode: "survey", Tests: tests, Names: names(x.s.rows, tests)})
		if err != nil {
			return err
		}
		x.again[class] = o
	}
	return nil
}

// passed reports whether every one of the tests was run to its end and nothing
// was counted against it.
func passed(o outcome, tests []int) bool {
	return !slices.ContainsFunc(tests, func(i int) bool { return !passes(o, i) })
}

func passes(o outcome, test int) bool {
	return slices.ContainsFunc(o.Tests, func(t testRun) bool { return t.Test == test && t.Ended }) &&
		!slices.ContainsFunc(o.Events, func(e event) bool { return e.Test == test && e.Fatal })
}

// wholeSuite stands among the names of classes for all of them.
const wholeSuite = ""

// probeClasses starts a worker with the probed sources and runs test classes
// in it, one child each, so that fixtures and @depends keep their meaning; and
// the whole suite, since a test may do work that one of another class left.
func (x *explorer) probeClasses(ctx context.Context, number int) error {
	w, err := x.e.startWorker(ctx, number, x.probed)
	if err != nil {
		return x.e.notReady(err)
	}
	defer w.kill()
	select {
	case <-x.described:
	case <-ctx.Done():
		return ctx.Err()
	}
	if err := sameSuite(x.s.rows, w.facts.Tests); err != nil {
		return err
	}
	x.mu.Lock()
	if x.loaded == nil {
		x.loaded = inRoot(w.facts.Root, w.facts.Files1)
		x.built = w.facts.Built
	}
	x.mu.Unlock()
	for class := range x.queue {
		r := runRequest{Mode: "survey", Tests: x.classes[class], Names: names(x.s.rows, x.classes[class])}
		if class == wholeSuite {
			r.Tests, r.Names = nil, nil
		}
		o, err := w.run(ctx, r)
		if err != nil {
			return err
		}
		for i := range o.Tests {
			o.Tests[i].Files = slices.Sorted(maps.Keys(inRoot(w.facts.Root, o.Tests[i].Files)))
		}
		x.mu.Lock()
		if class == wholeSuite {
			x.probes = o
		} else {
			x.apart[class] = o
		}
		x.done++
		if x.progress != nil {
			x.progress(x.done, len(x.classes)+1)
		}
		x.mu.Unlock()
	}
	return nil
}

// sameSuite makes sure that two workers number the tests alike.
func sameSuite(a, b []testRow) error {
	for i := range a {
		if i >= len(b) || a[i].ID != b[i].ID {
			return &ProjectError{fmt.Sprintf("the suite is not the same when it is built twice: test %d is %s only once", i+1, a[i].ID),
				"Data providers and test lists must not depend on time, chance or the file system's order."}
		}
	}
	if len(b) != len(a) {
		return &ProjectError{fmt.Sprintf("the suite has %d tests when built once and %d when built again", len(a), len(b)),
			"Data providers must not depend on time or chance."}
	}
	return nil
}

// red refuses a suite that is not green before any change.
func (x *explorer) red() error {
	o := x.whole
	var bad []string
	for _, ev := range o.Events {
		if ev.Fatal {
			bad = append(bad, "  "+ev.Name+"  "+ev.Message)
		}
	}
	const fix = "Make the suite green first: against a red one every verdict would be a guess."
	switch {
	case len(bad) > 0:
		n := len(bad)
		if n > 10 {
			bad = append(bad[:10], fmt.Sprintf("  and %d more", n-10))
		}
		return &ProjectError{fmt.Sprintf("the suite fails before any change was made, in %d test(s):\n%s", n, strings.Join(bad, "\n")), fix}
	case o.TimedOut:
		return &ProjectError{"the suite does not end", fix}
	case !o.Done:
		return &ProjectError{fmt.Sprintf("the suite ends before its last test (exit status %d, signal %d): %s", o.Exit, o.Signal, cmp.Or(o.Last, lastLines(o.Output, 5))), fix}
	case o.Exit != 0:
		return &ProjectError{fmt.Sprintf("every test passes, yet phpunit ends with status %d: %s", o.Exit, cmp.Or(o.Last, lastLines(o.Output, 5))), fix}
	}
	return nil
}

func inRoot(root string, files []string) map[string]bool {
	out := map[string]bool{}
	for _, f := range files {
		if rel, err := filepath.Rel(root, f); err == nil && rel != ".." && !strings.HasPrefix(rel, "../") {
			out[filepath.ToSlash(rel)] = true
		}
	}
	return out
}

func names(rows []testRow, tests []int) []string {
	var out []string
	for _, i := range tests {
		name := rows[i].Class + "::" + rows[i].Method
		if !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	return out
}

// conclude puts together reach, times and stability.
func (x *explorer) conclude() error {
	s := x.s
	s.Tests = make([]mutate.Test, len(s.rows))
	for i, r := range s.rows {
		s.Tests[i] = mutate.Test{ID: mutate.TestID(r.ID), Outcome: "passed"}
	}
	for _, t := range x.whole.Tests {
		if t.Test >= 0 {
			s.Tests[t.Test].Time = time.Duration(t.Time) * time.Microsecond
			s.Suite += s.Tests[t.Test].Time
		}
	}
	for _, ev := range x.whole.Events {
		if ev.Test >= 0 {
			s.Tests[ev.Test].Outcome = ev.Kind
		}
	}
	s.classes = x.whole.Classes
	if s.memory = x.e.set.Memory; s.memory == 0 {
		s.memory = max(leastMemory, 3*x.whole.Memory)
	}
	x.linkDependencies()
	reach := make([]map[int]bool, len(s.rows))
	for i := range reach {
		reach[i] = map[int]bool{}
	}
	for _, class := range slices.Sorted(maps.Keys(x.apart)) {
		x.creditClass(class, x.apart[class], reach)
	}
	heirs := x.creditWhole(reach)
	x.creditBuilding(reach)
	x.creditBackwards()
	for i, points := range reach {
		s.Tests[i].Reached = len(points)
		for p := range points {
			s.byPoint[p] = append(s.byPoint[p], i)
		}
	}
	for _, tests := range s.byPoint {
		slices.Sort(tests)
	}
	slices.Sort(s.always)
	x.shareState(reach)
	for i := range heirs {
		s.shares[i] = true
	}
	return nil
}

// creditClass gives each test of a class what it passed, and all of them what
// was passed outside of single tests: fixtures of the class.
func (x *explorer) creditClass(class string, o outcome, reach []map[int]bool) {
	s := x.s
	common := slices.Clone(o.Tail)
	loaded := map[string]bool{}
	for _, t := range o.Tests {
		common = append(common, t.Before...)
		if t.Test < 0 {
			continue
		}
		for p, n := range t.Points {
			reach[t.Test][p] = true
			s.peak[p] = max(s.peak[p], int64(n))
		}
		for _, f := range t.Files {
			loaded[f] = true
		}
		for f := range loaded {
			s.byFile[f] = append(s.byFile[f], t.Test)
		}
	}
	for i, r := range s.rows {
		if r.Class != class {
			continue
		}
		for _, p := range common {
			reach[i][p] = true
		}
		switch {
		case passes(o, i):
		case passes(x.again[class], i):
			s.always = append(s.always, i)
		default:
			s.setApart(i, "when its class is run by itself")
		}
	}
}

// creditWhole adds what is passed only when the whole suite is run: by tests,
// which are given back, that do work which one of another class has left, or
// between the tests.
func (x *explorer) creditWhole(reach []map[int]bool) (heirs map[int]bool) {
	s := x.s
	heirs = map[int]bool{}
	known := map[int]bool{}
	for _, points := range reach {
		for p := range points {
			known[p] = true
		}
	}
	between := slices.Clone(x.probes.Tail)
	for _, t := range x.probes.Tests {
		between = append(between, t.Before...)
		for p, n := range t.Points {
			known[p] = true
			s.peak[p] = max(s.peak[p], int64(n))
			if t.Test >= 0 && !reach[t.Test][p] {
				reach[t.Test][p], s.leftover[p], heirs[t.Test] = true, true, true
			}
		}
	}
	for _, p := range between {
		if known[p] {
			continue
		}
		s.leftover[p] = true
		for i := range reach {
			reach[i][p] = true
		}
	}
	return heirs
}

// setApart marks a test that does not always pass: it is not used to judge.
func (s *Survey) setApart(test int, when string) {
	if s.Tests[test].Shaky {
		return
	}
	s.Tests[test].Shaky = true
	s.Notes = append(s.Notes, mutate.Note{Kind: "shaky", Text: fmt.Sprintf("%s passes in the suite's own order and not %s; it is not used to judge mutants.", s.rows[test].ID, when)})
}

// LostWitnesses is how many of the mutants are reached by a test that was set
// apart, and so might have been noticed by it.
func (s *Survey) LostWitnesses(ms []*mutate.Mutant) (lost int) {
	for _, m := range ms {
		_, tests := s.reaching(m)
		if slices.ContainsFunc(tests, func(i int) bool { return s.Tests[i].Shaky }) {
			lost++
		}
	}
	return lost
}

// creditBackwards sets apart what does not pass in the opposite order.
func (x *explorer) creditBackwards() {
	for _, e := range x.back.Events {
		if e.Fatal && e.Test >= 0 {
			x.s.setApart(e.Test, "in the opposite order")
		}
	}
	if x.back.Running >= 0 && !x.back.Done {
		x.s.setApart(x.back.Running, "in the opposite order")
	}
}

// creditBuilding charges what ran while the suite was being built to the tests
// that it was built for; what belongs to none in particular to all.
func (x *explorer) creditBuilding(reach []map[int]bool) {
	for owner, points := range x.built {
		for i, r := range x.s.rows {
			if owner == "*" || owner == r.Class+"::"+r.Method {
				for _, p := range points {
					reach[i][p] = true
				}
			}
		}
	}
	all := make([]int, len(x.s.rows))
	for i := range all {
		all[i] = i
	}
	for f := range x.loaded {
		x.s.byFile[f] = all
	}
	// A process that a test started may have run code of files that this one
	// never loaded.
	for _, p := range x.files {
		var tests []int
		for i, points := range reach {
			for id := p.First; id < p.First+p.Count; id++ {
				if points[id] {
					tests = append(tests, i)
					break
				}
			}
		}
		path := p.Source.Path
		x.s.byFile[path] = union(x.s.byFile[path], tests)
	}
}

// linkDependencies resolves @depends to numbers of tests.
func (x *explorer) linkDependencies() {
	s := x.s
	s.needs, s.feeds = make([][]int, len(s.rows)), make([][]int, len(s.rows))
	byMethod := map[string][]int{}
	for i, r := range s.rows {
		byMethod[r.Class+"::"+r.Method] = append(byMethod[r.Class+"::"+r.Method], i)
		byMethod[r.Class+"::class"] = append(byMethod[r.Class+"::class"], i)
	}
	for i, r := range s.rows {
		for _, d := range r.Depends {
			for _, j := range byMethod[strings.TrimPrefix(d, `\`)] {
				s.needs[i] = append(s.needs[i], j)
				s.feeds[j] = append(s.feeds[j], i)
			}
		}
	}
}

// shareState finds the tests that touch what outlives a test: through code
// under test, through their own files, or through helpers of the project that
// were loaded when their class was run.
func (x *explorer) shareState(reach []map[int]bool) {
	s := x.s
	s.shares = make([]bool, len(s.rows))
	shared := map[int]bool{}
	source := map[string]bool{}
	for _, p := range x.files {
		source[p.Source.Path] = true
		for i, yes := range p.Shared {
			if yes {
				shared[p.First+i] = true
			}
		}
	}
	helpers := map[string]helper{}
	look := func(path string) helper {
		h, ok := helpers[path]
		if !ok && filepath.Ext(path) == ".php" {
			h = lookAt(filepath.Join(x.e.set.Root, filepath.FromSlash(path)), source[path])
			helpers[path] = h
		}
		return h
	}
	var all helper
	for path := range x.loaded {
		all = all.or(look(path))
	}
	s.inspects = make([]bool, len(s.rows))
	classes := map[string]helper{}
	for class, o := range x.apart {
		h := all
		for _, t := range o.Tests {
			for _, path := range t.Files {
				h = h.or(look(path))
			}
		}
		classes[class] = h
	}
	for i, r := range s.rows {
		s.shares[i], s.inspects[i] = classes[r.Class].shares, classes[r.Class].inspects
		for p := range reach[i] {
			if s.shares[i] {
				break
			}
			s.shares[i] = shared[p]
		}
	}
}

// helper is what the text of a loaded file says about the tests that load it.
type helper struct{ shares, inspects bool }

func (h helper) or(o helper) helper { return helper{h.shares || o.shares, h.inspects || o.inspects} }

// inspecting are the ways to read a parameter's default without a call:
// reflection, and doubles by PHPUnit and by the libraries that are used for it.
var inspecting = regexp.MustCompile(`(?i)getDefaultValue|createMock|createStub|createPartialMock|createConfigured|createTestProxy|getMock|MockBuilder|prophesize|Mockery|Phake`)

// ownLibraries are folders of PHPUnit and Composer themselves, which do all of
// that and are no helpers of the tests.
var ownLibraries = regexp.MustCompile(`(^|/)vendor/(phpunit|sebastian|composer|myclabs|phar-io|theseer|nikic)/`)

// lookAt reads a loaded file. State in libraries below vendor does not count:
// nearly all keep some, and none has been seen to carry a mutant's effect from
// test to test. Of a file under change the points tell more than its text.
func lookAt(path string, isSource bool) helper {
	if ownLibraries.MatchString(filepath.ToSlash(path)) {
		return helper{}
	}
	src, err := os.ReadFile(path)
	if err != nil {
		return helper{true, true} // not known: the careful answer
	}
	h := helper{inspects: inspecting.Match(src)}
	if isSource || strings.Contains(filepath.ToSlash(path), "/vendor/") {
		return h
	}
	f, err := syntax.Parse(path, src)
	h.shares = err != nil || mutate.SharesState(f)
	return h
}

func union(a, b []int) []int {
	out := append(slices.Clone(a), b...)
	slices.Sort(out)
	return slices.Compact(out)
}
