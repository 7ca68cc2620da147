//go:build linux

package exec

import (
	"cmp"
	"fmt"
	"maps"
	"math/bits"
	"slices"
	"strconv"
	"sync"
	"time"

	"assay/exec/recording"
	"assay/exec/supervisor"
	"assay/mutate"
)

// A Task is one mutant with what reaches it.
type Task struct {
	Mutant *mutate.Mutant
	Reach  []int // the tests that reach it, as numbers in Baseline.Tests, in the order in which they are run
	Pairs  []int // the segments that pass it, ascending; none: nothing reaches the mutant
	// States tells apart the states in which these, and those of Same, begin, from run to
	// run as well.
	States string
	// Same is how many other segments pass it, and do the same with it as without it; see
	// observation.
	Same int
	// Seen is what is told of the mutant if it survives.
	Seen mutate.Seen
}

// Plan finds out what reaches each mutant. Pure.
//
// The order of the tests: those that reach little come first, for they are about the
// code that is mutated; then quick ones, by powers of eight of the time in seconds, so
// that small differences between runs do not change the order. Before them come some
// whose data mention it.
func Plan(ms []*mutate.Mutant, b *Baseline) []Task {
	tasks := make([]Task, len(ms))
	cache := map[string]Task{}
	data := newDataWords(b.rec.Tests)
	for i, m := range ms {
		key, find := b.reaching(m)
		t, ok := cache[key]
		if !ok {
			pairs := find()
			t = Task{Pairs: pairs, Reach: b.testsOf(m, pairs)}
			b.order(t.Reach)
			t.States = b.rec.StatesKey(pairs)
			cache[key] = t
		}
		t.Mutant = m
		passed := t.Pairs
		t.Pairs = b.differing(m, passed)
		t.Same = len(passed) - len(t.Pairs)
		t.Seen = b.seenOf(&t, passed)
		data.sortOut(&t)
		tasks[i] = t
	}
	return tasks
}

// reaching finds the segments that pass a mutant, or may see it where no code says so.
// Mutants with the same key have the same ones.
func (b *Baseline) reaching(m *mutate.Mutant) (key string, find func() []int) {
	key, runs := b.running(m)
	if readers := b.texts[m.Source.Path]; readers != nil {
		return "r" + m.Source.Path + key, func() []int { return union(runs(), readers) }
	}
	return key, runs
}

// running finds the segments that run the code of a mutant, or may see it otherwise than
// as text.
func (b *Baseline) running(m *mutate.Mutant) (key string, find func() []int) {
	path := m.Source.Path
	switch {
	case m.Constant != "" && !b.dropped[path]:
		return "c" + path + " " + m.Constant, func() []int { return b.seeingConstant(m) }
	case b.dropped[path]:
		return "f" + path, func() []int { return b.seeing(path, false) }
	case m.Point == mutate.FileLevel:
		return fmt.Sprint("f", m.Lazy, path), func() []int { return b.seeing(path, m.Lazy) }
	case m.Outside: // what it declares, or not, shows elsewhere
		return "o" + strconv.Itoa(m.Point), func() []int { return union(b.rec.Passing(m.Point), b.seeing(path, false)) }
	case m.Inspected && m.Lazy:
		return "i" + strconv.Itoa(m.Point), func() []int { return union(b.rec.Passing(m.Point), b.inspecting(path)) }
	case m.Inspected: // PHP compares signatures when it declares a class
		return "s" + strconv.Itoa(m.Point), func() []int { return union(b.rec.Passing(m.Point), b.seeing(path, false)) }
	}
	point := m.Point
	if m.Entered != 0 {
		point = m.Entered
	}
	return "p" + strconv.Itoa(point), func() []int { return b.rec.Passing(point) }
}

// testsOf gives the tests of some segments: their own, those of the class whose
// fixtures they are, and those whose data they make.
func (b *Baseline) testsOf(m *mutate.Mutant, pairs []int) []int {
	in := map[int]bool{}
	for _, n := range pairs {
		switch s := b.rec.Segments[n]; s.Kind {
		case recording.Test:
			in[s.Test] = true
		case recording.Enter, recording.Leave:
			for i, t := range b.rec.Tests {
				if t.Class == s.Class {
					in[i] = true
				}
			}
		case recording.Build:
			rebuilt, all := b.rebuilt(m)
			for i := range b.rec.Tests {
				if all || rebuilt[i] {
					in[i] = true
				}
			}
		}
	}
	return slices.Sorted(maps.Keys(in))
}

