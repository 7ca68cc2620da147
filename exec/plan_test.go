package exec

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"assay/mutate"
)

// planned is a suite of six tests: 2 needs 1, 5 is shaky, 3 and 4 share state.
func planned() *Survey {
	s := &Survey{
		Tests: []mutate.Test{
			{ID: "T::a", Reached: 9}, {ID: "T::b", Reached: 5}, {ID: "T::c", Reached: 1},
			{ID: "U::d", Reached: 2}, {ID: "U::e", Reached: 2}, {ID: "U::f", Reached: 1, Shaky: true},
		},
		byPoint: map[int][]int{7: {0, 1}, 8: {5}, 9: {2, 3}, 10: {0, 3}},
		byFile:  map[string][]int{"src/A.php": {0, 2, 5}},
		needs:   [][]int{2: {1}, 5: nil},
		feeds:   [][]int{1: {2}, 5: nil},
	}
	share(s)
	return s
}

// share has the tests of each list use a piece of state that only they use.
func share(s *Survey, lists ...[]int) {
	uses := make([]map[string]bool, len(s.Tests))
	for n, list := range lists {
		for _, i := range list {
			if uses[i] == nil {
				uses[i] = map[string]bool{}
			}
			uses[i][fmt.Sprint("static $", n)] = true
		}
	}
	s.groupBy(uses, func(string) bool { return true })
	s.settles = slices.Repeat([]bool{true}, len(s.groups))
}

func at(point int) *mutate.Mutant {
	return &mutate.Mutant{Point: point, Source: &mutate.Source{Path: "src/A.php"}}
}

func TestPlan(t *testing.T) {
	for name, c := range map[string]struct {
		point int
		want  []int
	}{
		"who needs the result of a reaching test, too": {7, []int{2, 1, 0}},
		"what a reaching test needs, too":              {9, []int{2, 3, 1}},
		"a shaky test is no witness":                   {8, nil},
		"code that no statement holds":                 {mutate.FileLevel, []int{2, 1, 0}},
		"nobody passes":                                {99, nil},
	} {
		got := Plan([]*mutate.Mutant{at(c.point)}, planned())[0]
		if !slices.Equal(got.Tests, c.want) || got.Wider != nil {
			t.Errorf("%s: %v, wider %v; want %v", name, got.Tests, got.Wider, c.want)
		}
	}
}

func TestPlanSharedState(t *testing.T) {
	s := planned()
	share(s, []int{3, 4})
	s.byPoint[11], s.byPoint[12] = []int{3}, []int{1, 4}
	for name, c := range map[string]struct {
		point        int
		tests, wider []int
	}{
		"one shares, one does not":   {10, []int{0}, []int{3, 4}},
		"all that reach it share":    {11, []int{3, 4}, nil},
		"needed by one of the pair":  {12, []int{2, 1}, []int{3, 4}},
		"nobody who reaches it does": {7, []int{2, 1, 0}, nil},
	} {
		got := Plan([]*mutate.Mutant{at(c.point)}, s)[0]
		if !slices.Equal(got.Tests, c.tests) || !slices.Equal(got.Wider, c.wider) {
			t.Errorf("%s: %v, wider %v; want %v, wider %v", name, got.Tests, got.Wider, c.tests, c.wider)
		}
	}
	if got := Plan([]*mutate.Mutant{at(10)}, s)[0].Reach; !slices.Equal(got, []int{3, 0}) {
		t.Errorf("reach %v", got)
	}
	share(s, []int{1, 3, 4})
	if got := Plan([]*mutate.Mutant{at(9)}, s)[0]; !slices.Equal(got.Tests, []int{1, 2, 3, 4}) {
		t.Errorf("who builds on a test that shares shares as well: %v", got.Tests)
	}
}

// TestPlanGroups: tests that share nothing with each other, through whatever
// others, do not come along.
func TestPlanGroups(t *testing.T) {
	s := planned()
	s.byPoint[20], s.byPoint[21], s.byPoint[22] = []int{0}, []int{0, 3}, []int{1}
	share(s, []int{0, 1}, []int{1, 2}, []int{3, 4}, []int{5})
	for point, want := range map[int][]int{20: {0, 1, 2}, 21: {0, 1, 2, 3, 4}, 22: {0, 1, 2}} {
		if got := Plan([]*mutate.Mutant{at(point)}, s)[0]; !slices.Equal(got.Tests, want) || got.Wider != nil {
			t.Errorf("%d: %v, wider %v; want %v", point, got.Tests, got.Wider, want)
		}
	}
}

