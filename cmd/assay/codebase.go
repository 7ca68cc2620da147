//go:build linux

package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"assay/mutate"
	"assay/mutate/project"
	"assay/mutate/syntax"
	"assay/operators"
)

// A codebase is a project with its mutants.
type codebase struct {
	*project.Project
	operators []*mutate.Operator
	points    []*mutate.Points // of each file, in order
	mutants   []*mutate.Mutant // in the order of mutate.Sort, IDs unique
	notes     []mutate.Note
	faults    []error                     // in comments that skip mutants
	every     map[string][]*mutate.Mutant // by file; see everyMutantOf
	began     time.Time                   // before anything of it was read
	prefix    string                      // from where the user stands to the root, for paths in reports
	making    func() error                // makes the mutants, once; or waits until they are made
	ctx       context.Context             // of the command: what goes through files ends with it
}

// load finds the project and makes its mutants. suite is nil when nothing is
// to be run.
func load(ctx context.Context, o sourceOptions, suite *suiteOptions, paths []string) (*codebase, error) {
	c, err := begin(ctx, o, suite, paths)
	if err != nil {
		return nil, err
	}
	return c, c.making()
}

// begin finds the project and begins to make its mutants; nothing but the project
// itself is known until making has returned.
func begin(ctx context.Context, o sourceOptions, suite *suiteOptions, paths []string) (*codebase, error) {
	if suite != nil {
		if err := suite.check(); err != nil {
			return nil, err
		}
		makeStateDir()
	}
	began := time.Now()
	ops, err := chooseOperators(o)
	if err != nil {
		return nil, err
	}
	opts := project.Options{Paths: paths, Exclude: o.Exclude, PHP: o.PHP, SourceOnly: suite == nil}
	if suite != nil {
		opts.PHPUnit, opts.PHPUnitConfig = suite.PHPUnit, suite.PHPUnitConfig
		opts.Chosen = len(suite.Group)+len(suite.TestSuite) > 0
	}
	p, err := project.Find(o.Project, opts)
	if err != nil {
		return nil, err
	}
	c := &codebase{Project: p, operators: ops, notes: slices.Clone(p.Notes), prefix: prefixTo(p.Root), began: began, ctx: ctx}
	c.making = sync.OnceValue(func() error {
		r := &reader{php: cmp.Or(p.PHP, o.PHP, "php")}
		defer r.close()
		err := c.generate(r)
		if r.fault != nil && suite != nil && ctx.Err() == nil {
			// A score of the files that are easy to read would be another project's.
			return fmt.Errorf("PHP cannot be asked how it reads the source files: %w", r.fault)
		}
		return err
	})
	go c.making()
	return c, nil
}

// prefixTo gives what must stand before paths of the project so that an editor
// that is told them from here finds the file.
func prefixTo(root string) string {
	here, err := os.Getwd()
	if err == nil {
		here, err = filepath.EvalSymlinks(here)
	}
	if err != nil || here == root {
		return ""
	}
	if rel, err := filepath.Rel(here, root); err == nil && !strings.HasPrefix(rel, filepath.Join("..", "..", "..")) {
		return filepath.ToSlash(rel) + "/"
	}
	return filepath.ToSlash(root) + "/"
}

// fileBatch bounds how many trees are in memory at a time.
const fileBatch = 64

func (c *codebase) generate(r *reader) error {
	next := mutate.FileLevel + 1
	for batch := range slices.Chunk(c.Files, fileBatch) {
		files := make([]*syntax.File, len(batch))
		sources := make([]*mutate.Source, len(batch))
		faults := make([]error, len(batch))
		g := new(errgroup.Group)
		g.SetLimit(runtime.GOMAXPROCS(0))
		for i, path := range batch {
			g.Go(func() (err error) {
				if sources[i], err = c.Read(path); err == nil {
					files[i], faults[i] = r.read(c.ctx, path, sources[i].Text)
				}
				return err
			})
		}
		err := g.Wait()
		if c.ctx.Err() != nil {
			return c.ctx.Err()
		}
		if err != nil {
			return &project.Error{Kind: project.NoSource, Fault: err.Error(), Advice: "make it readable, or leave it out with --exclude"}
		}
		if next, err = c.generateFiles(files, sources, faults, next); err != nil {
			return err
		}
	}
	mutate.Sort(c.mutants)
	mutate.Disambiguate(c.mutants)
	return errors.Join(c.faults...)
}

// generateFiles takes the trees of a batch and gives the next free point. The error is
// the context's.
func (c *codebase) generateFiles(files []*syntax.File, sources []*mutate.Source, faults []error, next int) (int, error) {
	made := make([][]*mutate.Mutant, len(files))
	stale, wrong := make([][]mutate.Note, len(files)), make([]error, len(files))
	g := new(errgroup.Group)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i, f := range files {
		if f == nil {
			c.notes = append(c.notes, mutate.Note{Kind: "damage", Path: sources[i].Path,
				Text: faults[i].Error() + "; the file was left alone."})
			continue
		}
		c.noteDamage(f)
		points := mutate.Layout(f, sources[i], next)
		next += points.Count
		c.points = append(c.points, points)
		g.Go(func() error {
			made[i] = mutate.Generate(f, sources[i], c.operators, points)
			stale[i], wrong[i] = obeyComments(f, sources[i], made[i])
			return nil
		})
	}
	g.Wait() // its functions give no error
	if c.ctx.Err() != nil {
		return next, c.ctx.Err() // what was made is not whole
	}
	for i, ms := range made {
		c.mutants = append(c.mutants, ms...)
		c.notes = append(c.notes, stale[i]...)
		if wrong[i] != nil {
			c.faults = append(c.faults, wrong[i])
		}
	}
	return next, nil
}

