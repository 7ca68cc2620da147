//go:build linux

package exec

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"assay/exec/recording"
	"assay/exec/sandbox"
	"assay/exec/supervisor"
	"assay/mutate"
)

// Baseline is what the unchanged suite told: its tests, and which of them reach what.
type Baseline struct {
	Tests []mutate.Test // in the suite's order
	Suite time.Duration // the tests' own time, all of them
	Notes []mutate.Note

	rec      *recording.Recording
	run      *recording.Run // of the sources with points
	classes  [][2]string    // PHPUnit's own, loaded in a whole run, with their files
	points   map[string]*mutate.Points
	dropped  map[string]bool   // paths whose points PHP did not take
	owners   map[int][]int     // point that is passed while the suite is built => tests whose data that is
	anybody  map[int]bool      // and points that are passed then for no test in particular
	others   map[int]bool      // and points that are passed then for tests which are not run, being of other groups
	readers  map[string][]int  // path of a source => segments that open it without loading it
	texts    map[string][]int  // those of them that may read it as text
	loops    map[int]bool      // points of bodies of loops
	peak     map[int]int64     // such a point => the most often that one segment passes it
	passes   []map[int]int64   // by test: the same of it alone, where that is often
	memory   int64             // bytes a replay may have
	resident int64             // bytes that the unchanged suite has in memory at most
	built    map[string]string // files that the building of the suite leaves changed, with digests
	// unreliable are tests that passed and failed on unchanged code.
	unreliable map[int]bool
	assumed    map[int]bool      // segments of which it is not known which points they pass; see assumeAll
	seen       *observation      // nil: nothing was observed
	elsewhere  map[string]string // see Elsewhere
	root       string
	plainRoot  string          // of the view in which the sources were as they are
	outside    map[string]bool // loaded files that are not the project's
	files      *fileWords
	deps       func() *Dependencies
	needs      [][]int // test => tests that it depends on
}

// leastMemory is what a replay may always use, in bytes: twice PHP's own default of
// 128 MB.
const leastMemory = 256 << 20

// Record runs the unchanged suite twice: as it is, and with points in the sources. A
// suite that is red to begin with, or has no tests, is a *ProjectError. progress may be
// nil.
func (e *Engine) Record(ctx context.Context, files []*mutate.Points, progress func(done, all int)) (*Baseline, error) {
	b, err := e.record(ctx, files, progress)
	if more, failed := e.moreMemory(ctx, err); failed != nil {
		return nil, failed
	} else if more {
		b, err = e.record(ctx, files, progress)
		err = stillShort(err)
	}
	if gone := e.samePHP(); gone != nil {
		return nil, gone
	}
	if err != nil {
		return nil, e.ifHidden(e.ifConfined(ctx, err))
	}
	e.tellOfMemory()
	if b.memory < b.resident {
		return nil, &ProjectError{fmt.Sprintf("the tests may have %d bytes in memory (--memory-limit), and the unchanged suite takes %d", b.memory, b.resident), "Allow more, or leave the limit out."}
	}
	return b, nil
}

func (e *Engine) record(ctx context.Context, files []*mutate.Points, progress func(done, all int)) (*Baseline, error) {
	r, err := e.recordings(ctx, files, progress)
	if err != nil {
		return nil, err
	}
	assumed := assumeAll(r.probed, r.unreliable, files)
	rec, err := recording.New(r.plain, r.probed)
	if err != nil {
		return nil, &ProjectError{err.Error(), "Data providers and test lists must not depend on time, chance or the file system's order."}
	}
	b := &Baseline{rec: rec, run: r.probed, Notes: r.notes, dropped: r.probes.dropped, points: map[string]*mutate.Points{}, root: e.set.Root, unreliable: map[int]bool{}, assumed: assumed}
	for _, f := range files {
		b.points[f.Source.Path] = f
	}
	for i, t := range rec.Tests {
		if r.unreliable[t.ID] {
			b.unreliable[i] = true
			b.Notes = append(b.Notes, mutate.Note{Kind: "unreliable", Text: t.ID + " passes and fails by chance on unchanged code; its outcome was not counted."})
		}
	}
	b.conclude(e, r.plain)
	if len(e.observed) > 0 {
		b.observe(r.observing, r.plain, r.observed)
	}
	b.findElsewhere(e, r.plain)
	b.files.told, b.files.loading = r.probes.told, r.probes.loading
	return b, nil
}