// TestPlanSettling: groups of which it is known that they do not settle come last,
// and only of others is it noted which of their tests reach the mutant.
func TestPlanSettling(t *testing.T) {
	s := planned()
	s.byPoint[20], s.byPoint[21], s.byPoint[22] = []int{0, 3, 4}, []int{3}, []int{0}
	share(s, []int{0, 1}, []int{3, 5})
	s.settles[0] = false
	for point, want := range map[int]Task{
		20: {Tests: []int{4}, Wider: []int{3}, Rest: []int{0, 1, 2}, Touch: []int{3}},
		21: {Tests: []int{3}, Touch: []int{3}},
		22: {Tests: []int{0, 1, 2}},
	} {
		got := Plan([]*mutate.Mutant{at(point)}, s)[0]
		got.Mutant, got.Reach = nil, nil
		if d := cmp.Diff(want, got, cmpopts.EquateEmpty()); d != "" {
			t.Errorf("%d: (-want +got)\n%s", point, d)
		}
	}
}

func TestGroupBy(t *testing.T) {
	all := func(string) bool { return true }
	for name, c := range map[string]struct {
		uses [][]string
		live func(string) bool
		want []int
	}{
		"nothing":                           {[][]string{nil, nil}, all, []int{-1, -1}},
		"each its own":                      {[][]string{{"a"}, {"b"}, nil}, all, []int{0, 1, -1}},
		"one name":                          {[][]string{{"a"}, nil, {"a"}}, all, []int{0, -1, 0}},
		"through a third":                   {[][]string{{"a"}, {"b"}, {"a", "b"}}, all, []int{0, 0, 0}},
		"some of a kind, and all of it":     {[][]string{{"static $a"}, {"static $b"}, {"static *"}, {"files"}}, all, []int{0, 0, 0, 1}},
		"nobody knows":                      {[][]string{{"static $a"}, {"files"}, {"*"}, nil}, all, []int{0, 0, 0, -1}},
		"what nobody writes joins nobody":   {[][]string{{"files", "static $a"}, {"files"}}, func(n string) bool { return n != "files" }, []int{0, -1}},
		"nor does it share with a wildcard": {[][]string{{"files"}, {"*"}}, func(n string) bool { return n != "files" }, []int{-1, 0}},
	} {
		s := &Survey{}
		uses := make([]map[string]bool, len(c.uses))
		for i, names := range c.uses {
			uses[i] = map[string]bool{}
			for _, n := range names {
				uses[i][n] = true
			}
		}
		if s.groupBy(uses, c.live); !slices.Equal(s.group, c.want) {
			t.Errorf("%s: %v, want %v", name, s.group, c.want)
		}
	}
}

// TestPlanWhole: what is reached only because of tests before, and what changes
// settings that any test may depend on, is judged by all tests, in their order.
func TestPlanWhole(t *testing.T) {
	s := planned()
	s.leftover = map[int]bool{8: true, 10: true}
	share(s, []int{3})
	s.points = map[string]*mutate.Points{"src/A.php": {First: 7, Count: 1, Sets: []bool{true}, SetsAny: true}}
	all := []int{0, 1, 2, 3, 4}
	got := Plan([]*mutate.Mutant{at(10), at(8), at(7), at(mutate.FileLevel)}, s)
	if !slices.Equal(got[0].Tests, []int{0}) || !slices.Equal(got[0].Wider, all) || !slices.Equal(got[0].Reach, []int{3, 0}) {
		t.Errorf("left over, reached by 3, which shares, and 0: %+v", got[0])
	}
	if len(got[1].Tests) > 0 {
		t.Errorf("reached by a shaky test only: %v", got[1].Tests)
	}
	for i, name := range map[int]string{2: "in a function that sets", 3: "outside of all functions"} {
		if !slices.Equal(got[i].Tests, got[i].Reach) || !slices.Equal(got[i].Wider, all) {
			t.Errorf("%s: %+v", name, got[i])
		}
	}
}

// TestPlanOrder: small differences of time between runs do not change the
// order, large ones do.
func TestPlanOrder(t *testing.T) {
	s := planned()
	s.byPoint[7] = []int{3, 4}
	for _, ms := range [][2]int{{1, 900}, {900, 1}, {2000, 7000}, {7000, 2000}} {
		s.Tests[3].Time, s.Tests[4].Time = time.Duration(ms[0])*time.Millisecond, time.Duration(ms[1])*time.Millisecond
		if got := Plan([]*mutate.Mutant{at(7)}, s)[0].Tests; !slices.Equal(got, []int{3, 4}) {
			t.Errorf("%v ms: %v", ms, got)
		}
	}
	s.Tests[3].Time, s.Tests[4].Time = 2*time.Second, time.Millisecond
	if got := Plan([]*mutate.Mutant{at(7)}, s)[0].Tests; !slices.Equal(got, []int{4, 3}) {
		t.Errorf("2 s: %v", got)
	}
}
