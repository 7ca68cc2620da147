//go:build linux

package exec

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"assay/exec/judging"
	"assay/exec/recording"
	"assay/exec/supervisor"
	"assay/exec/wire"
	"assay/mutate"
	"assay/mutate/syntax"
)

// Before a verdict falls on a way, two controls have to pass on it, in each worker: on
// unchanged code tests must be green and leave what they left in the recording, and on
// code that cannot pass they must not be green. A control that cannot be made closes the
// way, for the mutants at hand.

// way is how a mutant gets before its tests.
type way struct {
	form     judging.Form
	entry    judging.Entry
	builds   bool // the suite is built with the mutant
	isolated bool // the test may be run in another process, by PHPUnit
}

// A trial is what a control runs, and the source that is changed for it.
type trial struct {
	step judging.Step
	path string
}

// mostTrials is how many places of a kind are tried for code that cannot pass before the
// way is called blind: a test may catch whatever is thrown.
const mostTrials = 4

// noControlError says that a control cannot be made: nothing that could fail is run on that
// way, there.
type noControlError struct{}

func (*noControlError) Error() string {
	return "no test there runs code that could be changed for a control"
}

// control makes sure that the controls of the way that a case's next step takes have
// passed. For those of what is played the walker may go elsewhere.
func (d *desk) control(ctx context.Context, c *kase) error {
	if err := d.start(ctx); err != nil {
		return err
	}
	step := c.steps[0]
	w := d.wayOf(step)
	if d.checked[w] {
		return nil
	}
	trials := d.trials(w, step, c.task.Mutant.Source.Path)
	blind := ""
	for _, t := range trials {
		if err := d.reach(ctx, t.step.Boundary); err != nil {
			return err
		}
		if w.form == judging.Batched {
			if err := d.rehearseTests(ctx, step.Boundary, t.step.Tests); err != nil {
				return err
			}
			if d.anyRefused(t.step.Tests) {
				continue
			}
		}
		if why, err := d.passesUnchanged(ctx, w, t); err != nil || why != "" {
			return d.closed(w, why, err)
		}
		red, err := d.failsBroken(ctx, w, t)
		if err != nil {
			return err
		}
		if red {
			d.checked[w] = true
			return nil
		}
		blind = cmp.Or(blind, t.path)
	}
	if blind == "" {
		return &noControlError{}
	}
	return d.closed(w, fmt.Sprintf("code that cannot pass in place of %s is green", blind), nil)
}

// closed gives the error that closes a way, where there is none already.
func (d *desk) closed(w way, why string, err error) error {
	if err != nil {
		return err
	}
	least := coldOnly
	switch {
	case w.form == judging.Batched:
		least = noBatches
	case d.isCold():
		least = noWay
	case w.entry == judging.Selected:
		least = noSelected
	}
	return &closedError{least, why}
}

func (d *desk) wayOf(step judging.Step) way {
	return way{step.Form, step.Entry, step.Form == judging.Played && step.Boundary == 0, d.isIsolated(step)}
}

func (d *desk) isIsolated(step judging.Step) bool {
	return step.Form == judging.Played && slices.ContainsFunc(step.Segments, d.suite.Isolated)
}

// trials gives what the controls of a way can run: the step itself, if it runs code that
// would be seen to fail, and other tests that do, with another source each where there are
// some: behind where the step begins, and for what is played before it as well.
func (d *desk) trials(w way, step judging.Step, path string) []trial {
	var out, again []trial
	used := map[string]bool{}
	if d.mustFail(w, step, path) {
		out, used[path] = append(out, trial{step, path}), true
	}
	add := func(from judging.Step, segment, most int) {
		t, ok := d.trialAt(w, from, segment, used)
		switch {
		case !ok:
		case !used[t.path] && len(out) < most:
			out, used[t.path] = append(out, t), true
		case len(again) < mostTrials:
			again = append(again, t)
		}
	}
	for n := max(step.Boundary, 1); n < d.suite.End() && len(out) < mostTrials; n++ {
		add(step, n, mostTrials)
	}
	if w.entry == judging.Swapped && w.form == judging.Played {
		out = append(out, d.loadingTrials(w, step.Boundary)...)
	}
	if w.form == judging.Played {
		most := len(out) + mostTrials
		for from := step; from.Boundary > 1 && len(out) < most; {
			if from.Boundary--; !d.suite.Lives(from.Boundary) {
				add(from, from.Boundary, most)
			}
		}
	}
	return append(out, again...)
}

// trialAt gives a trial of what a segment runs, if that is a test like those of a step: of
// a source that was not used for one, where there is such a one.
func (d *desk) trialAt(w way, step judging.Step, segment int, used map[string]bool) (out trial, found bool) {
	s := d.b.rec.Segments[segment]
	if s.Kind != recording.Test || d.suite.Isolated(segment) != w.isolated || d.isUnreliable(s.Test) {
		return trial{}, false
	}
	for _, path := range d.b.sourcesRun(segment) {
		t, ok := d.trialOf(w, step, segment, path)
		if ok && !used[path] {
			return t, true
		}
		if ok && !found {
			out, found = t, true
		}
	}
	return out, found
}