// rebuilt gives the tests whose data may be others with a mutant, because the building
// of the suite passes it for them.
func (b *Baseline) rebuilt(m *mutate.Mutant) (tests map[int]bool, all bool) {
	if m.Point == mutate.FileLevel || b.dropped[m.Source.Path] {
		return nil, true
	}
	tests = map[int]bool{}
	for _, i := range b.owners[m.Point] {
		tests[i] = true
	}
	return tests, b.anybody[m.Point] || len(tests) == 0 && !b.others[m.Point]
}

func (b *Baseline) order(tests []int) {
	slices.SortFunc(tests, func(x, y int) int {
		s, t := b.Tests[x], b.Tests[y]
		return cmp.Or(s.Reached-t.Reached, coarse(s.Time)-coarse(t.Time), x-y)
	})
}

// coarse is the number of octal digits of a time in whole seconds. Finer steps are
// crossed when the machine has something else to do, and then the order of the tests,
// the killer that is named and the bytes of the result file differ from run to run.
func coarse(d time.Duration) int { return (bits.Len64(uint64(d/time.Second)) + 2) / 3 }

// seeing gives the segments that may see what no code of a file says: a default value,
// a signature, an attribute. They load the file, run code of it, read it, or run code of
// a file that names something that the file declares, or what cannot be declared
// without that. Of a value that is lazy the loading of the file, and declarations that
// name what is in it, see nothing while the suite is built.
func (b *Baseline) seeing(path string, lazy bool) []int {
	key := seen{path, lazy}
	b.files.mu.Lock()
	out, ok := b.files.seeing[key]
	b.files.mu.Unlock()
	if ok {
		return out
	}
	names := b.namesIn(path)
	what := links
	if lazy {
		what = values
	}
	out = b.segmentsWith(path, what, func(w *wordsIn) bool { return w.hasAny(names) })
	b.files.mu.Lock()
	defer b.files.mu.Unlock()
	if b.files.seeing == nil {
		b.files.seeing = map[seen][]int{}
	}
	b.files.seeing[key] = out
	return out
}

// seen is a question to Baseline.seeing.
type seen struct {
	path string
	lazy bool
}

// seeingConstant does that for the value of a class constant: who sees it has named it,
// or has got at it in a way that needs no name.
func (b *Baseline) seeingConstant(m *mutate.Mutant) []int {
	in := make([]bool, len(b.rec.Segments))
	add := func(segments []int) {
		for _, n := range segments {
			in[n] = true
		}
	}
	add(b.segmentsWith("", values, func(w *wordsIn) bool { return !w.source && (w.byAnyName || w.words[m.Constant]) }))
	for _, path := range b.files.sorted() {
		p := b.points[path]
		w := b.files.of(path)
		if !w.words[m.Constant] && !w.byAnyName {
			continue
		}
		points := slices.Concat(p.Mentions.At[m.Constant], p.Mentions.ByAnyName)
		if p.Mentions.At == nil || b.dropped[path] {
			points = []int{mutate.FileLevel}
		}
		for _, point := range points {
			if point == mutate.FileLevel {
				add(b.seeing(path, true))
			} else {
				add(b.rec.Passing(point))
			}
		}
		if p.Mentions.Inspected[m.Constant] {
			add(b.inspecting(path))
		}
	}
	return listed(in)
}

// inspecting gives the segments that may read defaults of parameters of a file's
// functions without a call.
func (b *Baseline) inspecting(path string) []int {
	names := b.namesIn(path)
	return b.segmentsWith("", values, func(w *wordsIn) bool { return w.inspects && w.hasAny(names) })
}

