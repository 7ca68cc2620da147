//go:build linux

package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"time"

	"assay/exec"
	"assay/mutate"
	"assay/report"
)

type runCommand struct {
	Paths []string `arg:"" optional:"" name:"path" help:"Change only these files, folders or patterns (as src/**/*Fare.php)."`
	sourceOptions
	suiteOptions
	observeOptions
	choiceOptions
	poolOptions
	proveOptions
	cacheOptions
	answerOptions

	pool     *hosting               // nil: this process judges
	reused   int                    // verdicts of earlier runs
	baseline *exec.Baseline         // what the unchanged suite told, once it was recorded
	phpSum   func() (string, error) // see the function phpSum
	// vendorSum gives the sum of all packages.
	vendorSum func() (string, error)
}

func (c *runCommand) defaultPaths(paths []string) {
	if len(c.Paths) == 0 {
		c.Paths = paths
	}
}

// run is the pipeline: find, generate, choose, record, plan, judge, report.
func (c *runCommand) run(env *environment) error {
	began := time.Now()
	outputs, err := c.outputsChecked(env)
	if err != nil {
		return err
	}
	c.leftToMerge(env)
	code, err := begin(env.ctx, c.sourceOptions, &c.suiteOptions, c.Paths)
	if err != nil {
		return err
	}
	c.sumUp(code)
	engine, end, unopened := c.openAll(env, code)
	defer end()
	var asked *requests
	if err = code.making(); err == nil {
		asked, err = c.requests(code)
	}
	if err = cmp.Or(err, unopened); err != nil {
		return err
	}
	r := &mutate.Result{Root: code.Root, Project: code.Name, Breadth: c.Breadth, Notes: code.notes}
	err = c.judge(env, code, engine, asked, r, outputs)
	stopped := err != nil && !(errors.Is(err, context.Canceled) && r.Partial)
	if !stopped {
		asked.settle(code, r)
	}
	if err == nil {
		findAlike(env, engine, r)
	}
	for _, text := range engine.Remarks() {
		fmt.Fprintln(env.stderr, "assay:", text)
	}
	if stopped {
		return err
	}
	var unproved error
	if err == nil {
		unproved = c.prove(env, code, engine, r, outputs)
	}
	r.Notes = append(r.Notes, code.edited(r)...)
	end() // before anything is printed: a reader that stops reading ends this process
	c.noteFacts(r, engine)
	r.Elapsed = time.Since(began)
	if fault := c.describePart(code, engine.Facts(), asked, r); fault != nil {
		return fault
	}
	if c.Timings {
		defer printFigures(env.stderr, r.Engine)
	}
	if fault := c.report(env, code, r, outputs); fault != nil && statusOf(fault) != statusBelow {
		return fault
	} else if err == nil && unproved == nil {
		return fault
	}
	return cmp.Or(err, unproved)
}

// openAll opens the engine, and the pool where there is to be one; end closes both, once.
func (c *runCommand) openAll(env *environment, code *codebase) (engine *exec.Engine, end func(), err error) {
	if engine, err = c.open(env, code); err == nil {
		err = c.openPool(env, engine)
	}
	return engine, sync.OnceFunc(func() {
		c.pool.close(env)
		if engine != nil {
			c.close(env, engine)
		}
	}), err
}

// sumUp begins to work out sums that remember will ask for.
func (c *runCommand) sumUp(code *codebase) {
	c.phpSum = sync.OnceValues(func() (string, error) { return phpSum(code.PHP) })
	c.vendorSum = sync.OnceValues(func() (string, error) { return treeSum(filepath.Join(code.Root, "vendor"), nil) })
	go c.vendorSum()
	go selfSum()
	go c.phpSum()
}

// outputsChecked gives the files to write, and refuses what can be seen to be wrong before anything
// is done.
func (c *runCommand) outputsChecked(env *environment) ([]output, error) {
	if err := c.makeCache(); err != nil { // an output may lie beside it
		return nil, err
	}
	outputs, err := c.outputs()
	for _, check := range []func() error{c.checkHistory, c.checkSample, c.checkPool, func() error { return c.checkProve(env) }} {
		if err == nil {
			err = check()
		}
	}
	return outputs, err
}

