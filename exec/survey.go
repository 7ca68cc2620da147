package exec

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"assay/mutate"
)

// Survey is what the runs of the unchanged suite told: the tests, their times,
// and which probe points each of them passes.
type Survey struct {
	Tests []mutate.Test // in the suite's order
	Suite time.Duration // the tests' own time, all of them
	Notes []mutate.Note

	rows        []testRow
	classes     [][2]string      // PHPUnit's own, loaded in a whole run, with their files; rootMark stands for the root
	byPoint     map[int][]int    // point => tests, ascending
	byFile      map[string][]int // path => tests in whose process it was loaded
	dropped     map[string]bool  // paths whose points PHP did not take
	points      map[string]*mutate.Points
	loopBodies  map[int]bool     // points of bodies of loops
	peak        map[int]int64    // such a point => the most often that one test passes it
	passes      []map[int]int64  // by test: the same of it alone, where that is often
	makersOf    map[int][]string // point that is passed while the suite is being built => for which tests; see makers
	finders     map[string][]int // whose data are made => tests that may find what that left
	stateful    map[string]bool  // whose data are made with a look at state that changes
	fixed       map[string]bool  // whose tests cannot be made anew by themselves
	fixtures    map[int]bool     // points that are passed between tests
	unfit       map[int]bool     // tests that cannot be run again and again in one process
	looks       []bool           // test => it looks at files
	evals       []bool           // test => it may declare something that can be declared once
	launches    bool             // a library may start processes
	timed       bool             // PHPUnit itself ends tests that take too long
	linesCount  bool             // something looks at lines of the sources
	loadsCount  string           // the path of a file that looks at what is loaded
	leftover    map[int]bool     // points that some test passes only in the whole suite
	memory      int64            // bytes a child may use
	unwinds     bool             // code may run when PHP destroys what is not a user's object
	group       []int            // test => the group of those it shares lasting state with, or noGroup
	shown       []bool           // test => a process can be asked for all of that state
	settles     []bool           // group => what it shares may come to stay as it is; see calm
	groups      [][]int          // group => its tests, in the suite's order
	inspects    []bool           // test => it may read defaults of parameters without a call
	always      []int            // tests that do not pass with probes in the sources: any change may reach them
	firstHelper int              // the points from here on are not of sources

	usual   map[usual]bool // what the unchanged suite has of events
	root    string
	readers map[string]map[string]bool // constant => test classes; see readersOf
	texts   map[string]naming

	lateMu sync.Mutex
	held   map[string][]string  // path => classes held back in its late stage
	heirs  map[string][]string  // class => those that cannot be declared without it
	deps   func() *Dependencies // found out when it is asked for
	needs  [][]int              // test => tests that must run before it
	feeds  [][]int              // test => tests that need it
}

// usual is something that happens to a test of the unchanged suite.
type usual struct {
	test int
	kind string
}

// Survey runs the unchanged suite whole and as it is, from its last test to its
// first, and with probes in the sources: class by class, and whole. A suite that is red to begin with, or has
// no tests, is a *ProjectError. progress may be nil.
func (e *Engine) Survey(ctx context.Context, files []*mutate.Points, progress func(done, all int)) (*Survey, error) {
	s := &Survey{root: e.set.Root, byPoint: map[int][]int{}, byFile: map[string][]int{},
		points: map[string]*mutate.Points{}, leftover: map[int]bool{}, fixtures: map[int]bool{}}
	for _, p := range files {
		s.points[p.Source.Path] = p
	}
	x := &explorer{e: e, s: s, files: files, progress: progress, apart: map[string]outcome{}, again: map[string]outcome{},
		inside: map[string]outcome{}, described: make(chan struct{}), laid: make(chan struct{}), explored: make(chan struct{})}
	err := x.explore(ctx)
	close(x.explored)
	if gone := e.samePHP(); gone != nil {
		return nil, gone
	}
	if err != nil {
		return nil, e.ifConfined(ctx, err)
	}
	if err := x.withoutProbes(ctx); err != nil {
		return nil, err
	}
	e.putBack(x.plain)
	if err := x.conclude(); err != nil {
		return nil, err
	}
	s.deps = sync.OnceValue(x.depend)
	return s, x.noteSkipped(ctx)
}