// recordPlain runs the suite as it is. A suite that is not green is refused, unless other
// tests fail when it is run once more: those, which are added to unreliable, do not count.
func (e *Engine) recordPlain(ctx context.Context, declared []string, unreliable map[string]bool) (*recording.Run, []mutate.Note, error) {
	w, run, o, err := e.runPlain(ctx, declared)
	if err != nil {
		return nil, nil, err
	}
	defer func() { w.Kill() }()
	if first := redTests(run); len(first) > 0 {
		w.Kill()
		if w, run, o, err = e.runPlain(ctx, declared); err != nil {
			return nil, nil, err
		}
		second := redTests(run)
		for name := range first {
			if second[name] {
				return nil, nil, e.green(run, o)
			}
		}
		maps.Copy(unreliable, first)
		maps.Copy(unreliable, second)
		for i := range run.Events {
			run.Events[i].Fatal = run.Events[i].Fatal && !unreliable[run.Events[i].Name]
		}
		if len(second) > 0 && o.Done {
			o.Exit = 0
		}
	}
	if err := e.green(run, o); err != nil {
		return nil, nil, err
	}
	var notes []mutate.Note
	for _, text := range w.Facts.Notes { // the other workers' views are like its
		notes = append(notes, mutate.Note{Kind: "view", Text: text})
	}
	if len(o.Ports) > 0 && run.Alive[0] {
		return nil, nil, &ProjectError{fmt.Sprintf("what the bootstrap starts listens at %s as long as a worker lives, and workers share the network: %s", portList(o.Ports), e.whyShared),
			"Each worker needs a server of its own: start it in a fixture of the test class, or have the kernel choose the port, or let the workers have networks of their own."}
	}
	if len(o.Ports) > 0 {
		e.turns.on.Store(true)
		notes = append(notes, mutate.Note{Kind: "network", Text: fmt.Sprintf(
			"The tests listen at %s, and workers share the network, so that only one of them runs tests at a time: %s.", portList(o.Ports), e.whyShared)})
	}
	if e.changesPlaces.Load() {
		notes = append(notes, mutate.Note{Kind: "confine", Text: "The tests change what is in places that --allow-write names, which is not put back, so that each mutant had the whole suite run, by one worker at a time."})
	}
	return run, append(notes, notesOfOthers(run.Suite.Others)...), nil
}

// runPlain runs the suite as it is, once.
func (e *Engine) runPlain(ctx context.Context, declared []string) (*supervisor.Client, *recording.Run, *supervisor.Outcome, error) {
	w, err := e.supervisor(ctx, forPlain, 1, false)
	if err != nil {
		return nil, nil, nil, e.notReady(err)
	}
	before := e.lookAtPlaces()
	run, o, err := w.Record(ctx, supervisor.Walk{Records: "plain", Declared: declared, Watch: e.sharesNetwork()})
	e.notePlaces(before)
	if err != nil {
		w.Kill()
		return nil, nil, nil, e.notReady(err)
	}
	e.knowVersion(run.Suite.Version)
	e.ownSuite(w.Facts.Root, &run.Suite)
	for i := range run.Events {
		run.Events[i].Name, run.Events[i].Message = e.own(w.Facts.Root, run.Events[i].Name), e.own(w.Facts.Root, run.Events[i].Message)
	}
	return w, run, o, nil
}

// redTests gives the names of the tests of a run that are not green.
func redTests(run *recording.Run) map[string]bool {
	red := map[string]bool{}
	for _, ev := range run.Events {
		if ev.Fatal && ev.Test >= 0 {
			red[ev.Name] = true
		}
	}
	return red
}

// assumeAll has the tests that fail where points are in the sources pass all points: how
// far they would have come nobody knows. It gives their segments.
func assumeAll(probed *recording.Run, unreliable map[string]bool, files []*mutate.Points) map[int]bool {
	assumed := map[int]bool{}
	red := map[int]bool{}
	for _, ev := range probed.Events {
		if ev.Fatal && ev.Test >= 0 && !unreliable[probed.Suite.Tests[ev.Test].ID] {
			red[ev.Test] = true
		}
	}
	for n, row := range probed.Suite.Segments {
		if row.Kind != "test" || !red[row.Test] || n+1 >= len(probed.Segments) {
			continue
		}
		assumed[n+1] = true
		s := &probed.Segments[n+1]
		for _, p := range files {
			for id := p.First; id < p.First+p.Count; id++ {
				s.Points.Add(id, 1)
			}
		}
	}
	return assumed
}

// recordProbed runs the suite with points in the sources.
func (e *Engine) recordProbed(ctx context.Context, p *probing) (*recording.Run, error) {
	w, err := e.supervisor(ctx, forProbed, 2, false)
	if err != nil {
		return nil, e.notReady(err)
	}
	defer w.Kill()
	defer e.turns.take()()
	run, _, err := w.Record(ctx, supervisor.Walk{Records: "probed", Texts: p.texts})
	if err != nil {
		return nil, e.notReady(err)
	}
	e.ownSuite(w.Facts.Root, &run.Suite)
	return run, nil
}

