package exec

// What the runs of a survey say about who reaches what.

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"assay/mutate"
)

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
	s.usual = map[usual]bool{}
	for _, ev := range x.whole.Events {
		s.usual[usual{ev.Test, ev.Kind}] = true
		if ev.Test >= 0 {
			s.Tests[ev.Test].Outcome = ev.Kind
		}
	}
	s.classes = x.rooted(x.whole.Classes)
	if s.memory = x.e.set.Memory; s.memory == 0 {
		s.memory = max(leastMemory, 3*x.whole.Memory)
	}
	s.beginCounting()
	x.linkDependencies()
	x.lookAtTexts()
	reach := make([]map[int]bool, len(s.rows))
	for i := range reach {
		reach[i] = map[int]bool{}
	}
	for _, class := range slices.Sorted(maps.Keys(x.apart)) {
		x.creditClass(class, x.apart[class], reach)
	}
	for _, class := range slices.Sorted(maps.Keys(x.inside)) {
		for _, t := range x.inside[class].Tests {
			s.notePasses(t)
			for p := range t.Points {
				reach[t.Test][p] = true
			}
		}
	}
	heirs := x.creditWhole(reach)
	x.shareState(heirs)
	x.creditBuilding(reach)
	x.creditInspecting(reach)
	x.creditBackwards()
	for i, points := range reach {
		for p := range points {
			if p >= s.firstHelper {
				continue
			}
			s.Tests[i].Reached++
			s.byPoint[p] = append(s.byPoint[p], i)
		}
	}
	for _, tests := range s.byPoint {
		slices.Sort(tests)
	}
	slices.Sort(s.always)
	return nil
}

// lookAtTexts finds out what keeps mutants from being in the whole stage, and tests
// from being in sequences.
func (x *explorer) lookAtTexts() {
	s := x.s
	s.unfit = map[int]bool{}
	for _, i := range x.plain.facts.Unfit {
		s.unfit[i] = true
	}
	declared := map[string]bool{}
	for _, p := range x.files {
		for name := range p.Links {
			declared[name] = true
		}
	}
	for _, p := range slices.Concat(x.files, x.helpers) {
		s.linesCount = s.linesCount || looksAtLines.Match(p.Source.Text)
		if s.loadsCount == "" && asksWhatIsLoaded(p.Source.Text, declared) {
			s.loadsCount = p.Source.Path
		}
	}
}

// asksWhatIsLoaded reports whether a program's text asks what is loaded, but for
// names that none of some classes has (in lower case).
func asksWhatIsLoaded(text []byte, declared map[string]bool) bool {
	return slices.ContainsFunc(looksAtLoaded.FindAll(text, -1), func(call []byte) bool {
		name := asksForName.FindSubmatch(call)
		return name == nil || declared[strings.ToLower(strings.TrimLeft(strings.ReplaceAll(string(name[1]), `\\`, `\`), `\`))]
	})
}

// rooted writes rootMark for the root in classes' files.
func (x *explorer) rooted(classes [][2]string) [][2]string {
	classes = slices.Clone(classes)
	for i, c := range classes {
		if rel, inside := strings.CutPrefix(c[1], x.plain.facts.Root+"/"); inside {
			classes[i][1] = rootMark + "/" + rel
		}
	}
	return classes
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
		s.notePasses(t)
		for p := range t.Points {
			reach[t.Test][p] = true
		}
		for _, f := range t.Files {
			loaded[f] = true
		}
		for f := range loaded {
			s.byFile[f] = append(s.byFile[f], t.Test)
		}
	}
	for _, p := range common {
		s.fixtures[p] = true
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
		s.notePasses(t)
		for p := range t.Points {
			known[p] = true
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
	s.Notes = append(s.Notes, mutate.Note{Kind: "flaky", Text: fmt.Sprintf("%s passes in the suite's own order and not %s; it is not used to judge mutants.", s.rows[test].ID, when)})
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

// creditInspecting finds the tests that pass code which reads defaults of
// parameters, besides those whose helpers nobody can tell about.
func (x *explorer) creditInspecting(reach []map[int]bool) {
	for _, p := range slices.Concat(x.files, x.helpers) {
		for point := range p.Inspects {
			for i := range reach {
				x.s.inspects[i] = x.s.inspects[i] || reach[i][point]
			}
		}
	}
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
		for i := range x.s.rows {
			if owner == "*" || owner == x.s.method(i) {
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

func union(a, b []int) []int {
	out := append(slices.Clone(a), b...)
	slices.Sort(out)
	return slices.Compact(out)
}
