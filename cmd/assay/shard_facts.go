//go:build linux

package main

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"time"

	"assay/exec"
	"assay/mutate"
	"assay/mutate/project"
)

// describePart has a part say what must be the same in all parts of its run, so that a
// merge can see whether it is.
func (c *runCommand) describePart(code *codebase, facts exec.Facts, asked *requests, r *mutate.Result) error {
	p := r.Part
	if p == nil {
		return nil
	}
	php, err := c.phpSum()
	if err != nil {
		return err
	}
	p.When, p.Seconds, p.Reused = code.began.UTC().Truncate(time.Second), float64(r.Elapsed.Milliseconds())/1000, c.reused
	p.Tools = map[string]string{
		"assay":               shortSum(selfSum()),
		"PHP, as it is built": facts.PHP + " " + shortSum(php),
		"PHPUnit's file":      facts.PHPUnit + " " + shortSum(fileSum(code.PHPUnit.Path)),
		"packages":            shortSum(installedPackages(code.Root)),
	}
	p.Options, err = c.deciding(code, asked)
	p.Inputs = code.inputs()
	p.Project, p.Scope, p.Commit = projectKey(code.Name, code.Root), c.scope(code), commitOf(code.Root)
	return err
}

func shortSum(sum string) string { return sum[:min(12, len(sum))] }

// undecided are options that have no say in what a result holds, or that are compared by
// what they lead to.
var undecided = map[string]bool{"project": true, "config": true, "php": true, "phpunit": true, "jobs": true, "view": true, "keep": true,
	"fresh": true, "resume": true, "cache": true, "shard": true}

// deciding gives the options that decide on mutants, tests or verdicts, as text by name;
// what lies in the project is named relative to it.
func (c *runCommand) deciding(code *codebase, asked *requests) (map[string]string, error) {
	out := map[string]string{}
	put := func(name, text string) {
		out[name] = strings.ReplaceAll(text, code.Root+string(filepath.Separator), "")
	}
	for _, group := range []any{c.sourceOptions, c.suiteOptions, c.observeOptions, c.choiceOptions} {
		v := reflect.ValueOf(group)
		for _, f := range reflect.VisibleFields(v.Type()) {
			name := f.Tag.Get("name")
			value := v.FieldByIndex(f.Index)
			if f.Anonymous || undecided[name] || value.IsZero() {
				continue
			}
			put(name, optionText(value.Interface()))
		}
	}
	if len(c.Paths) > 0 {
		put("paths", strings.Join(c.inProject(code), ", "))
	}
	if asked.changes != nil {
		put("changed-from", asked.changes.ref+" (merge base "+asked.changes.base+")")
	}
	if c.ComparedWith != "" {
		text, err := os.ReadFile(c.ComparedWith)
		if err != nil {
			return nil, usagef("--compared-with %s: %v", c.ComparedWith, err)
		}
		put("compared-with", "a file with the sum "+shortSum(sha256Of(text)))
	}
	return out, nil
}

func optionText(value any) string {
	switch v := value.(type) {
	case duration:
		return time.Duration(v).String()
	case []string:
		return strings.Join(v, ", ")
	}
	return fmt.Sprint(value)
}

// inputs sums up the sources, the tests, and what else a run reads of a project.
func (c *codebase) inputs() map[string]string {
	out := map[string]string{}
	paths := slices.Concat(c.Files, c.Tests, []string{acceptName, "composer.json", "composer.lock"})
	if c.Config != nil {
		paths = append(paths, c.Config.Path)
	}
	for _, path := range paths {
		abs := path
		if !filepath.IsAbs(abs) {
			abs = filepath.Join(c.Root, filepath.FromSlash(path))
		}
		if rel, err := filepath.Rel(c.Root, abs); err == nil {
			path = filepath.ToSlash(rel)
		}
		if text, err := project.ReadFile(abs); err == nil { // what is not there is in no part
			out[path] = sha256Of(text)
		}
	}
	return out
}

func sha256Of(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// installedPackages sums up names and versions of what Composer has installed; "" where it
// has not.
func installedPackages(root string) string {
	text, err := os.ReadFile(filepath.Join(root, "vendor", "composer", "installed.json"))
	if err != nil {
		return ""
	}
	type list []struct{ Name, Version string }
	var file struct{ Packages list }
	if json.Unmarshal(text, &file) != nil && json.Unmarshal(text, &file.Packages) != nil { // Composer 1 writes the list alone
		return sha256Of(text)
	}
	var names []string
	for _, p := range file.Packages {
		names = append(names, p.Name+" "+p.Version)
	}
	slices.Sort(names)
	return sumOf(names...)
}

// projectKey names a project in a cache that was given: by its name and its place in the
// repository, so that it is the same wherever that is checked out.
func projectKey(name, root string) string { return sumOf(name, repositoryPrefix(root))[:16] }