// notReady turns the failure of a supervisor into words for the project's owner.
func (e *Engine) notReady(err error) error {
	var failed *supervisor.Error
	if !errors.As(err, &failed) {
		return err
	}
	if e.chooses() && strings.Contains(failed.Text, "it printed nothing") {
		return e.noneChosen()
	}
	return &ProjectError{"PHPUnit does not get as far as its first test: " + failed.Text,
		"Run phpunit by itself and mend what it reports first."}
}

// chooses reports whether the user wants certain tests only.
func (e *Engine) chooses() bool { return len(e.set.Group)+len(e.set.TestSuite) > 0 }

func (e *Engine) noneChosen() error {
	return &ProjectError{"PHPUnit runs no test: none is in " + strings.Join(slices.Concat(e.set.Group, e.set.TestSuite), ", "),
		"Check --group and --testsuite; phpunit --list-groups and --list-suites say what there is."}
}

// green refuses a suite that is not green before any change.
func (e *Engine) green(run *recording.Run, o *supervisor.Outcome) error {
	var bad []string
	for _, ev := range run.Events {
		if ev.Fatal {
			bad = append(bad, "  "+ev.Name+"  "+ev.Message)
		}
	}
	const fix = "Make the suite green first: against a red one every verdict would be a guess."
	switch {
	case len(bad) > 0:
		tests := "1 test"
		if n := len(bad); n > 1 {
			tests = fmt.Sprintf("%d tests", n)
		}
		if n := len(bad); n > 10 {
			bad = append(bad[:10], fmt.Sprintf("  and %d more", n-10))
		}
		return &ProjectError{fmt.Sprintf("the suite fails on the code as it is, in %s:\n%s", tests, strings.Join(bad, "\n")), fix}
	case len(run.Suite.Tests) == 0 && len(run.Suite.Others) > 0:
		return &ProjectError{fmt.Sprintf("the %d tests that PHPUnit finds in %s are neither methods of test classes nor phpt files: %s", len(run.Suite.Others), e.set.Root, firstOf(run.Suite.Others, 5)),
			"Have tests of these kinds in the suite, too; no others are run here."}
	case len(run.Suite.Tests) == 0 && e.chooses():
		return e.noneChosen()
	case len(run.Suite.Tests) == 0:
		return &ProjectError{"PHPUnit finds no tests in " + e.set.Root, "Check the testsuites of phpunit.xml, or --testsuite and --group."}
	case !o.Done:
		return &ProjectError{fmt.Sprintf("the suite ends before its last test (exit status %d, signal %d): %s", o.Exit, o.Signal, cmp.Or(o.Last, lastLines(o.Output, 5))), fix}
	case o.Exit != 0:
		return &ProjectError{fmt.Sprintf("every test passes, yet phpunit ends with status %d: %s", o.Exit, cmp.Or(o.Last, lastLines(o.Output, 5))), fix}
	}
	return nil
}

func lastLines(s string, n int) string {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	if len(lines) > n {
		lines = lines[len(lines)-n:]
	}
	return cmp.Or(strings.Join(lines, "\n"), "it printed nothing")
}

// notesOfOthers says which tests of the suite are not run: what is neither a method of a
// test class nor a phpt file. What only they check shows as survived or unreached.
func notesOfOthers(others []string) []mutate.Note {
	if len(others) == 0 {
		return nil
	}
	others = slices.Compact(slices.Sorted(slices.Values(others)))
	return []mutate.Note{{Kind: "other_tests", Text: fmt.Sprintf("Of the suite these tests are not run, being neither methods of test classes nor phpt files: %s. "+
		"What no other test checks shows as survived or unreached.", firstOf(others, 5))}}
}