// loadingTrials gives trials for where no test runs functions of sources, or few do: files
// of the project that are loaded. With the building of the suite these are those of tests.
func (d *desk) loadingTrials(w way, boundary int) (out []trial) {
	first := max(boundary, 1)
	if w.builds {
		first = 0
	}
	for n := first; n < d.suite.End() && len(out) < mostTrials; n++ {
		for _, path := range d.b.rec.Segments[n].Loaded {
			at, _ := d.b.rec.LoadedIn(path)
			if at == n && d.suite.Isolated(n) == w.isolated && d.sourceOf(path) != nil && !slices.ContainsFunc(strings.Split(path, "/"), isForeignDir) {
				step := judging.Step{Form: judging.Played, Entry: w.entry, Boundary: boundary, Swap: true, Segments: []int{n}}
				out = append(out, trial{step, path})
				break
			}
		}
	}
	return out
}

// sourceOf gives a file of the project, also one that is no source; nil where it is gone.
func (d *desk) sourceOf(path string) *mutate.Source {
	if p := d.b.points[path]; p != nil {
		return p.Source
	}
	text, err := os.ReadFile(filepath.Join(d.e.set.Root, filepath.FromSlash(path)))
	if err != nil {
		return nil
	}
	return &mutate.Source{Path: path, Text: text}
}

// trialOf gives the trial of one test, which passes points of a source.
func (d *desk) trialOf(w way, step judging.Step, segment int, path string) (trial, bool) {
	if w.entry == judging.Selected && (!d.hasMutants(path) || d.b.assumed[segment]) {
		return trial{}, false
	}
	if loaded, ok := d.b.rec.LoadedIn(path); w.entry == judging.Swapped && (!ok || loaded < step.Boundary) {
		return trial{}, false
	}
	one := judging.Step{Form: w.form, Entry: w.entry, Boundary: step.Boundary, Swap: step.Swap}
	if w.form == judging.Played {
		one.Segments, one.Swap = []int{segment}, w.entry == judging.Swapped || w.isolated
		return trial{one, path}, true
	}
	test := d.b.rec.Segments[segment].Test
	one.Tests = []int{test}
	d.mu.Lock() // other workers refuse tests
	n, ok := d.suite.BatchedAt(&judging.Subject{Entry: w.entry, Path: path}, test)
	d.mu.Unlock()
	return trial{one, path}, ok && n == step.Boundary
}

// hasMutants reports whether a file is loaded with its mutants in it.
func (j *bench) hasMutants(path string) bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.schemata.texts[path] != nil
}

// mustFail reports whether it cannot go unseen when code that a step runs fails: functions
// of its own file, or of any with mutants in it.
func (d *desk) mustFail(w way, step judging.Step, path string) bool {
	runs := func(n int) bool {
		if d.b.rec.Segments[n].Kind != recording.Test || w.entry == judging.Selected && d.b.assumed[n] {
			return false
		}
		files := d.b.sourcesRun(n)
		if w.entry == judging.Selected && !w.isolated {
			return slices.ContainsFunc(files, d.hasMutants)
		}
		return slices.Contains(files, path)
	}
	if step.Form == judging.Played {
		return slices.ContainsFunc(step.Segments, runs)
	}
	return slices.ContainsFunc(step.Tests, func(t int) bool { return runs(d.b.rec.Tests[t].Segment) })
}

// passesUnchanged runs a trial on unchanged code. why says what is not as in the recording;
// "" for nothing. A test that fails only once is unreliable, and is set apart.
func (d *desk) passesUnchanged(ctx context.Context, w way, t trial) (why string, err error) {
	failed := -1
	for range 4 {
		var f judging.Finding
		if f, why, err = d.unchanged(ctx, w, t); err != nil {
			return "", err
		}
		if failed >= 0 && failed != f.Test {
			d.setApart(failed)
		}
		if why == "" || failed == f.Test {
			return why, nil
		}
		if failed = f.Test; failed < 0 {
			return why, nil
		}
	}
	return why, nil
}

// unchanged runs a trial on unchanged code, once.
func (d *desk) unchanged(ctx context.Context, w way, t trial) (f judging.Finding, why string, err error) {
	f = judging.Finding{Status: mutate.Survived, Test: -1}
	text := d.sourceOf(t.path).Text
	if w.form == judging.Batched {
		o, err := d.replay(ctx, "control", d.batchedTrial(t, noEdit, false), 0)
		if err != nil {
			return f, "", err
		}
		if len(o.Parts) != 1 {
			return f, "unchanged code does not come to its end in a batch", nil
		}
		if red, is := d.red(o.Parts[0].Events); is {
			return red, fmt.Sprintf("unchanged code does not pass in a batch: %s: %s", red.Name, red.Detail), nil
		}
		if d.counts(&o.Parts[0], t.step.Tests) {
			return f, "unchanged code leaves another state in a batch", nil
		}
		used := o.Parts[0].CPU
		for _, i := range t.step.Tests {
			used -= d.b.rec.Tests[i].Time.Microseconds()
		}
		d.e.suspects.learn(used)
		return f, "", nil
	}
	var diverged []string
	for range 4 {
		p := d.prepare(t.step)
		p.r.Soft = 0
		if t.step.Swap {
			p.r.Swap = map[string][]byte{t.path: text}
		}
		if f, err = p.run(ctx); err != nil {
			return f, "", err
		}
		if f.Status != mutate.Survived {
			return f, fmt.Sprintf("unchanged code in place of %s was judged %v (%s %s)", t.path, f.Status, f.Name, f.Detail), nil
		}
		if p.other {
			return f, "the suite is another one when it is built with unchanged code", nil
		}
		if len(p.state.Diverged) == 0 {
			return f, "", nil
		}
		diverged = p.state.Diverged
		p.state.Forgive()
	}
	return f, "unchanged code leaves another state each time: " + firstOf(diverged, 5), nil
}

