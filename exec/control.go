package exec

// The runs of unchanged code, and of code that cannot pass, that verdicts are held
// against.

import (
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"

	"assay/mutate"
)

// A way is how a mutant gets before its tests.
type way int

const (
	bySwap     way = iota // the changed file is swapped in
	byChoice              // it is chosen in the whole stage
	inSequence            // or there after others
)

func (r *runRequest) way() way {
	switch {
	case r.Mode == inOne:
		return inSequence
	case r.Whole && !r.Cold:
		return byChoice
	}
	return bySwap
}

// check has a worker pass the two controls of a way before it is gone for the
// first time.
func (j *bench) check(ctx context.Context, w *worker, by way) error {
	t := j.sample
	if by != bySwap {
		if t = j.schemata.control; t != nil && !w.whole[t.Mutant.Source.Path] {
			t = nil
		}
	}
	if w.checked[by] || t == nil {
		return nil
	}
	w.checked[by] = true
	j.mu.Lock()
	before := j.rests[w] // no verdict rests on a control
	delete(j.rests, w)
	j.mu.Unlock()
	defer func() {
		j.mu.Lock()
		if before != nil {
			j.rests[w] = before
		}
		j.mu.Unlock()
	}()
	if by != bySwap {
		j.wholeOnce.Do(func() {
			why := j.suiteInWhole(ctx, w, *t)
			if j.wholeGreen = why == ""; !j.wholeGreen && ctx.Err() == nil {
				j.e.remark("With all sources loaded before its first test the suite is not green (%s)"+asFile, why)
			}
		})
		if !j.wholeGreen {
			w.whole, w.unfit = nil, nil
			return errClosed
		}
	}
	if by == inSequence {
		err := j.controlSequence(ctx, w, *t)
		if isControl(err) {
			j.spoil(manner{})
			err = errClosed
		}
		return err
	}
	err := j.controlsPass(ctx, w, *t, by == byChoice)
	if by == byChoice && isControl(err) {
		j.e.remark("Mutants could not be chosen among those that are loaded" + asFile)
		w.whole, w.unfit = nil, nil
		err = errClosed
	}
	return err
}

// errClosed says that a quick way is not to be gone: its controls did not pass. The
// plain way is still there.
var errClosed = errors.New("this way is closed")

// controlError says that no verdict that came by a way can be trusted. Of the plain
// way it ends the run.
type controlError struct{ text string }

func isControl(err error) bool {
	var failed *controlError
	return errors.As(err, &failed)
}

func (e *controlError) Error() string {
	return "control failed: " + e.text + "; no verdict of this run can be trusted"
}

// suiteInWhole gives the reason why the suite is not green in the whole stage, as it
// is where each class is loaded when it is first needed; "" when it is.
func (j *bench) suiteInWhole(ctx context.Context, w *worker, t Task) string {
	r := j.request(t, t.Mutant.Source.Text, nil)
	r.Mode, r.Whole = "all", true
	for i, evals := range j.s.evals {
		if evals {
			r.Watch = append(r.Watch, i)
		}
	}
	o, err := w.run(ctx, r)
	if err != nil || o.Stage != 3 || !o.Done {
		return "it does not come to its end"
	}
	declares := map[int]bool{}
	for _, i := range o.Declares {
		declares[i] = true
	}
	j.declares.Store(&declares)
	for _, e := range o.Events {
		if e.Fatal && (e.Test < 0 || !j.s.Tests[e.Test].Shaky) {
			first, _, _ := strings.Cut(e.Message, "\n")
			return cmp.Or(e.Name, "between two tests") + ": " + strings.TrimSuffix(first, ".")
		}
	}
	return ""
}

// spoil ends the running of several mutants' tests in one process; only that of
// tests that share state, where such were run.
func (j *bench) spoil(how manner) {
	if how.shared {
		j.unsettled.Store(true)
		j.e.remark("Tests that share state could not be run again and again in one process; each mutant that they reach has one of its own, which takes longer.")
		return
	}
	j.spoiled.Store(true)
	j.e.remark("The tests could not be run again and again in one process; each mutant has one of its own, which takes longer.")
}

// controlSequence runs the two controls in one sequence: the first part must come
// to its end and be green, the second must not.
func (j *bench) controlSequence(ctx context.Context, w *worker, t Task) error {
	n := j.schemata.controls
	tests, share, others := j.s.inSequences(t)
	r := runRequest{Mode: inOne, Whole: true, Soft: true, Tests: []int{}, Lists: [][]int{tests}, Shared: share,
		Sequence: [][4]int{{0, 0, 0, -1}, {j.schemata.place[n], n, 0, -1}}}
	if others != nil {
		r.Anew = map[int][2][]string{0: {nil, others}, 1: {nil, others}}
	}
	o, err := j.run(ctx, w, r)
	if err != nil {
		return err
	}
	switch {
	case len(o.Parts) > 0 && o.Parts[0].Void:
		return &controlError{"tests could not be made anew"}
	case len(o.Parts) > 0 && judge(o.Parts[0]).Status != mutate.Survived:
		return &controlError{fmt.Sprintf("unchanged code in a sequence was judged %v (%s)", judge(o.Parts[0]).Status, judge(o.Parts[0]).Detail)}
	case len(o.Parts) > 1 && judge(o.Parts[1]).Status != mutate.Killed:
		return &controlError{"a sequence goes on behind what ends the process"}
	}
	return nil
}

// controlsPass runs the two controls with the file and the tests of a task; whole
// has a statement end the process in the whole stage, instead of a file that throws.
func (j *bench) controlsPass(ctx context.Context, w *worker, t Task, whole bool) error {
	for _, c := range []struct {
		what, text string
		want       mutate.Status
	}{
		{"an unchanged file", string(t.Mutant.Source.Text), mutate.Survived},
		{"a file that throws when it is loaded", "<?php throw new \\Error('assay: control');\n", mutate.Killed},
	} {
		r := j.request(t, []byte(c.text), t.Tests)
		if r.Whole = whole; whole && c.want == mutate.Killed {
			r.Text, r.Mutant = j.schemata.ender, j.schemata.controls
			r.Place = j.schemata.place[r.Mutant]
		}
		o, err := j.run(ctx, w, r)
		if err != nil {
			return err
		}
		f := judge(o)
		if f.ByExit && o.Done {
			// These tests alone may end otherwise than the whole suite does;
			// each verdict that rests on that is held against a control.
			f.Status = mutate.Survived
		}
		if f.Status != c.want {
			return &controlError{fmt.Sprintf("%s in place of %s was judged %v, not %v (%s; tests %v)",
				c.what, t.Mutant.Source.Path, f.Status, c.want, f.Detail, names(j.s.rows, t.Tests))}
		}
	}
	return nil
}

// control is the run of tests on the unchanged file, made once.
func (j *bench) control(ctx context.Context, w *worker, t Task, tests []int, stage int) (outcome, error) {
	key := fmt.Sprintf("%d %s %x", stage, t.Mutant.Source.Path, sha256.Sum256(fmt.Append(nil, tests)))
	j.mu.Lock()
	c, ok := j.controls[key]
	j.mu.Unlock()
	if ok {
		return c, nil
	}
	r := j.request(t, t.Mutant.Source.Text, tests)
	r.Whole = stage == 3
	c, err := j.run(ctx, w, r)
	if err == nil {
		j.mu.Lock()
		j.controls[key] = c
		j.mu.Unlock()
	}
	return c, err
}