// noteFacts has the result say with what, and how, the tests were run.
func (c *runCommand) noteFacts(r *mutate.Result, engine *exec.Engine) {
	facts := engine.Facts()
	if r.Engine = engine.Stats().Figures(); r.Engine != nil {
		r.Engine.Compiled = engine.Compilations()
	}
	r.PHP, r.PHPUnit = facts.PHP, facts.PHPUnit
	if facts.ViewReason != "" && !c.Cold {
		r.Notes = append(r.Notes, mutate.Note{Kind: "view", Text: "Workers use copies of the project, because " + facts.ViewReason + "."})
	}
	for _, text := range facts.Unconfined {
		r.Notes = append(r.Notes, mutate.Note{Kind: "confine", Text: text})
	}
}

// checkSample refuses numbers that mean nothing.
func (c *choiceOptions) checkSample() error {
	if c.Sample < 0 {
		return badValue("sample", strconv.Itoa(c.Sample), "%d: give a number of mutants, or 0 for all", c.Sample)
	}
	return nil
}

// judge fills in the verdicts. An interruption while mutants are judged leaves
// the result partial but true.
func (c *runCommand) judge(env *environment, code *codebase, engine *exec.Engine, asked *requests, r *mutate.Result, outputs []output) (err error) {
	bar := newProgress(env.stderr)
	defer bar.end()
	chosen := c.choose(code, asked, r)
	bar.begin(originalSuite, fmt.Sprintf(" (%s in %s)", many(len(chosen), "mutant"), many(len(code.Files), "file")))
	if !c.NoObserve {
		engine.Observe(chosen)
	}
	baseline, err := engine.Record(env.ctx, code.points, func(done, all int) { bar.step(done, all, "") })
	if err != nil {
		return err
	}
	c.baseline = baseline
	r.Tests, r.Suite = baseline.Tests, baseline.Suite
	if r.AllKills = c.AllKills; c.AllKills {
		engine.FindAllKills()
	}
	r.Notes = append(r.Notes, baseline.Notes...)
	// No test depends on what this program writes, and no verdict does.
	ours := append(slices.Clip(outputs), output{path: filepath.Join(code.Root, acceptName)})
	if c.Cache != "" {
		ours = append(ours, output{path: c.Cache})
	}
	planned := exec.Plan(chosen, baseline)
	tasks, err := baseline.LeaveOutElsewhere(planned)
	if err != nil {
		return err
	}
	if n := len(planned) - len(tasks); n > 0 {
		r.LeftOut += n
		r.Notes = append(r.Notes, mutate.Note{Kind: "left_out",
			Text: fmt.Sprintf("%s of files that no test can run were not judged.", many(n, "mutant"))})
	}
	return c.judgeTasks(env, code, engine, baseline, chosen, c.takePart(tasks, r), r, bar, ours)
}