// conclude works out what replays and reports need.
func (b *Baseline) conclude(e *Engine, plain *recording.Run) {
	b.Tests = make([]mutate.Test, len(b.rec.Tests))
	for i, t := range b.rec.Tests {
		b.Tests[i] = mutate.Test{ID: mutate.TestID(t.ID), Time: t.Time, Reached: len(b.rec.Segments[t.Segment].Points)}
		b.Suite += t.Time
	}
	b.classes, b.plainRoot, b.outside = e.rooted(plain), plain.Root, map[string]bool{}
	for _, s := range plain.Segments {
		for _, f := range s.Files {
			if sandbox.Within(plain.Root, f) {
				continue
			}
			if f = e.own(plain.Root, f); !sandbox.Within(e.dir, f) && !strings.Contains(f, "://") {
				b.outside[f] = true
			}
		}
	}
	if len(plain.Files) > 0 {
		b.built = plain.Files[0]
	}
	b.resident = plain.Memory
	e.leaveRoom(plain.Limit, plain.Memory)
	if b.memory = e.set.Memory; b.memory == 0 {
		b.memory = max(leastMemory, 3*plain.Memory)
	}
	b.readers, b.texts = map[string][]int{}, map[string][]int{}
	for n := range b.rec.Segments {
		s := &b.rec.Segments[n]
		for _, path := range s.Texts {
			if b.points[path] == nil {
				continue
			}
			b.texts[path] = append(b.texts[path], n)
			if !slices.Contains(s.Reads, path) { // it is loaded here as well
				s.Reads = append(s.Reads, path)
			}
		}
		for _, path := range s.Reads {
			if b.points[path] != nil {
				b.readers[path] = append(b.readers[path], n)
			}
		}
	}
	b.linkDependencies()
	b.countLoops()
	b.findOwners(len(e.set.Group) > 0)
	b.files = &fileWords{root: b.root, sources: b.points, known: map[string]*wordsIn{}}
	b.noteState()
	b.deps = onceValue(b.depend)
}

// findOwners finds out for which tests the building of the suite passes points; grouped:
// only tests of some groups are run.
func (b *Baseline) findOwners(grouped bool) {
	b.owners, b.anybody, b.others = map[int][]int{}, map[int]bool{}, map[int]bool{}
	byMethod := map[string][]int{}
	for i, t := range b.rec.Tests {
		byMethod[t.Class+"::"+t.Method] = append(byMethod[t.Class+"::"+t.Method], i)
	}
	for owner, points := range b.run.Suite.Built {
		for p := range points {
			if tests := byMethod[owner]; tests != nil {
				b.owners[p] = union(b.owners[p], tests)
			} else if strings.Contains(owner, "::") && grouped {
				b.others[p] = true
			} else {
				b.anybody[p] = true
			}
		}
	}
}

// noteState says which parts of the state are not compared by value, or cannot be seen whole.
func (b *Baseline) noteState() {
	if n := len(b.rec.Volatile); n > 0 {
		b.Notes = append(b.Notes, mutate.Note{Kind: "volatile", Text: fmt.Sprintf(
			"Of %s the suite leaves another value in every run, so that only the kind of value is compared: %s.", manyThings(n), firstOf(b.rec.Volatile, 5))})
	}
	if n := len(b.rec.Unknown); n > 0 {
		var what []string
		for _, root := range slices.Sorted(maps.Keys(b.rec.Unknown)) {
			what = append(what, root+" ("+b.rec.Unknown[root]+")")
		}
		b.Notes = append(b.Notes, mutate.Note{Kind: "unseen", Text: fmt.Sprintf(
			"Of %s PHP does not show all that is in it; mutants that survive where tests find it are run to the end of the suite: %s.", manyThings(n), firstOf(what, 5))})
	}
}

func manyThings(n int) string {
	if n == 1 {
		return "one thing"
	}
	return fmt.Sprintf("%d things", n)
}

func firstOf(list []string, n int) string {
	if len(list) > n {
		return strings.Join(list[:n], ", ") + " and so on"
	}
	return strings.Join(list, ", ")
}

// rooted writes RootMark for the root in the files of PHPUnit's classes.
func (e *Engine) rooted(run *recording.Run) [][2]string {
	var out [][2]string
	for _, c := range run.Classes {
		if rel, inside := strings.CutPrefix(c[1], run.Root+"/"); inside {
			if !strings.HasPrefix(rel, "vendor/") {
				continue // it may be under change
			}
			c[1] = supervisor.RootMark + "/" + rel
		} else if sandbox.Within(e.copyOf(run.Root), c[1]) {
			rel, _ := filepath.Rel(run.Root, c[1])
			c[1] = supervisor.RootMark + "/" + rel
		}
		if c[1] != "" {
			out = append(out, c)
		}
	}
	return out
}

// linkDependencies resolves @depends to numbers of tests.
func (b *Baseline) linkDependencies() {
	b.needs = make([][]int, len(b.rec.Tests))
	byName := map[string][]int{}
	for i, t := range b.rec.Tests {
		byName[t.Class+"::"+t.Method] = append(byName[t.Class+"::"+t.Method], i)
		byName[t.Class+"::class"] = append(byName[t.Class+"::class"], i)
	}
	for i, t := range b.rec.Tests {
		for _, d := range t.Depends {
			b.needs[i] = append(b.needs[i], byName[strings.TrimPrefix(d, `\`)]...)
		}
	}
}

func union(a, b []int) []int {
	out := append(slices.Clone(a), b...)
	slices.Sort(out)
	return slices.Compact(out)
}
