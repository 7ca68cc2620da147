package exec

// Which of the tests that reach a mutant notice it by themselves.

import (
	"context"
	"slices"
	"strings"

	"assay/mutate"
)

// matrix is the work on one mutant: what is known of each test.
type matrix struct {
	j       *bench
	w       *worker
	t       Task
	text    []byte
	ids     map[string]int // ID => number
	noticed map[int]bool   // false: it stays green; not there: not known yet
}

// killers gives the tests among t.Reach that notice a change when each is run
// with nothing but what it depends on. Tests that touch nothing which others see
// are run one after the other in one process, whatever fails; the others, and
// those about which such a process leaves a doubt, in processes of their own.
func (j *bench) killers(ctx context.Context, w *worker, t Task, text []byte) ([]mutate.TestID, error) {
	m := &matrix{j: j, w: w, t: t, text: text, ids: map[string]int{}, noticed: map[int]bool{}}
	for i, test := range j.s.Tests {
		m.ids[string(test.ID)] = i
	}
	var group, alone []int
	for _, i := range t.Reach {
		if j.s.group[i] != noGroup || len(j.s.needs[i]) > 0 || len(j.s.feeds[i]) > 0 || j.s.sets(t.Mutant) || j.s.leftover[t.Mutant.Point] {
			alone = append(alone, i)
		} else {
			group = append(group, i)
		}
	}
	for len(group) > 0 {
		o, err := m.run(ctx, group)
		if err != nil {
			return nil, err
		}
		left, doubtful := m.credit(o, group)
		alone = append(alone, doubtful...)
		if len(left)+len(doubtful) == len(group) { // no step forward
			alone, left = append(alone, left...), nil
		}
		group = left
	}
	for _, i := range alone {
		if err := m.single(ctx, i); err != nil {
			return nil, err
		}
	}
	var out []mutate.TestID
	for _, i := range t.Reach {
		if m.noticed[i] {
			out = append(out, j.s.Tests[i].ID)
		}
	}
	return out, nil
}

// run has tests run on the change; a failure stops nothing.
func (m *matrix) run(ctx context.Context, tests []int) (outcome, error) {
	r := m.j.request(m.t, m.text, tests)
	r.Mode, r.Names = "all", nil
	for _, i := range tests {
		r.Names = append(r.Names, string(m.j.s.Tests[i].ID))
	}
	m.j.choose(&r, m.w, m.t)
	return m.j.watch(ctx, m.w, m.t, r)
}

// number gives a test of an outcome as the survey numbers it, or -1: the suite
// may have been built anew, and hold others.
func (m *matrix) number(test int, name string) int {
	if name == "" {
		return test
	}
	if i, ok := m.ids[name]; ok {
		return i
	}
	return -1
}

// credit takes in what a group's outcome says: who failed, during whose run the
// process ended, who passed. It gives the tests that were not run, and those
// that have to be run by themselves.
func (m *matrix) credit(o outcome, group []int) (left, doubtful []int) {
	classes := map[string]bool{} // something of the whole class failed
	for _, e := range o.Events {
		if !e.Fatal {
			continue
		}
		if i := m.number(e.Test, e.Name); i >= 0 {
			m.noticed[i] = true
		} else {
			class, _, _ := strings.Cut(e.Name, "::")
			classes[class] = true
		}
	}
	running := m.number(o.Running, o.RunName)
	unclear := o.Orphaned || o.Signal != 0 || o.Exit < 0 || o.Exit > 2 || (o.Exit != 0 && len(o.Events) == 0)
	if !o.Done || o.TimedOut || o.OverFull {
		if unclear = running < 0; !unclear {
			m.noticed[running] = true
		}
	}
	passed := map[int]bool{}
	for _, t := range o.Tests {
		if t.Ended {
			passed[m.number(t.Test, t.Name)] = true
		}
	}
	for _, i := range group {
		switch {
		case m.noticed[i]:
		case classes[m.j.s.rows[i].Class], unclear:
			doubtful = append(doubtful, i)
		case passed[i]:
			m.noticed[i] = false
		default:
			left = append(left, i)
		}
	}
	return left, doubtful
}

// single runs one test with what it depends on.
func (m *matrix) single(ctx context.Context, i int) error {
	tests := []int{i}
	in := map[int]bool{i: true}
	for k := 0; k < len(tests); k++ {
		for _, n := range m.j.s.needs[tests[k]] {
			if !in[n] {
				in[n] = true
				tests = append(tests, n)
			}
		}
	}
	slices.Sort(tests)
	o, err := m.run(ctx, tests)
	if err != nil {
		return err
	}
	class := m.j.s.rows[i].Class + "::"
	started, failed := false, false
	for _, t := range o.Tests {
		started = started || m.number(t.Test, t.Name) == i
	}
	for _, e := range o.Events {
		if e.Fatal {
			n := m.number(e.Test, e.Name)
			failed = failed || n == i || (n < 0 && (!started || strings.HasPrefix(e.Name, class)))
		}
	}
	f := judge(o)
	switch running := m.number(o.Running, o.RunName); {
	case failed, (!o.Done || o.TimedOut || o.OverFull) && running == i:
		m.noticed[i] = true
	case f.ByExit && running < 0:
		c, err := m.j.control(ctx, m.w, m.t, tests, o.Stage)
		if err != nil {
			return err
		}
		m.noticed[i] = judge(c).Status == mutate.Survived || !sameEnd(c, o)
	default:
		m.noticed[i] = false
	}
	return nil
}