func (c *codebase) noteDamage(f *syntax.File) {
	for _, d := range slices.Concat(f.Damage, f.Doubts) {
		from, _ := f.Position(d.Start)
		to, _ := f.Position(max(d.Start, d.End-1))
		lines := fmt.Sprintf("line %d was", from)
		if to > from {
			lines = fmt.Sprintf("lines %d to %d were", from, to)
		}
		c.notes = append(c.notes, mutate.Note{Kind: "damage", Path: f.Path, Line: from,
			Text: fmt.Sprintf("%s left alone: %s.", lines, d.Reason)})
	}
}

// chooseOperators gives the operators that the options ask for, by ID. Those of
// the breadth are its own: core leaves quiet places alone.
func chooseOperators(o sourceOptions) ([]*mutate.Operator, error) {
	all := operators.All()
	begin, err := operators.Breadth(o.Breadth)
	if err != nil {
		return nil, usageError{err}
	}
	for i, op := range all {
		if at := slices.IndexFunc(begin, func(p *mutate.Operator) bool { return p.ID == op.ID }); at >= 0 {
			all[i] = begin[at]
		}
	}
	chosen := map[string]bool{}
	if len(o.Only) == 0 {
		for _, op := range begin {
			chosen[op.ID] = true
		}
	}
	for _, step := range []struct {
		flag  string
		names []string
		in    bool
	}{{"only", o.Only, true}, {"enable", o.Enable, true}, {"disable", o.Disable, false}} {
		for _, name := range step.names {
			found, err := named(all, name)
			if err != nil {
				return nil, badValue(step.flag, name, "%v", err)
			}
			for _, op := range found {
				chosen[op.ID] = step.in
			}
		}
	}
	out := slices.DeleteFunc(all, func(op *mutate.Operator) bool { return !chosen[op.ID] })
	if len(out) == 0 {
		return nil, usagef("no operator is left; --only, --enable and --disable take all of them out")
	}
	return out, nil
}

// named gives the operators of an ID, of a family, or of the last part of an ID
// that no other has.
func named(ops []*mutate.Operator, name string) ([]*mutate.Operator, error) {
	var family, short []*mutate.Operator
	for _, op := range ops {
		switch {
		case op.ID == name:
			return []*mutate.Operator{op}, nil
		case op.Family() == name:
			family = append(family, op)
		case strings.HasSuffix(op.ID, "/"+name):
			short = append(short, op)
		}
	}
	switch {
	case len(family) > 0:
		return family, nil
	case len(short) > 1:
		return nil, fmt.Errorf("%s is the name of %d operators; say which: %s", name, len(short), listed(short))
	case len(short) == 0:
		return nil, fmt.Errorf("there is no operator or family %s%s", name, meant(name, operatorNames(ops), "; assay operators lists them"))
	}
	return short, nil
}

// listed gives the IDs as in "a, b or c".
func listed(ops []*mutate.Operator) string {
	var b strings.Builder
	for i, op := range ops {
		switch {
		case i == 0:
		case i == len(ops)-1:
			b.WriteString(" or ")
		default:
			b.WriteString(", ")
		}
		b.WriteString(op.ID)
	}
	return b.String()
}

// operatorNames gives every name that named finds something for.
func operatorNames(ops []*mutate.Operator) []string {
	var out []string
	for _, op := range ops {
		if f := op.Family(); !slices.Contains(out, f) {
			out = append(out, f)
		}
		out = append(out, op.ID)
	}
	for _, op := range ops {
		out = append(out, strings.TrimPrefix(op.ID, op.Family()+"/"))
	}
	return out
}

// loadOne loads a project to look at one mutant. Where the breadth of the
// options does not make it, the whole set of operators is tried: the ID may
// come from a run with another breadth.
func loadOne(ctx context.Context, o sourceOptions, suite *suiteOptions, id string) (*codebase, *mutate.Mutant, error) {
	code, err := load(ctx, o, suite, nil)
	if err != nil {
		return nil, nil, err
	}
	m, err := code.find(id)
	if err == nil || o.Breadth == "wide" {
		return code, m, err
	}
	o.Breadth = "wide"
	if code, wide := load(ctx, o, suite, nil); wide == nil {
		if m, wide := code.find(id); wide == nil {
			return code, m, nil
		}
	}
	return nil, nil, err
}

// find gives the mutant of an ID, or of a part of one: its beginning or its
// end, if no other mutant has the same.
func (c *codebase) find(id string) (*mutate.Mutant, error) {
	var close []*mutate.Mutant
	var ids, codes []string
	for _, m := range c.mutants {
		if m.ID == id {
			return m, nil
		}
		if strings.HasPrefix(m.ID, id) || strings.HasSuffix(m.ID, id) {
			close = append(close, m)
		}
		ids = append(ids, m.ID)
		codes = append(codes, m.ID[strings.LastIndexByte(m.ID, '.')+1:])
	}
	switch len(close) {
	case 1:
		return close[0], nil
	case 0:
		if _, err := named(operators.All(), id); err == nil {
			return nil, usagef("%s is an operator or a family of them and no ID; assay list --only %s prints the IDs of its mutants", id, id)
		}
		all := append(ids, codes...)
		return nil, usagef("%s is not the ID of a mutant%s", id, meant(id, all, "; assay list prints the IDs"))
	}
	var names []string
	for _, m := range close[:min(5, len(close))] {
		names = append(names, m.ID)
	}
	more := ""
	if n := len(close) - len(names); n > 0 {
		more = fmt.Sprintf(" and %d more", n)
	}
	return nil, usagef("%s may be any of %s%s; write more of it", id, strings.Join(names, ", "), more)
}
