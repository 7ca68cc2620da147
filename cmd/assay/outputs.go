//go:build linux

package main

import (
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"assay/mutate"
	"assay/report"
)

// An output is one --write.
type output struct {
	format report.Format
	path   string
}

// outputs reads what is to be written of a run.
func (c *runCommand) outputs() ([]output, error) { return parseOutputs(c.Write, c.Prove) }

// isProofs reports whether it is the folder of proofs.
func (o output) isProofs() bool { return o.format.Write == nil }

// proofsFolder reads the one --write that names a folder.
func proofsFolder(w, path string, proofs bool) (output, error) {
	if !proofs {
		return output{}, badValue("write", w, "%s: there are proofs only where they are looked for; add --prove to assay run, or use assay prove", w)
	}
	info, err := os.Stat(path)
	switch {
	case err == nil && !info.IsDir():
		return output{}, badValue("write", w, "%s: %s is a file; name a folder", w, path)
	case err == nil:
		path = filepath.Clean(path)
	default:
		if info, err := os.Stat(filepath.Dir(path)); err != nil || !info.IsDir() {
			return output{}, badValue("write", w, "%s: there is no folder %s; make it first", w, filepath.Dir(path))
		}
	}
	return output{report.Format{Name: "proofs"}, path}, nil
}

// parseOutputs reads --write and refuses what could not be written at the end
// of a long run. proofs says whether there may be a folder for them.
func parseOutputs(writes []string, proofs bool) ([]output, error) {
	var outs []output
	for _, w := range writes {
		name, path, ok := strings.Cut(w, "=")
		if !ok || path == "" {
			return nil, badValue("write", w, "%s: write it as FORMAT=FILE, for instance json=result.json", w)
		}
		if name == "proofs" {
			folder, err := proofsFolder(w, path, proofs)
			if err != nil {
				return nil, err
			}
			outs = append(outs, folder)
			continue
		}
		format, err := report.Lookup(name)
		if err != nil {
			return nil, badValue("write", w, "%s: %v", w, err)
		}
		if slices.ContainsFunc(outs, func(o output) bool { return o.path == path }) {
			return nil, badValue("write", w, "%s is named twice", path)
		}
		if info, err := os.Stat(path); err == nil && info.IsDir() {
			return nil, badValue("write", w, "%s: %s is a folder; name a file in it", w, path)
		}
		if info, err := os.Stat(filepath.Dir(path)); err != nil || !info.IsDir() {
			return nil, badValue("write", w, "%s: there is no folder %s; make it first", w, filepath.Dir(path))
		}
		if err := checkWritable(path); err != nil {
			return nil, badValue("write", w, "%s: %v", w, err)
		}
		outs = append(outs, output{format, path})
	}
	return outs, nil
}

// writeOutputs writes the files that --write asks for.
func writeOutputs(outputs []output, r *mutate.Result, timings bool, editor string) error {
	for _, out := range outputs {
		if out.isProofs() {
			continue // written before, for the others name them
		}
		o := report.Options{Timings: timings}
		if out.format.Repository {
			o.Prefix = repositoryPrefix(r.Root)
		}
		if out.format.Links {
			o.EditorURL, o.Remote = editor, remoteOf(r)
		}
		write := func(w io.Writer) error { return out.format.Write(w, r, o) }
		if err := report.WriteFile(out.path, write); err != nil {
			return usageError{err}
		}
	}
	return nil
}