// judgeTasks judges what is not known from an interrupted run, and keeps every
// verdict in the journal as it falls.
func (c *runCommand) judgeTasks(env *environment, code *codebase, engine *exec.Engine, baseline *exec.Baseline, chosen []*mutate.Mutant, tasks []exec.Task, r *mutate.Result, bar *progress, outputs []output) error {
	memory := c.remember(env, code, engine.Facts(), baseline, tasks, outputs)
	diary, err := c.openJournal(env, code, engine.Facts(), memory, outputs)
	if err != nil {
		return err
	}
	defer memory.save(env)
	var score mutate.Score
	count := func(v mutate.Verdict) {
		r.Verdicts = append(r.Verdicts, v)
		score.Add(v)
		memory.add(v)
	}
	all := len(tasks)
	whole := tasks
	if tasks, err = diary.settle(tasks, memory, baseline, func(v mutate.Verdict) {
		c.pool.know(v)
		count(v)
	}); err != nil {
		return errors.Join(err, diary.close())
	}
	if n := diary.stale; n > 0 {
		fmt.Fprintf(env.stderr, "assay: %s of the interrupted run rested on something that is not what it was, and will be judged again.\n", many(n, "verdict"))
	}
	tasks, reused, err := memory.settle(tasks, baseline, count)
	if err != nil {
		return errors.Join(err, diary.close())
	}
	c.reused = reused
	before := memory.said(reused)
	if n := all - len(tasks) - reused; n > 0 {
		before += fmt.Sprintf("; %s were judged before the interruption", many(n, "mutant"))
	}
	judge := engine.Judge
	if c.pool != nil {
		judge = c.pool.judging(&offer{c: c, env: env, code: code, engine: engine, baseline: baseline, memory: memory, chosen: chosen, tasks: whole, bar: bar})
	}
	bar.begin(judgingStage(len(tasks)), fmt.Sprintf(" with %s and %s%s", many(len(baseline.Tests), "test"), c.judges(), before))
	ctx, stop := context.WithCancelCause(env.ctx)
	defer stop(nil)
	each := func(v mutate.Verdict) {
		if err := diary.add(v, memory); err != nil {
			stop(err)
			return
		}
		count(v)
		bar.step(score.Total, all, fmt.Sprintf(", %d killed, %d survived%s", score.Killed+score.TimedOut, score.Survived, c.pool.said()))
	}
	spent, err := c.judgeWithin(ctx, judge, baseline, tasks, each)
	if cause := context.Cause(ctx); err != nil && cause != nil && env.ctx.Err() == nil {
		err = cause
	}
	c.countLeftOut(r, all, score.Total, spent)
	c.pool.end(env, err)
	if err != nil {
		return errors.Join(err, diary.close())
	}
	return diary.finish()
}

// judges says how many judge.
func (c *runCommand) judges() string {
	if c.pool != nil {
		return "the workers of the pool"
	}
	return many(c.workers(), "worker")
}

// A judge judges as exec.Engine.Judge does.
type judge func(ctx context.Context, b *exec.Baseline, tasks []exec.Task, each func(mutate.Verdict)) error

// openJournal opens the journal of this project for these options.
func (c *runCommand) openJournal(env *environment, code *codebase, facts exec.Facts, m *memory, outputs []output) (*journal, error) {
	key, err := journalKey(code, facts, []any{c.Paths, c.sourceOptions, c.PHPUnit, c.PHPUnitConfig, c.TestSuite, c.Group, c.confineOptions,
		int64(c.MemoryLimit), c.Cold, c.Sample, c.Seed, int64(c.Budget), c.ChangedFrom, c.AllKills, c.Shard.String(), c.ShardBy}, m, outputs)
	if err != nil {
		return nil, err
	}
	path, err := c.kept(code.Name, code.Root).journal()
	var j *journal
	if err == nil {
		j, err = openJournal(path, key, c.Resume)
	}
	if err != nil && statusOf(err) != statusUsage {
		if c.Resume {
			return nil, usagef("--resume: the journal of the interrupted run cannot be had: %v", err)
		}
		fmt.Fprintf(env.stderr, "assay: if this run is interrupted it cannot be gone on with: %v\n", err)
		return &journal{}, nil
	}
	if err == nil && j.note != "" {
		fmt.Fprintln(env.stderr, "assay:", j.note)
	}
	return j, err
}

// judgeWithin judges what the budget leaves time for, or all where there is none, and reports
// whether it was spent. Mutants that no test reaches take no time; they are given only as
// far as the others came, or they would weigh too much in the figures.
func (c *runCommand) judgeWithin(ctx context.Context, judge judge, baseline *exec.Baseline, tasks []exec.Task, each func(mutate.Verdict)) (spent bool, err error) {
	if c.Budget <= 0 {
		return false, judge(ctx, baseline, tasks, each)
	}
	var reached, unreached []exec.Task
	place := map[*mutate.Mutant]int{}
	for i, t := range tasks {
		place[t.Mutant] = i
		if len(t.Pairs) > 0 {
			reached = append(reached, t)
		} else {
			unreached = append(unreached, t)
		}
	}
	limited, cancel := context.WithTimeout(ctx, time.Duration(c.Budget))
	defer cancel()
	furthest := 0
	err = judge(limited, baseline, reached, func(v mutate.Verdict) {
		furthest = max(furthest, place[v.Mutant])
		each(v)
	})
	switch {
	case err == nil:
		furthest = len(tasks)
	case errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil:
		spent = true
	default:
		return false, err
	}
	unreached = slices.DeleteFunc(unreached, func(t exec.Task) bool { return place[t.Mutant] > furthest })
	return spent, judge(ctx, baseline, unreached, each)
}

