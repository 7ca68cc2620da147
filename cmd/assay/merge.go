//go:build linux

package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"assay/mutate"
	"assay/mutate/project"
	"assay/operators"
	"assay/report"
)

type mergeCommand struct {
	Parts     []string `arg:"" name:"part" help:"The results of all parts, which assay run --shard K/N --write json=FILE wrote."`
	Project   string   `name:"project" toml:"-" placeholder:"DIR" default:"." help:"A directory of the project, if not this one; the source files are read there."`
	Config    string   `name:"config" toml:"-" placeholder:"FILE" help:"Options are read from FILE instead of the project's assay.toml."`
	Partial   bool     `name:"partial" toml:"-" help:"Take what there is, where parts are missing or were interrupted, and say in the report what is not there."`
	CacheFrom []string `name:"cache-from" toml:"-" placeholder:"DIR" sep:"none" help:"Take verdicts from the cache in DIR as well, as from that of another machine; repeatable."`
	cacheOptions
	answerOptions
}

// run puts the parts of a run together and goes on as the run in one piece does: it shows
// and writes the result, keeps it for assay inspect, adds to the history, and compares it
// with the bar.
func (c *mergeCommand) run(env *environment) error {
	if err := c.makeCache(); err != nil { // an output may lie beside it
		return err
	}
	outputs, err := parseOutputs(c.Write, false)
	for _, check := range []func() error{c.checkHistory, c.checkParts} {
		if err == nil {
			err = check()
		}
	}
	if err != nil {
		return err
	}
	docs, err := c.read()
	if err != nil {
		return err
	}
	var before *report.Document
	if c.ComparedWith != "" {
		if before, err = readBefore(c.ComparedWith); err != nil {
			return err
		}
	}
	root, err := c.root()
	if err != nil {
		return err
	}
	r, lost, err := restored(report.Merge(docs), root)
	if err != nil {
		return err
	}
	r.Root = root
	if before != nil {
		compareWith(before, r)
	}
	if err := c.report(env, r, lost, docs, outputs); err != nil {
		return err
	}
	total := report.Total(r)
	if total.Broken > 0 {
		return fmt.Errorf("%s could not be judged; the report names them", many(total.Broken, "mutant"))
	}
	return c.bar(r, total)
}

// checkParts refuses options that lead nowhere.
func (c *mergeCommand) checkParts() error {
	if len(c.CacheFrom) > 0 && c.Cache == "" {
		return usagef("--cache-from: name the cache that is to take the verdicts in with --cache DIR")
	}
	for _, dir := range c.CacheFrom {
		if info, err := os.Stat(dir); err != nil || !info.IsDir() {
			return badValue("cache-from", dir, "%s: there is no such folder", dir)
		}
	}
	seen := map[string]bool{}
	for _, path := range c.Parts {
		if seen[path] {
			return usagef("%s is named twice", path)
		}
		seen[path] = true
	}
	return nil
}

// read gives the parts, once it is known that they are of one run.
func (c *mergeCommand) read() ([]*report.Document, error) {
	var docs []*report.Document
	for _, path := range c.Parts {
		d, err := readResult(path)
		if err != nil {
			return nil, err
		}
		docs = append(docs, d)
	}
	if err := report.CheckParts(c.Parts, docs, c.Partial); err != nil {
		return nil, usageError{err}
	}
	for i, d := range docs {
		if c.Timings && d.ElapsedMS == nil {
			return nil, usagef("--timings: %s has no times; it was written without --timings", c.Parts[i])
		}
	}
	return docs, nil
}

// readResult reads a result file that the command line names.
func readResult(path string) (*report.Document, error) {
	f, err := os.Open(path)
	if err != nil {
		var at *fs.PathError
		if errors.As(err, &at) {
			err = at.Err
		}
		return nil, usagef("%s: %v; name a file that --write json=FILE wrote", path, err)
	}
	defer f.Close()
	d, err := report.ReadJSON(f)
	if err != nil {
		return nil, usagef("%s: %v", path, err)
	}
	return d, nil
}