// method names that of a test, as "Class::method".
func (s *Survey) method(test int) string { return s.rows[test].Class + "::" + s.rows[test].Method }

// known is what a worker is told of the survey. Classes that PHPUnit loads in
// every whole run are loaded once for all children; not those that come from
// the project itself, whose files may be under change.
func (s *Survey) known() *knownRequest {
	k := &knownRequest{Times: make([]int64, len(s.Tests)), Memory: s.memory, Unwinds: s.unwinds}
	for i, t := range s.Tests {
		k.Times[i] = t.Time.Microseconds()
	}
	for _, c := range s.classes {
		if c[1] != "" && (!strings.HasPrefix(c[1], rootMark) || strings.HasPrefix(c[1], rootMark+"/vendor/")) {
			k.Preload = append(k.Preload, c)
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
		"Run phpunit by itself and fix what it reports first."}
}

// leastMemory is what a child may always use, in bytes: twice PHP's own
// default of 128 MB.
const leastMemory = 256 << 20

// explorer does the runs of a survey and puts together what they told.
type explorer struct {
	e        *Engine
	s        *Survey
	files    []*mutate.Points
	helpers  []*mutate.Points // of test files and what else is no source
	probed   map[string][]byte
	progress func(done, all int)

	plain     *worker
	laid      chan struct{}      // closed when there are probes
	explored  chan struct{}      // closed when there are no workers with probes any more
	described chan struct{}      // closed when the next two are set
	classes   map[string][]int   // class => its tests
	queue     chan string        // classes to run with probes, and wholeSuite
	again     map[string]outcome // class => its run without probes, where it did not pass with them

	mu     sync.Mutex
	whole  outcome
	inside map[string]outcome // class => its run with probes in memory only, where it did not pass with them
	back   outcome            // the whole suite from its last test to its first
	probes outcome            // the whole suite with probes
	apart  map[string]outcome // class => its run with probes
	loaded map[string]bool    // paths loaded before the first test, in the probed stages
	built  map[string][]int
	done   int
	early  *knownRequest // what is known without probes

	prepared stageFacts      // of the first worker with probes
	outside  map[string]bool // files outside of the project that were loaded
}

// explore starts a plain worker and some with probes, and has the suite run in
// all of them.
func (x *explorer) explore(ctx context.Context) error {
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return x.runWhole(ctx) })
	g.Go(func() error { return x.layProbes(ctx) })
	for _, l := range x.e.forSurvey() {
		if l.probed {
			g.Go(func() error { return x.probeClasses(ctx, l) })
		}
	}
	return g.Wait()
}

// layProbes gets what there are of probes, laid when the engine was opened or now.
func (x *explorer) layProbes(ctx context.Context) (err error) {
	l := x.e.laid
	if l == nil || !slices.Equal(x.files, l.sources) {
		if l, err = x.e.lay(ctx, x.files); err != nil {
			return err
		}
	}
	x.probed, x.helpers, x.s.dropped, x.s.firstHelper = l.texts, l.helpers, l.dropped, firstFree(x.files)
	close(x.laid)
	return nil
}

// runWhole has the suite described and run as it is, forwards and backwards.
func (x *explorer) runWhole(ctx context.Context) (err error) {
	if x.plain, err = x.e.takeLaunched(ctx, launched{1, false}); err == nil {
		err = x.e.openWith(ctx, x.plain, nil)
	}
	if err != nil {
		return x.e.notReady(err)
	}
	x.e.facts.PHPUnit = x.plain.facts.PHPUnit
	if err := x.describe(); err != nil {
		return err
	}
	if err := x.busyPorts(); err != nil {
		return err
	}
	if !x.e.sharesNetwork() {
		close(x.described)
	}
	if x.whole, err = x.plain.run(ctx, runRequest{Mode: "survey"}); err != nil {
		return err
	}
	if err := x.red(); err != nil {
		return err
	}
	if x.noteListening(x.whole.Ports); x.e.sharesNetwork() {
		close(x.described)
	}
	last := make([]int, len(x.s.rows))
	for i := range last {
		last[i] = len(last) - 1 - i
	}
	if x.back, err = x.plain.run(ctx, runRequest{Mode: "survey", Tests: last, Names: names(x.s.rows, last)}); err != nil {
		return err
	}
	x.prepareEarly()
	if _, err = x.plain.ask(ctx, request{Known: x.early}); err == nil {
		x.e.startSpares(x.early, x.explored)
	}
	return err
}

