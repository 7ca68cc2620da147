//go:build linux

package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"assay/mutate"
	"assay/mutate/project"
	"assay/report"
)

type historyCommand struct {
	History string `name:"history" toml:"history" placeholder:"FILE" help:"The history that runs with this option add to."`
	Last    int    `name:"last" toml:"-" default:"0" placeholder:"N" help:"Look at the last N runs; 0 is all."`
	Project string `name:"project" toml:"-" placeholder:"DIR" default:"." help:"A directory of the project, for its assay.toml and its name."`
	Config  string `name:"config" toml:"-" placeholder:"FILE" help:"The options file, if not assay.toml."`
	Write   string `name:"write" toml:"-" placeholder:"html=FILE" help:"Write charts to FILE, to be read in a browser, instead of showing the trend."`
	screenOptions
}

// run shows what became of the score, the survivors and the time.
func (c *historyCommand) run(env *environment) error {
	if c.History == "" {
		return usagef("there is no history; name one with --history FILE or the key history of assay.toml, and give it to assay run as well")
	}
	format, path, ok := strings.Cut(c.Write, "=")
	switch {
	case c.Write != "" && format != "html":
		return usagef("--write %s: a history can be written as html=FILE only", c.Write)
	case c.Write != "" && (!ok || path == ""):
		return usagef("--write %s: write it as html=FILE", c.Write)
	case c.Last < 0:
		return usagef("--last %d: give a number of runs, or 0 for all", c.Last)
	}
	records, err := readHistory(c.History)
	if err != nil {
		return err
	}
	if len(records) == 0 {
		return usagef("%s has no run yet; assay run --history %s adds one", c.History, c.History)
	}
	same, others := report.Comparable(records, c.Last)
	if c.Write == "" {
		return report.HistoryText(env.stdout, same, others, c.reportOptions(env.stdout, ""))
	}
	name := filepath.Base(c.History)
	if p, err := project.Find(c.Project, project.Options{SourceOnly: true}); err == nil {
		name = p.Name
	}
	o := report.TrendOptions{Project: name, Others: others, PageOf: pagesOf(c.History, path, records)}
	if err := report.WriteFile(path, func(w io.Writer) error { return report.HistoryHTML(w, same, o) }); err != nil {
		return usageError{err}
	}
	return nil
}

// pagesOf finds the page of a run, as seen from the file that is to be written.
// Where several runs wrote the same file, it is the newest one's.
func pagesOf(history, written string, records []report.Record) func(*report.Record) string {
	at := func(r *report.Record) string {
		if r.Page == "" || filepath.IsAbs(r.Page) {
			return r.Page
		}
		return filepath.Join(filepath.Dir(history), filepath.FromSlash(r.Page))
	}
	newest := map[string]time.Time{}
	for i := range records {
		newest[at(&records[i])] = records[i].When
	}
	return func(r *report.Record) string {
		page := at(r)
		if page == "" || !newest[page].Equal(r.When) || !isFile(page) {
			return ""
		}
		return (&url.URL{Path: relativePath(filepath.Dir(written), page)}).String()
	}
}

// readHistory gives the records of a history; none where there is no file.
func readHistory(path string) ([]report.Record, error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, usageError{err}
	}
	records, err := report.ReadHistory(bytes.NewReader(text))
	if err != nil {
		return nil, usagef("%s: %v", path, err)
	}
	return records, nil
}

// checkHistory refuses before a long run what could not be added to after it.
func (c *answerOptions) checkHistory() error {
	if c.History == "" {
		return nil
	}
	if info, err := os.Stat(filepath.Dir(c.History)); err != nil || !info.IsDir() {
		return usagef("--history %s: there is no folder %s; make it first", c.History, filepath.Dir(c.History))
	}
	_, err := readHistory(c.History)
	if err == nil {
		if err = checkWritable(c.History); err != nil {
			err = badValue("history", c.History, "%v", err)
		}
	}
	return err
}

// addToHistory adds a line for a run that judged all that it was about.
func (c *runCommand) addToHistory(env *environment, code *codebase, r *mutate.Result, outputs []output) error {
	if c.History == "" || r.Part != nil {
		return nil
	}
	if r.Partial || r.LeftOut > 0 || c.ChangedFrom != "" || report.Total(r).Broken > 0 {
		fmt.Fprintf(env.stderr, "assay: this run did not judge all mutants and is not added to %s\n", c.History)
		return nil
	}
	before, err := readHistory(c.History)
	if err != nil {
		return err
	}
	rec := report.RecordOf(r, before, code.began, c.scope(code), commitOf(code.Root), len(r.Verdicts)-c.reused)
	return addRecord(c.History, rec, outputs)
}

// addRecord adds a line to a history, with the page that was written.
func addRecord(history string, rec report.Record, outputs []output) error {
	for _, out := range outputs {
		if out.format.Name == "html" {
			rec.Page = relativePath(filepath.Dir(history), out.path)
		}
	}
	line, err := rec.Line()
	if err != nil {
		return err
	}
	if err := appendLine(history, line); err != nil {
		return usagef("the history cannot be added to: %v", err)
	}
	return nil
}

// scope is equal for runs over the same paths with the same operators.
func (c *runCommand) scope(code *codebase) string {
	var ops []string
	for _, op := range code.operators {
		ops = append(ops, op.ID)
	}
	return sumOf(append(append(append([]string{"paths"}, c.inProject(code)...), "exclude"), append(c.Exclude, ops...)...)...)[:12]
}

// commitOf gives git's commit in short, "" where there is none.
func commitOf(root string) string {
	out, err := git(root, "rev-parse", "--short=12", "HEAD")
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(out))
}

// relativePath gives a file as seen from a directory, with "/"; as it is where
// that cannot be said.
func relativePath(dir, file string) string {
	from, err := filepath.Abs(dir)
	to, fault := filepath.Abs(file)
	if rel, none := filepath.Rel(from, to); err == nil && fault == nil && none == nil {
		return filepath.ToSlash(rel)
	}
	return file
}

// inProject gives the paths that were asked for, relative to the root, so that
// a run from elsewhere has the same scope.
func (c *runCommand) inProject(code *codebase) []string {
	var out []string
	for _, p := range c.Paths {
		if abs, err := filepath.Abs(p); err == nil {
			if rel, err := filepath.Rel(code.Root, abs); err == nil {
				p = rel
			}
		}
		out = append(out, p)
	}
	return out
}

// appendLine adds a line with one write. Where the last line has no end it gets
// one first.
func appendLine(path string, line []byte) error {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o644)
	if err != nil {
		return err
	}
	if info, err := f.Stat(); err == nil && info.Size() > 0 {
		var last [1]byte
		if _, err := f.ReadAt(last[:], info.Size()-1); err == nil && last[0] != '\n' {
			line = append([]byte("\n"), line...)
		}
	}
	_, err = f.Write(line)
	return errors.Join(err, f.Close())
}
