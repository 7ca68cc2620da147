//go:build linux

package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"syscall"

	"assay/mutate"
	"assay/report"
)

type reportCommand struct {
	Result      string   `arg:"" name:"result" help:"A file that --write json=FILE wrote."`
	Project     string   `name:"project" toml:"-" placeholder:"DIR" default:"." help:"The root of the project that was judged, if not this directory; the source files are read there."`
	Write       []string `name:"write" toml:"-" placeholder:"FORMAT=FILE" sep:"none" help:"Write the result to FILE instead of showing it; repeatable. Formats: ${formats}." group:"answer"`
	All         bool     `name:"all" toml:"-" help:"Show every survivor and every list whole." group:"answer"`
	Equivalents bool     `name:"equivalents" toml:"-" help:"Show also the mutants that PHP compiles to the same code as the original; --all shows them as well." group:"answer"`
	Timings     bool     `name:"timings" toml:"-" help:"Put times into reports, if the result has them." group:"answer"`
	screenOptions
}

// run makes a result of the file and of the sources as far as they are still
// what was judged.
func (c *reportCommand) run(env *environment) error {
	outputs, err := parseOutputs(c.Write, false)
	if err != nil {
		return err
	}
	r, lost, err := c.restore()
	if err != nil {
		return err
	}
	for _, n := range r.Notes {
		if n.Kind == report.SourceLost {
			fmt.Fprintf(env.stderr, "assay: %s: %s\n", n.Path, n.Text)
		}
	}
	if len(outputs) == 0 {
		o := c.reportOptions(env.stdout, prefixTo(r.Root))
		o.Timings, o.Brief, o.Equivalents = c.Timings, !c.All, c.Equivalents
		return report.Text(env.stdout, r, o)
	}
	if len(lost) > 0 && slices.ContainsFunc(outputs, func(o output) bool { return o.format.Name == "json" }) {
		return usagef("--write json: a result file holds the hashes of the files, and %s is no longer the one that was judged; copy %s instead", lost[0], c.Result)
	}
	return writeOutputs(outputs, r, c.Timings, c.EditorURL)
}

func (c *reportCommand) restore() (*mutate.Result, []string, error) {
	d, err := readResult(c.Result)
	if err != nil {
		return nil, nil, err
	}
	if c.Timings && d.ElapsedMS == nil {
		return nil, nil, usagef("--timings: %s has no times; it was written without --timings", c.Result)
	}
	root, err := filepath.Abs(c.Project)
	if err == nil {
		root, err = filepath.EvalSymlinks(root)
	}
	if err != nil {
		return nil, nil, usagef("--project %s: %v", c.Project, err)
	}
	r, lost, err := restored(d, root)
	if err != nil {
		return nil, nil, usagef("%s: %v", c.Result, err)
	}
	r.Root = root
	return r, lost, nil
}

// readRegular reads a file below a folder. Of what is none it neither waits for a writer, nor
// reads without end.
func readRegular(tree *os.Root, path string) ([]byte, error) {
	f, err := tree.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = errors.New("it is no regular file")
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return io.ReadAll(f)
}
