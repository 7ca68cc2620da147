//go:build linux

package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"assay/exec"
	"assay/mutate"
	"assay/operators"
	"assay/report"
)

type proveCommand struct {
	What []string `arg:"" optional:"" name:"what" help:"Only these survivors (IDs, or the beginnings or ends of IDs), or those of these files, folders or patterns."`
	sourceOptions
	suiteOptions
	proofOptions
	Seed  uint64   `name:"seed" toml:"seed" default:"1" placeholder:"N" help:"Try other arguments." group:"proof"`
	Write []string `name:"write" toml:"-" placeholder:"FORMAT=FILE" sep:"none" help:"Write the last run's result with its proofs to FILE; repeatable. proofs=DIR writes a diff for each proof into a folder. Formats: ${formats}." group:"answer"`
	screenOptions
}

// run finds the survivors of the last run, and looks for a test for each.
func (c *proveCommand) run(env *environment) error {
	began := time.Now()
	outputs, err := parseOutputs(c.Write, true)
	if err != nil {
		return err
	}
	if err := checkConfined(env, c.Confine); err != nil {
		return err
	}
	ids, paths := c.split()
	code, err := load(env.ctx, c.sourceOptions, &c.suiteOptions, paths)
	if err != nil {
		return err
	}
	last, survivors, err := c.survivors(env, code, ids)
	if err != nil {
		return err
	}
	engine, err := c.open(env, code)
	if err != nil {
		return err
	}
	defer c.close(env, engine)
	s := &proofSearch{env: env, code: code, engine: engine, options: c.proofOptions, seed: c.Seed, unconfined: !c.Confine, began: began, jobs: c.workers()}
	err = s.all(survivors.chosen, survivors.all)
	if err != nil && !(errors.Is(err, env.ctx.Err()) && len(s.attempts) > 0) {
		return err
	}
	return errors.Join(c.tell(env, code, last, s, outputs), err)
}

// checkConfined refuses to make calls with made-up arguments where nothing confines them,
// unless that was said on this very command line.
func checkConfined(env *environment, confine bool) error {
	if !confine && env.config.given["confine"] {
		return usagef("%s turns confinement off, and to look for tests is to call code with made-up arguments, which may do harm that the tests never do. "+
			"Give --no-confine on the command line if the code may reach all that you can reach, or --confine", env.config.path)
	}
	return nil
}

func (c *runCommand) checkProve(env *environment) error {
	if !c.Prove {
		return nil
	}
	return checkConfined(env, c.Confine)
}

// prove looks for tests for what has survived, if that was asked for, and puts them into the
// result.
func (c *runCommand) prove(env *environment, code *codebase, engine *exec.Engine, r *mutate.Result, outputs []output) error {
	var survived []*mutate.Mutant
	for _, v := range r.Verdicts {
		if v.Status == mutate.Survived {
			survived = append(survived, v.Mutant)
		}
	}
	if !c.Prove || len(survived) == 0 {
		return nil
	}
	mutate.Sort(survived)
	s := &proofSearch{env: env, code: code, engine: engine, options: c.proofOptions, seed: c.Seed, unconfined: !c.Confine, began: time.Now(), jobs: c.workers()}
	bar := newProgress(env.stderr)
	err := s.within(bar, c.baseline, survived, survived)
	bar.end()
	err = errors.Join(err, s.writeDiffs(outputs))
	of := map[*mutate.Mutant]mutate.Attempt{}
	for _, a := range s.attempts {
		of[a.Mutant] = a
	}
	for i := range r.Verdicts {
		v := &r.Verdicts[i]
		if a, ok := of[v.Mutant]; ok {
			v.Proof, v.Seen = a.Proof, v.Seen.With(a.Seen)
		}
	}
	if len(s.attempts) > 0 {
		r.Notes = append(r.Notes, mutate.Note{Kind: "proofs", Text: report.AttemptsSaid(s.attempts)})
	}
	return err
}