// segmentsWith gives the segments that run code of a file of which something is true, load
// one of which it is true of what has a say then, or read the file at a path, if one is
// named. That file they run or load; where only values count, loading it while the suite is
// built is nothing.
func (b *Baseline) segmentsWith(path string, loading part, is func(*wordsIn) bool) []int {
	users := b.users()
	in := make([]bool, len(b.rec.Segments))
	add := func(segments []int) {
		for _, n := range segments {
			in[n] = true
		}
	}
	for file, segments := range users.run {
		if file == supervisor.Everything || file == path || is(b.files.of(file)) {
			add(segments)
		}
	}
	for file, segments := range users.load {
		switch {
		case file == path && loading != values || is(b.files.of(file).of(loading)):
			add(segments)
		case file == path: // a test that loads it asks for what it declares, if not by name
			add(slices.DeleteFunc(slices.Clone(segments), func(n int) bool { return n == 0 }))
		}
	}
	add(users.read[path])
	return listed(in)
}

// listed gives the numbers for which a list says true.
func listed(in []bool) []int {
	var out []int
	for n, is := range in {
		if is {
			out = append(out, n)
		}
	}
	return out
}

// users has, for each file, the segments that have to do with it.
type users struct {
	run  map[string][]int // run functions of it, pass points of it, or open it without loading it
	load map[string][]int
	read map[string][]int // open it without loading it
}

// users finds them. Code of a file that could have neither points nor notes may be run by
// any segment from the one on that loads it. The file of a test's class counts as run by
// the test: that may be inherited, and ask for what the class declares.
func (b *Baseline) users() *users {
	b.sourcesRun(0)
	b.files.mu.Lock()
	defer b.files.mu.Unlock()
	if b.files.users != nil {
		return b.files.users
	}
	u := &users{map[string][]int{}, map[string][]int{}, map[string][]int{}}
	for n, s := range b.rec.Segments {
		for _, files := range [][]string{s.Used, b.files.run[n], s.Reads, b.testFile(s)} {
			for _, file := range files {
				u.run[file] = append(u.run[file], n)
			}
		}
		for _, file := range s.Loaded {
			u.load[file] = append(u.load[file], n)
			for later := n; !b.files.told(file) && later < len(b.rec.Segments); later++ {
				u.run[file] = append(u.run[file], later)
			}
		}
		for _, file := range s.Reads {
			u.read[file] = append(u.read[file], n)
		}
	}
	b.files.users = u
	return u
}

// testFile gives the file of a segment's test class, if it has one in the project.
func (b *Baseline) testFile(s recording.Segment) []string {
	if s.Kind != recording.Test {
		return nil
	}
	return slices.Collect(maps.Keys(recording.InRoot(b.plainRoot, []string{b.rec.Tests[s.Test].File})))
}

// sourcesRun gives the sources of which a segment passes points.
func (b *Baseline) sourcesRun(n int) []string {
	b.files.mu.Lock()
	defer b.files.mu.Unlock()
	if b.files.run == nil {
		b.files.run = make([][]string, len(b.rec.Segments))
		for _, path := range slices.Sorted(maps.Keys(b.points)) {
			p := b.points[path]
			for i, s := range b.rec.Segments {
				at, _ := slices.BinarySearch(s.Points, p.First)
				if at < len(s.Points) && s.Points[at] < p.First+p.Count {
					b.files.run[i] = append(b.files.run[i], path)
				}
			}
		}
	}
	return b.files.run[n]
}

// onceValue is sync.OnceValue, for a method value.
func onceValue[T any](f func() T) func() T { return sync.OnceValue(f) }

// InSuiteOrder sorts tasks by where in the suite each is passed first: who judges some of them
// after the others goes through the suite once.
func InSuiteOrder(tasks []Task) {
	slices.SortStableFunc(tasks, func(a, b Task) int { return a.place() - b.place() })
}

// place is the first segment that passes a mutant; -1: none does.
func (t Task) place() int {
	if len(t.Pairs) == 0 {
		return -1
	}
	return t.Pairs[0]
}

// Expense estimates what it takes to judge a task, in seconds: the tests that reach it, of which
// the first most often kill it, and the building of the suite where that passes its mutant. Only
// how it compares with that of other tasks counts.
func (b *Baseline) Expense(t Task) float64 {
	cost := 0.003
	if t.place() == 0 {
		cost += float64(b.run.Built) / 1e6
	}
	for n, i := range t.Reach {
		seconds := b.Tests[i].Time.Seconds() + 0.0002
		if n > 1 {
			seconds /= 4
		}
		cost += seconds
	}
	return cost
}
