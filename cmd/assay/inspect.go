//go:build linux

package main

import (
	"bufio"
	"errors"
	"fmt"
	"strings"

	"assay/exec"
	"assay/mutate"
	"assay/report"
)

type listCommand struct {
	Paths []string `arg:"" optional:"" name:"path" help:"Only these files, folders or patterns."`
	sourceOptions
}

func (c *listCommand) defaultPaths(paths []string) {
	if len(c.Paths) == 0 {
		c.Paths = paths
	}
}

// run prints a line a mutant: ID, position, operator, what is replaced and by
// what, parted by tabs.
func (c *listCommand) run(env *environment) error {
	code, err := load(env.ctx, c.sourceOptions, nil, c.Paths)
	if err != nil {
		return err
	}
	w := bufio.NewWriter(env.stdout)
	for _, m := range code.mutants {
		fmt.Fprintf(w, "%s\t%s%s:%d:%d\t%s\t%s\n", m.ID, code.prefix, m.Source.Path, m.Line, m.Column, m.Op.ID, report.Change(m))
	}
	for _, n := range code.notes {
		fmt.Fprintf(env.stderr, "assay: %s\n", noteLine(n, code.prefix))
	}
	return w.Flush()
}

func noteLine(n mutate.Note, prefix string) string {
	switch {
	case n.Path != "" && n.Line > 0:
		return fmt.Sprintf("%s%s:%d: %s", prefix, n.Path, n.Line, n.Text)
	case n.Path != "":
		return fmt.Sprintf("%s%s: %s", prefix, n.Path, n.Text)
	}
	return n.Text
}

type inspectCommand struct {
	ID string `arg:"" help:"The mutant, or the beginning or end of its ID."`
	sourceOptions
	screenOptions
}

func (c *inspectCommand) run(env *environment) error {
	code, m, err := loadOne(env.ctx, c.sourceOptions, nil, c.ID)
	if err != nil {
		return err
	}
	o := c.reportOptions(env.stdout, code.prefix)
	found, known := lookUp(env, code.Root, m)
	if err := report.Mutant(env.stdout, m, code.Root, o); err != nil {
		return err
	}
	_, err = fmt.Fprintf(env.stdout, "\n%s", report.Finding(found, known, o))
	return err
}

// lookUp gives the verdict of the last run on a mutant, and says in a sentence
// where none is known or what it is worth.
func lookUp(env *environment, root string, m *mutate.Mutant) (*mutate.Verdict, string) {
	d, err := lastRun(root)
	switch {
	case err != nil:
		fmt.Fprintf(env.stderr, "assay: the last run cannot be read: %v\n", err)
		return nil, "The last run cannot be read."
	case d == nil:
		return nil, "No run of this project is on record; assay run makes one."
	}
	e := d.Find(m.ID)
	if e == nil {
		return nil, "The last run did not judge this mutant."
	}
	remark := ""
	if f := d.File(m.Source.Path); f == nil || !f.Fits(m.Source.Text) {
		remark = "The file has changed since the last run; this was found out before."
	}
	v, err := d.Verdict(e, m)
	if err != nil {
		return nil, "The last run cannot be read: " + err.Error() + "."
	}
	return &v, remark
}

type tryCommand struct {
	ID string `arg:"" help:"The mutant, or the beginning or end of its ID."`
	sourceOptions
	suiteOptions
	observeOptions
	screenOptions
}

func (c *tryCommand) run(env *environment) error {
	code, m, err := loadOne(env.ctx, c.sourceOptions, &c.suiteOptions, c.ID)
	if err != nil {
		return err
	}
	engine, err := c.open(env, code)
	if err != nil {
		return err
	}
	defer c.close(env, engine)
	o := c.reportOptions(env.stdout, code.prefix)
	if err := report.Mutant(env.stdout, m, code.Root, o); err != nil {
		return err
	}
	v, err := c.try(env, code, engine, m)
	if err != nil {
		return err
	}
	env.printf("\n%s", report.Finding(&v, "", o))
	if v.Status == mutate.Broken {
		return errors.New("the mutant could not be judged: " + v.Detail)
	}
	return nil
}

func (c *tryCommand) try(env *environment, code *codebase, engine *exec.Engine, m *mutate.Mutant) (mutate.Verdict, error) {
	bar := newProgress(env.stderr)
	defer bar.end()
	bar.begin(originalSuite, "")
	if !c.NoObserve {
		engine.Observe([]*mutate.Mutant{m})
	}
	baseline, err := engine.Record(env.ctx, code.points, func(done, all int) { bar.step(done, all, "") })
	if err != nil {
		return mutate.Verdict{}, err
	}
	bar.end()
	task := exec.Plan([]*mutate.Mutant{m}, baseline)[0]
	fmt.Fprint(env.stdout, "\nPHPUnit on this mutant:\n\n")
	return engine.Try(env.ctx, baseline, task, env.stdout)
}

type operatorsCommand struct {
	Names []string `arg:"" optional:"" name:"name" help:"Operators or families to explain in full."`
}

func (c *operatorsCommand) run(env *environment) error {
	all, err := chooseOperators(sourceOptions{Breadth: "wide"})
	if err != nil {
		return err
	}
	if len(c.Names) == 0 {
		return report.Operators(env.stdout, all)
	}
	for i, name := range c.Names {
		found, err := named(all, name)
		if err != nil {
			return usageError{err}
		}
		for j, op := range found {
			if i+j > 0 {
				fmt.Fprintln(env.stdout)
			}
			if err := report.Operator(env.stdout, op); err != nil {
				return err
			}
		}
	}
	return nil
}

func indented(s string) string { return "      " + strings.ReplaceAll(s, "\n", "\n      ") }
