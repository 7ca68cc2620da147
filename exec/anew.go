package exec

import (
	"slices"
	"strings"

	"assay/mutate"
)

// Data providers often build objects of the sources, so that a mutant is run before
// the first test: the suite has to be built with it. That costs as much as the whole
// suite's data do, for each such mutant. Where only the data of some methods pass it,
// it is enough to make the tests of these anew, in a sequence, while the mutant is
// chosen; see Sequence::makeAnew in the harness, which also says what must hold for
// that: nothing that one provider leaves may be seen by another. What PHP can be
// asked for is looked at there; for what it cannot, these are the rules.
//
// So are tests whose data cannot be copied, and which otherwise could be run only once
// in a process: each mutant has its own.

// noteMakers notes for which tests' data each point is passed, and whose tests may
// be made anew by themselves. uses has what is used at each point.
func (x *explorer) noteMakers(uses map[int][]mutate.Use, book *stateBook) {
	s := x.s
	unseen := func(yield func(owner string, u mutate.Use)) {
		for owner, points := range x.built {
			for _, p := range points {
				for _, u := range uses[p] {
					if !mutate.IsShown(u.Of) {
						yield(owner, u)
					}
				}
			}
		}
	}
	written := map[string]bool{}
	unseen(func(_ string, u mutate.Use) { written[u.Of] = written[u.Of] || u.Access != mutate.Looks })
	s.makersOf, s.fixed = map[int][]string{}, map[string]bool{"*": true}
	unseen(func(owner string, u mutate.Use) {
		if written[u.Of] || book.libraries[u.Of] || u.Of == mutate.StateDeclared {
			s.fixed[owner] = true
		}
	})
	s.stateful = map[string]bool{"*": true}
	for owner, points := range x.built {
		for _, p := range points {
			s.makersOf[p] = append(s.makersOf[p], owner)
			for _, u := range uses[p] {
				s.stateful[owner] = s.stateful[owner] || book.live(u.Of)
			}
		}
	}
	for _, owners := range s.makersOf {
		slices.Sort(owners)
	}
}

// makers gives the methods whose tests are made while a mutant is passed, as
// "Class::method"; nil for none. ok is false where they cannot be made anew by
// themselves.
func (s *Survey) makers(m *mutate.Mutant) (methods []string, ok bool) {
	methods = slices.Concat(s.makersOf[m.Point], s.makersOf[m.Place.Point])
	slices.Sort(methods)
	methods = slices.Compact(methods)
	return methods, !slices.ContainsFunc(methods, func(owner string) bool { return s.fixed[owner] })
}

// remakes reports whether a test has data, and can be made anew, as far as the survey tells.
func (s *Survey) remakes(test int) bool {
	return strings.Contains(s.rows[test].ID, "#") && !s.fixed[s.method(test)]
}

// anew gives the methods whose tests are to be made anew for a mutant where some tests
// are run in a sequence: those whose data pass it, and others whose data cannot be
// copied. ok is false where that cannot be: tests that share state are run in a state
// that is another than when the suite was built, if there are openers.
func (d *desk) anew(t Task, tests []int, how manner) (passing, others []string, ok bool) {
	passing = d.schemata.anew[d.schemata.number[t.Mutant]]
	if passing != nil && (!d.w.anew || how.shared && len(d.openersOf([][]int{tests}, how.rank)) > 0) {
		return nil, nil, false
	}
	for _, i := range tests {
		method := d.s.method(i)
		if how.once || !d.once(i) || slices.Contains(passing, method) || slices.Contains(others, method) {
			continue
		}
		_, stays := d.stubborn.Load(method)
		if !d.w.anew || stays || d.maybeDeclares(i) || !d.s.remakes(i) || how.shared && d.s.stateful[method] {
			return nil, nil, false
		}
		others = append(others, method)
	}
	return passing, others, true
}