// prepareEarly puts together what a worker can be told while the survey goes on,
// so that its stages are made by the time that there is something to judge.
func (x *explorer) prepareEarly() {
	s := &Survey{classes: x.rooted(x.whole.Classes)}
	loaded := inRoot(x.plain.facts.Root, x.plain.facts.Files1)
	for _, t := range x.whole.Tests {
		maps.Copy(loaded, inRoot(x.plain.facts.Root, t.Files))
	}
	for _, p := range x.files {
		s.unwinds = s.unwinds || p.Unwinds
		delete(loaded, p.Source.Path)
	}
	for path := range loaded {
		if src, err := os.ReadFile(filepath.Join(x.e.set.Root, filepath.FromSlash(path))); err == nil {
			s.unwinds = s.unwinds || mutate.Unwinds(path, src)
		}
	}
	if x.early = s.known(); x.plain.paths == nil && !x.plain.facts.Wrapped {
		x.early.IDs = namesOf(x.plain.facts.Tests)
	}
}

// describe takes over the tests and queues their classes, the whole suite first.
func (x *explorer) describe() error {
	x.s.rows = x.plain.facts.Tests
	x.noteOthers()
	for _, text := range x.plain.facts.Notes { // the other workers' views are like its
		x.s.Notes = append(x.s.Notes, mutate.Note{Kind: "view", Text: text})
	}
	if len(x.s.rows) == 0 {
		if n := len(x.plain.facts.Others); n > 0 {
			return &ProjectError{fmt.Sprintf("the %d tests that PHPUnit finds in %s are phpt files, which are not run here", n, x.e.set.Root),
				"Have some test classes in the suite, too."}
		}
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
	if len(x.again) == 0 {
		return nil
	}
	return x.inMemory(ctx)
}

// inMemory runs such classes once more, with sources that have probes where they
// are loaded and none where they are read.
func (x *explorer) inMemory(ctx context.Context) error {
	want := &schemataRequest{Texts: maps.Clone(x.probed)}
	for _, p := range x.files {
		if x.probed[p.Source.Path] != nil {
			want.Classes = append(want.Classes, p.Classes...)
		}
	}
	rep, err := x.plain.ask(ctx, request{Known: &knownRequest{Schemata: want}})
	if err != nil || len(rep.Whole) == 0 {
		return err
	}
	for class := range x.again {
		tests := x.classes[class]
		o, err := x.plain.run(ctx, runRequest{Mode: "survey", Tests: tests, Names: names(x.s.rows, tests), Whole: true})
		if err != nil {
			return err
		}
		x.inside[class] = o
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
func (x *explorer) probeClasses(ctx context.Context, l launched) error {
	x.waitShared(ctx.Done())
	w, err := x.e.takeLaunched(ctx, l)
	if err != nil {
		return x.e.notReady(err)
	}
	defer func() { go w.kill() }() // Close waits for its end
	select {
	case <-x.laid:
	case <-ctx.Done():
		return ctx.Err()
	}
	if err := x.e.openWith(ctx, w, x.probed); err != nil {
		return x.e.notReady(err)
	}
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
		x.prepared = w.facts
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
			x.noteOutside(w.facts.Root, o.Tests[i].Files)
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
		return &ProjectError{fmt.Sprintf("the suite fails on the code as it is, in %d test(s):\n%s", n, strings.Join(bad, "\n")), fix}
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
	seen := map[[2]string]bool{}
	for _, i := range tests {
		if key := [2]string{rows[i].Class, rows[i].Method}; !seen[key] {
			seen[key] = true
			out = append(out, key[0]+"::"+key[1])
		}
	}
	return out
}