// split parts what is named on the command line into IDs and paths.
func (c *proveCommand) split() (ids, paths []string) {
	for _, what := range c.What {
		_, err := os.Stat(what)
		if err == nil || strings.ContainsAny(what, `/*?[{`) || strings.HasSuffix(what, ".php") {
			paths = append(paths, what)
		} else {
			ids = append(ids, what)
		}
	}
	return ids, paths
}

// survivors are mutants that have survived in the last run.
type survivors struct {
	chosen, all []*mutate.Mutant
}

// survivors looks up the last run.
func (c *proveCommand) survivors(env *environment, code *codebase, ids []string) (*report.Document, *survivors, error) {
	last, err := lastRun(code.Root)
	if err != nil {
		return nil, nil, usagef("the last run cannot be read: %v; assay run makes another", err)
	}
	if last == nil {
		return nil, nil, usagef("no run of this project is on record, and so no survivor is known; assay run makes one")
	}
	status := map[string]string{}
	for i := range last.Mutants {
		status[last.Mutants[i].ID] = last.Mutants[i].Status
	}
	found, stale := &survivors{}, 0
	survived := mutate.Survived.String()
	for _, m := range code.mutants {
		if status[m.ID] != survived {
			continue
		}
		if f := last.File(m.Source.Path); f == nil || !f.Fits(m.Source.Text) {
			stale++
			continue
		}
		found.all = append(found.all, m)
	}
	found.chosen = found.all
	if len(ids) > 0 {
		if found.chosen, err = survivorsOf(code, found.all, status, ids); err != nil {
			return nil, nil, err
		}
	}
	if stale > 0 {
		fmt.Fprintf(env.stderr, "assay: %s of the last run left out, for their files have changed since; assay run judges them again.\n", many(stale, "survivor"))
	}
	return last, found, nil
}

// survivorsOf gives the survivors of some IDs.
func survivorsOf(code *codebase, all []*mutate.Mutant, status map[string]string, ids []string) ([]*mutate.Mutant, error) {
	var out []*mutate.Mutant
	for _, id := range ids {
		m, err := code.find(id)
		if err != nil {
			return nil, err
		}
		if !slices.Contains(all, m) {
			switch s := status[m.ID]; s {
			case "":
				return nil, usagef("%s: the last run did not judge this mutant; assay run does", m.ID)
			case mutate.Survived.String():
				return nil, usagef("%s: its file has changed since the last run; assay run judges it again", m.ID)
			default:
				return nil, usagef("%s: it is %s in the last run, and a test is looked for only for what has survived", m.ID, strings.ReplaceAll(s, "_", " "))
			}
		}
		if !slices.Contains(out, m) {
			out = append(out, m)
		}
	}
	return out, nil
}

// tell reports what was found, and keeps it with the last run.
func (c *proveCommand) tell(env *environment, code *codebase, last *report.Document, s *proofSearch, outputs []output) error {
	if err := s.writeDiffs(outputs); err != nil {
		return err
	}
	o := c.reportOptions(env.stdout, code.prefix)
	if err := report.Attempts(env.stdout, s.attempts, code.Root, o); err != nil {
		return fmt.Errorf("the report: %w", err)
	}
	for _, a := range s.attempts {
		last.SetAttempt(a)
	}
	if err := saveDocument(last, code.Root); err != nil {
		fmt.Fprintf(env.stderr, "assay: the proofs are not kept for assay inspect: %v\n", err)
	}
	if !slices.ContainsFunc(outputs, func(o output) bool { return !o.isProofs() }) {
		return nil
	}
	r, err := last.Result(func(path string) ([]byte, error) {
		return os.ReadFile(filepath.Join(code.Root, filepath.FromSlash(path)))
	}, operators.All())
	if err != nil {
		return usagef("--write: the last run's result cannot be written again, for it is about other files: %v; assay run makes another", err)
	}
	r.Root = code.Root
	return writeOutputs(outputs, r, false, c.EditorURL)
}