// root finds the project's root as a run does. Where no source is to be found, as in a job
// that has only the parts, it is the directory that was named.
func (c *mergeCommand) root() (string, error) {
	if p, err := project.Find(c.Project, project.Options{SourceOnly: true}); err == nil {
		return p.Root, nil
	}
	root, err := filepath.Abs(c.Project)
	if err == nil {
		root, err = filepath.EvalSymlinks(root)
	}
	if err != nil {
		return "", usagef("--project %s: %v", c.Project, err)
	}
	return root, nil
}

// restored makes a result of a document and of the sources below a root, as far as they
// are what was judged; lost are the others.
func restored(d *report.Document, root string) (*mutate.Result, []string, error) {
	tree, err := os.OpenRoot(root) // paths of the file may lead nowhere else
	if err != nil {
		return nil, nil, usagef("--project %s: %v", root, err)
	}
	defer tree.Close()
	r, lost, err := d.Restore(func(path string) ([]byte, error) { return readRegular(tree, path) }, operators.All())
	if err != nil {
		return nil, nil, usageError{err}
	}
	return r, lost, nil
}

// report shows and writes the result, and keeps what is kept of a run. A result file does
// not say which sources are not here: it holds the sums of those that were judged.
func (c *mergeCommand) report(env *environment, r *mutate.Result, lost []string, docs []*report.Document, outputs []output) error {
	for _, n := range r.Notes {
		if n.Kind == report.SourceLost {
			fmt.Fprintf(env.stderr, "assay: %s: %s\n", n.Path, n.Text)
		}
	}
	o := c.reportOptions(env.stdout, prefixTo(r.Root))
	o.Timings, o.Brief, o.Equivalents = c.Timings, !c.All, c.Equivalents
	if err := report.Text(env.stdout, r, o); err != nil {
		return fmt.Errorf("the report: %w", err)
	}
	bare := *r
	bare.Notes = slices.DeleteFunc(slices.Clone(r.Notes), func(n mutate.Note) bool { return n.Kind == report.SourceLost })
	for _, out := range outputs {
		from := r
		if out.format.Name == "json" {
			from = &bare
		}
		if err := writeOutputs([]output{out}, from, c.Timings, c.EditorURL); err != nil {
			return err
		}
	}
	if len(lost) == 0 {
		if err := saveLastRun(r); err != nil {
			fmt.Fprintf(env.stderr, "assay: this result is not kept for assay inspect: %v\n", err)
		}
	}
	if c.Cache != "" {
		if err := c.mergeCaches(env, docs[0].Part.Project); err != nil {
			return err
		}
	}
	return c.addToHistory(env, r, docs, outputs)
}

// addToHistory adds a line for a run all of whose parts are there and judged all that they
// were about. It began with the first part, and took as long as the longest.
func (c *mergeCommand) addToHistory(env *environment, r *mutate.Result, docs []*report.Document, outputs []output) error {
	if c.History == "" {
		return nil
	}
	first := docs[0].Part
	if r.Partial || r.LeftOut > 0 || first.Options["changed-from"] != "" || report.Total(r).Broken > 0 {
		fmt.Fprintf(env.stderr, "assay: this run did not judge all mutants and is not added to %s\n", c.History)
		return nil
	}
	before, err := readHistory(c.History)
	if err != nil {
		return err
	}
	when, reused, seconds := first.When, 0, 0.0
	for _, d := range docs {
		if d.Part.When.Before(when) {
			when = d.Part.When
		}
		reused, seconds = reused+d.Part.Reused, max(seconds, d.Part.Seconds)
	}
	timed := *r
	timed.Elapsed = time.Duration(seconds * float64(time.Second))
	rec := report.RecordOf(&timed, before, when, first.Scope, first.Commit, len(r.Verdicts)-reused)
	return addRecord(c.History, rec, outputs)
}

// mergeCaches puts the verdicts of all parts, and of other caches, into one volume of the
// cache that was given.
func (c *mergeCommand) mergeCaches(env *environment, key string) error {
	n, err := mergeVolumes(filepath.Join(c.Cache, key), c.CacheFrom)
	if err != nil {
		return usagef("--cache %s: %v", c.Cache, err)
	}
	if n == 0 {
		fmt.Fprintf(env.stderr, "assay: --cache %s: there are no verdicts of this project%s\n", c.Cache, and(c.CacheFrom))
	}
	return nil
}

func and(dirs []string) string {
	if len(dirs) == 0 {
		return ""
	}
	return ", nor in " + strings.Join(dirs, ", ")
}
