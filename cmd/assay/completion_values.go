//go:build linux

package main

import (
	"fmt"
	"slices"
	"strings"

	"assay/mutate"
	"assay/mutate/project"
	"assay/operators"
	"assay/report"
)

// ofKind gives what a value may be of which a help text says what it is: FILE, OPERATOR, ID.
// Of other kinds, such as a number, nothing is known. Values that do not begin with what is
// typed are left out.
func (w *written) ofKind(kind, typed string) []candidate {
	var all []candidate
	switch kind {
	case "FILE", "DIR", "PATH", "PATTERN", "PLACE", "RESULT":
		return []candidate{{text: filesHere}}
	case "FORMAT=FILE":
		for _, f := range report.Formats() {
			all = append(all, candidate{f.Name + "=", f.Doc})
		}
		return withFile(all, typed)
	case "html=FILE":
		return withFile([]candidate{{"html=", "a page with charts"}}, typed)
	case "OPERATOR", "NAME":
		if kind == "NAME" && w.command.Name != "operators" {
			return nil
		}
		all = familiesAndOperators()
	case "ID":
		return w.ids(typed)
	case "COMMAND":
		all = commandsOf(w.command.Parent)
	case "SHELL":
		for _, s := range shells {
			all = append(all, candidate{text: s})
		}
	}
	return beginningWith(typed, all)
}

// withFile is for values like json=FILE: of one that has its = the file is asked for.
func withFile(all []candidate, typed string) []candidate {
	for _, c := range all {
		if strings.HasPrefix(typed, c.text) {
			return []candidate{{filesHere, c.text}}
		}
	}
	return beginningWith(typed, all)
}

// familiesAndOperators lists families and operators.
func familiesAndOperators() []candidate {
	var out []candidate
	var families []string
	for _, op := range operators.All() {
		if f := op.Family(); !slices.Contains(families, f) {
			families = append(families, f)
		}
		doc, _, _ := strings.Cut(op.Doc, "\n")
		out = append(out, candidate{op.ID, doc})
	}
	slices.Sort(families)
	var all []candidate
	for _, f := range families {
		all = append(all, candidate{f, "a family"})
	}
	return append(all, out...)
}

// ids lists the mutants of the last run, or for accept those of them that are not killed, and
// with --remove the accepted ones. Where no ID begins with what is typed, the ends of IDs are
// meant. Where there is no project or no run there are none.
func (w *written) ids(typed string) []candidate {
	place := w.flags["project"]
	if place == "" {
		place = "."
	}
	p, err := project.Find(place, project.Options{SourceOnly: true})
	if err != nil {
		return nil
	}
	all, err := w.mutants(p.Root)
	if err != nil {
		return nil
	}
	all = slices.DeleteFunc(all, func(c candidate) bool { return slices.Contains(w.positional, c.text) })
	if found := beginningWith(typed, slices.Clone(all)); len(found) > 0 {
		return found
	}
	for i, c := range all {
		all[i].text = c.text[strings.LastIndexByte(c.text, '.')+1:]
	}
	return beginningWith(typed, all)
}

// mutants gives IDs that a command can be about.
func (w *written) mutants(root string) (all []candidate, err error) {
	accepting := w.command.Name == "accept"
	if _, remove := w.flags["remove"]; accepting && remove {
		list, err := readAccepted(root)
		if err != nil {
			return nil, err
		}
		for _, e := range list.entries {
			all = append(all, candidate{e.id, e.reason})
		}
		return all, nil
	}
	d, err := lastRun(root)
	if err != nil || d == nil {
		return nil, err
	}
	for i := range d.Mutants {
		e := &d.Mutants[i]
		if !accepting || e.Status == mutate.Survived.String() || e.Status == mutate.Unreached.String() {
			all = append(all, candidate{e.ID, fmt.Sprintf("%s: %s:%d %s", e.Status, e.File, e.Line, e.Operator)})
		}
	}
	return all, nil
}