// choose gives the mutants to judge, in the order of judging, and settles
// those that need no judging.
func (c *runCommand) choose(code *codebase, asked *requests, r *mutate.Result) []*mutate.Mutant {
	candidates := code.mutants
	if asked.changes != nil {
		candidates = asked.changes.only(candidates, r)
	}
	var chosen []*mutate.Mutant
	for _, m := range candidates {
		if m.Skipped != "" {
			r.Verdicts = append(r.Verdicts, mutate.Verdict{Mutant: m, Status: mutate.Skipped})
			continue
		}
		chosen = append(chosen, m)
	}
	if c.Sample <= 0 && c.Budget == 0 {
		return chosen
	}
	all := len(chosen)
	changed := 0
	if c.Budget > 0 {
		chosen, changed = changedFirst(chosen, gitChanges(code.Root), c.Seed)
	} else {
		chosen = spread(chosen, c.Seed)
	}
	if changed > 0 && changed < all {
		r.Notes = append(r.Notes, mutate.Note{Kind: "order",
			Text: fmt.Sprintf("The %s on lines that git reports as changed were judged first.", many(changed, "mutant"))})
	}
	if c.Sample > 0 && c.Sample < all {
		chosen = chosen[:c.Sample]
		r.LeftOut += all - c.Sample
		r.Notes = append(r.Notes, mutate.Note{Kind: "left_out",
			Text: fmt.Sprintf("A sample of %d of %s was judged, spread over classes and operators (seed %d). Small classes weigh as much in it as large ones: its score is not that of the whole.",
				c.Sample, many(all, "mutant"), c.Seed)})
	}
	return chosen
}

// countLeftOut notes what the budget or an interruption did not leave time for.
func (c *runCommand) countLeftOut(r *mutate.Result, all, judged int, spent bool) {
	if judged == all {
		return
	}
	r.Partial = true
	r.LeftOut += all - judged
	budget, kind, ended := "", "left_out", report.Interrupted
	if spent {
		budget, ended = time.Duration(c.Budget).String(), report.EndedByBudget
	}
	if r.Part != nil {
		r.Part.Ended, kind = ended, report.PartNote
	}
	r.Notes = append(r.Notes, mutate.Note{Kind: kind, Text: report.EndedText(budget, judged, all)})
}

// report shows and writes the result, keeps it for inspect, and compares it with
// the bar.
func (c *runCommand) report(env *environment, code *codebase, r *mutate.Result, outputs []output) error {
	o := c.reportOptions(env.stdout, code.prefix)
	o.Timings, o.Brief, o.Equivalents = c.Timings, !c.All, c.Equivalents
	if err := report.Text(env.stdout, r, o); err != nil {
		return fmt.Errorf("the report: %w", err)
	}
	if err := writeOutputs(outputs, r, c.Timings, c.EditorURL); err != nil {
		return err
	}
	if err := saveLastRun(r); err != nil {
		fmt.Fprintf(env.stderr, "assay: this result is not kept for assay inspect: %v\n", err)
	}
	if err := c.addToHistory(env, code, r, outputs); err != nil {
		return err
	}
	total := report.Total(r)
	if total.Broken > 0 {
		return fmt.Errorf("%s could not be judged; the report names them", many(total.Broken, "mutant"))
	}
	if r.Part != nil {
		return nil // the bar is for the whole
	}
	return c.bar(r, total)
}

// bar is the error of a result that is not good enough.
func (c *answerOptions) bar(r *mutate.Result, total mutate.Score) (err error) {
	score, ok := total.Value()
	if c.FailUnder.given && ok && score < c.FailUnder.value {
		err = fmt.Errorf("%w: %.2f %% is less than %v %%", errBelow, score, c.FailUnder.value)
	}
	if c.FailOnNew {
		err = errors.Join(err, failOnNew(r))
	}
	return err
}

func many(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
