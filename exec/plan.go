package exec

import (
	"cmp"
	"math/bits"
	"slices"
	"strconv"
	"time"

	"assay/mutate"
)

// A Task is one mutant with the tests to run on it, as numbers in
// Survey.Tests.
type Task struct {
	Mutant *mutate.Mutant
	Reach  []int // the tests that reach it, most specific first
	Tests  []int // what to run, in this order: Reach, and what belongs with it; none: no test reaches the mutant
	First  []int // those of Tests to be run before all others; see dataWords
	// Last are more of the same, run after Tests when these stay green: such as
	// look at the text of the sources, and so cannot be run again and again.
	Last []int
	// Wider is nil where Tests say all there is to say. Else some of Reach touch
	// state that outlives them and are not among Tests; these, in the suite's
	// order, are all that do, and decide what Tests leave open. Rest are more of
	// them, which decide what Wider leaves open: such as share nothing with those,
	// and share what may not settle.
	Wider, Rest []int
	// Touch are those of Reach that touch state that may settle, in the suite's
	// order: of Wider, or of Tests where these share it all.
	Touch []int
}

// firstOf gives those of some of the task's tests that come first.
func (t *Task) firstOf(tests []int) []int {
	if len(tests) == 0 || len(t.Tests) == 0 || &tests[0] != &t.Tests[0] {
		return nil // First are of Tests
	}
	return t.First
}

// shares reports whether Tests touch state that outlives them, so that nothing
// else is asked first.
func (t *Task) shares(s *Survey) bool { return len(t.Touch) > 0 && s.group[t.Tests[0]] != noGroup }

// Plan decides which tests each mutant needs. Pure.
//
// Which: those that passed the mutant's point, those that depend on one of
// them, and what they depend on. In what order: tests that reach little first,
// for they are about what is changed; then quick ones, by powers of eight of
// the time, so that small differences between runs do not change the order. Before
// them come some whose data mention what is changed.
func Plan(ms []*mutate.Mutant, s *Survey) []Task {
	tasks := make([]Task, len(ms))
	cache := map[string]Task{}
	data := newDataWords(s.rows)
	for i, m := range ms {
		key, reaching := s.reaching(m)
		t, ok := cache[key]
		if !ok {
			t = s.task(reaching)
			if s.leftover[m.Point] || s.sets(m) {
				t = s.wholeSuite(t)
			}
			cache[key] = t
		}
		t.Mutant = m
		data.sortOut(&t, s)
		tasks[i] = t
	}
	return tasks
}

func (s *Survey) reaching(m *mutate.Mutant) (key string, tests []int) {
	if key, tests = s.running(m); len(s.always) > 0 {
		tests = union(tests, s.always)
	}
	return key, tests
}

// passing gives the tests that pass a point, or find what the making of their data
// left that passed it.
func (s *Survey) passing(point int) []int {
	tests := s.byPoint[point]
	for _, owner := range s.makersOf[point] {
		tests = union(tests, s.finders[owner])
	}
	return tests
}

// running gives the tests that run the code of a mutant, or may read it.
func (s *Survey) running(m *mutate.Mutant) (key string, tests []int) {
	if m.Constant != "" && !s.dropped[m.Source.Path] {
		if tests, ok := s.seeConstant(m); ok {
			return "c" + m.Source.Path + " " + m.Constant, tests
		}
	}
	if m.Point == mutate.FileLevel || s.dropped[m.Source.Path] {
		return "f" + m.Source.Path, s.byFile[m.Source.Path]
	}
	if m.Inspected {
		tests = slices.DeleteFunc(slices.Clone(s.byFile[m.Source.Path]), func(i int) bool { return !s.inspects[i] })
		return "i" + strconv.Itoa(m.Point), union(s.passing(m.Point), tests)
	}
	return "p" + strconv.Itoa(m.Point), s.passing(m.Point)
}

// task plans for the tests that pass a point. Where some of them touch state
// that outlives a test, these prove nothing by themselves: what they see depends
// on the tests before them. So all that share state are run, in the suite's
// order; but first, and with luck only, the others. No measured time has a part
// in this, or two runs might name two killers.
func (s *Survey) task(reaching []int) Task {
	t := Task{Reach: s.complete(reaching)}
	s.order(t.Reach)
	t.Touch = slices.DeleteFunc(slices.Clone(t.Reach), func(i int) bool { return s.group[i] == noGroup || !s.settles[s.group[i]] })
	slices.Sort(t.Touch)
	s.split(&t, s.grouped(t.Reach, true), s.grouped(t.Reach, false))
	return t
}