// failsBroken runs a trial on code that cannot pass, and reports whether that was seen.
func (d *desk) failsBroken(ctx context.Context, w way, t trial) (bool, error) {
	source := d.sourceOf(t.path)
	ender := w.entry == judging.Selected
	if w.form == judging.Batched {
		edit := throwing(source)
		if ender {
			edit = noEdit
		}
		o, err := d.replay(ctx, "control", d.batchedTrial(t, edit, ender), 0)
		if err != nil {
			return false, err
		}
		if len(o.Parts) != 1 {
			return true, nil
		}
		_, red := d.red(o.Parts[0].Events)
		return red, nil
	}
	p := d.prepare(t.step)
	p.r.Soft, p.r.Job.Ender = 0, ender
	if !ender || w.isolated { // another process would not know of the ender
		p.r.Changed = map[string][]byte{t.path: throwing(source).Apply(source.Text)}
		p.r.Swap = p.r.Changed
	}
	f, err := p.run(ctx)
	return f.Status != mutate.Survived, err
}

func (d *desk) batchedTrial(t trial, edit mutate.Edit, ender bool) supervisor.Replay {
	r := supervisor.Replay{From: supervisor.FromWalker,
		Job: wire.Job{Kind: wire.Batch, Swap: t.step.Swap, Ender: ender, Parts: [][3]int{{0, 0, 0}}, Lists: [][]int{t.step.Tests}}}
	if t.step.Entry == judging.Swapped { // else the file with the mutants in it has to stay in place
		source := d.sourceOf(t.path)
		r.Sources, r.Edits = map[string][]byte{t.path: source.Text}, []supervisor.FileEdit{{Path: t.path, Edit: edit}}
	}
	return r
}

// uncontrolled has some cases judged on another way than the one for which no control can
// be made there.
func (d *desk) uncontrolled(cases []*kase) {
	for _, c := range cases {
		step := c.steps[0]
		d.why(judging.NoControl, 1)
		switch {
		case step.Form == judging.Batched:
		case step.Entry == judging.Selected:
			c.subject.Entry = judging.Swapped
		case step.Boundary > 0:
			c.subject.FromStart = true
		default:
			d.broken(c, (&noControlError{}).Error())
			continue
		}
		d.replan(c, 0, true)
	}
}

// noEdit changes nothing.
var noEdit = mutate.Edit{}

// throwing puts a text in place of a file that throws when it is loaded.
func throwing(s *mutate.Source) mutate.Edit {
	return mutate.Edit{Span: syntax.Span{Start: 0, End: len(s.Text)}, New: "<?php throw new \\Error('assay: control');\n"}
}

// red gives the finding of the first event that is not green, of a test whose outcome
// counts.
func (j *bench) red(events []wire.Event) (judging.Finding, bool) {
	return judging.Red(slices.DeleteFunc(slices.Clone(events), func(e wire.Event) bool { return j.isUnreliable(e.Test) }))
}

func (j *bench) isUnreliable(test int) bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.unreliable[test]
}

// setApart has the outcome of a test count no more: it failed on unchanged code, and did
// not when it was run there once more. What it does to the others stays.
func (j *bench) setApart(test int) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if !j.unreliable[test] {
		j.unreliable[test], j.suite.Refused[test] = true, true
		go j.e.remark("%s passes and fails by chance on unchanged code; its outcome was not counted.", j.b.Tests[test].ID)
	}
}

func (j *bench) anyRefused(tests []int) bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	return slices.ContainsFunc(tests, func(t int) bool { return j.suite.Refused[t] })
}

// maybeByChance reports whether a test fails for the first time where a walker runs
// unchanged code: another walker tells whether it always does.
func (j *bench) maybeByChance(test int) bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	if test < 0 || j.redOnce[test] {
		return false
	}
	j.redOnce[test] = true
	return true
}

// passedAgain sets apart the tests that failed once and have not failed when a walker came
// to a boundary behind them.
func (j *bench) passedAgain(boundary int) {
	j.mu.Lock()
	var apart []int
	for test := range j.redOnce {
		if j.b.rec.Tests[test].Segment < boundary {
			apart = append(apart, test)
			delete(j.redOnce, test)
		}
	}
	j.mu.Unlock()
	for _, test := range apart {
		j.setApart(test)
	}
}