// split puts what has to be run into the parts of a task, the first of which is
// empty only if all are.
func (s *Survey) split(t *Task, wider, rest []int) {
	for _, i := range s.free(t.Reach) {
		if len(s.needs[i])+len(s.feeds[i]) == 0 && (s.unfit[i] || slices.Contains(s.always, i)) {
			t.Last = append(t.Last, i)
		} else {
			t.Tests = append(t.Tests, i)
		}
	}
	if t.Wider, t.Rest = wider, rest; len(t.Wider) == 0 {
		t.Wider, t.Rest = t.Rest, nil
	}
	if len(t.Tests) == 0 {
		t.Tests, t.Last = t.Last, nil
	}
	if len(t.Tests) == 0 {
		t.Tests, t.Wider, t.Rest = t.Wider, t.Rest, nil
	}
}

// grouped gives the tests that share state with some of those, through however
// many others, in the suite's order; nil when these share none. Only such as may
// settle count, or only others.
func (s *Survey) grouped(tests []int, settle bool) []int {
	var out []int
	in := map[int]bool{}
	for _, i := range tests {
		if g := s.group[i]; g != noGroup && !in[g] && s.settles[g] == settle {
			in[g] = true
			for _, j := range s.groups[g] {
				if !s.Tests[j].Shaky {
					out = append(out, j)
				}
			}
		}
	}
	slices.Sort(out)
	return out
}

// free gives the tests that share nothing.
func (s *Survey) free(tests []int) []int {
	return slices.DeleteFunc(slices.Clone(tests), func(i int) bool { return s.group[i] != noGroup })
}

// sets reports whether a mutant stands in code that changes settings of PHP:
// any test may then notice, whatever it runs.
func (s *Survey) sets(m *mutate.Mutant) bool {
	p := s.points[m.Source.Path]
	switch {
	case p == nil || !p.SetsAny:
		return false
	case m.Point == mutate.FileLevel || s.dropped[m.Source.Path]:
		return true
	}
	return p.Sets[m.Point-p.First]
}

// wholeSuite has all tests, in the suite's order, decide what those leave open
// that reach a point and share nothing.
func (s *Survey) wholeSuite(t Task) Task {
	if len(t.Reach) == 0 {
		return t
	}
	var all []int
	for i, test := range s.Tests {
		if !test.Shaky {
			all = append(all, i)
		}
	}
	t.Tests, t.Last, t.Touch = nil, nil, nil
	s.split(&t, all, nil)
	return t
}

// complete adds the tests that build on others' results, and what those need.
func (s *Survey) complete(reaching []int) []int {
	in := map[int]bool{}
	var add func(i int, links [][]int)
	add = func(i int, links [][]int) {
		if !in[i] {
			in[i] = true
			for _, j := range links[i] {
				add(j, links)
			}
		}
	}
	for _, i := range reaching {
		if !s.Tests[i].Shaky {
			add(i, s.feeds)
		}
	}
	first := make([]int, 0, len(in))
	for i := range in {
		first = append(first, i)
	}
	in = map[int]bool{}
	for _, i := range first {
		add(i, s.needs)
	}
	out := make([]int, 0, len(in))
	for i := range in {
		if !s.Tests[i].Shaky {
			out = append(out, i)
		}
	}
	return out
}

func (s *Survey) order(tests []int) {
	slices.SortFunc(tests, func(a, b int) int {
		x, y := s.Tests[a], s.Tests[b]
		return cmp.Or(x.Reached-y.Reached, coarse(x.Time)-coarse(y.Time), a-b)
	})
}

// coarse is the number of octal digits of a time in whole seconds. Finer steps
// are crossed when the machine has something else to do (eighths of a second
// were, by the first test of a class), and then the order of the tests, the
// killer that is named and the bytes of the result file differ from run to run.
func coarse(d time.Duration) int { return (bits.Len64(uint64(d/time.Second)) + 2) / 3 }
