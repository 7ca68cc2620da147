//go:build linux

package main

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"assay/mutate"
	"assay/report"
)

// errNew is a run with survivors that nobody knew of; the report has said so.
var errNew = errors.New("not killed")

// settle takes what is known beforehand into account once all verdicts have
// fallen: which survivors are accepted, and which are new because the result
// before does not have them.
func (asked *requests) settle(code *codebase, r *mutate.Result) {
	r.Notes = append(r.Notes, asked.accepted.apply(code, r, asked.narrow)...)
	if asked.before == nil {
		return
	}
	compareWith(asked.before, r)
}

// compareWith marks what is new against an earlier result.
func compareWith(before *report.Document, r *mutate.Result) {
	r.Compared = true
	known := map[string]bool{}
	for _, e := range before.Mutants {
		known[e.ID] = e.Status == mutate.Survived.String() || e.Status == mutate.Unreached.String()
	}
	for i := range r.Verdicts {
		v := &r.Verdicts[i]
		v.New = notKilled(v.Status) && !known[v.Mutant.ID]
	}
}

// notKilled reports whether the tests let a mutant pass.
func notKilled(s mutate.Status) bool { return s == mutate.Survived || s == mutate.Unreached }

// apply marks the accepted survivors and gives a note for each entry that is
// out of date. narrow says that only a part of the project is looked at.
func (l *acceptList) apply(code *codebase, r *mutate.Result, narrow bool) []mutate.Note {
	if len(l.entries) == 0 {
		return nil
	}
	mutants, verdicts := map[string]*mutate.Mutant{}, map[string]*mutate.Verdict{}
	for _, m := range code.mutants {
		mutants[m.ID] = m
	}
	for i := range r.Verdicts {
		verdicts[r.Verdicts[i].Mutant.ID] = &r.Verdicts[i]
	}
	var notes []mutate.Note
	for _, a := range l.entries {
		if v := verdicts[a.id]; v != nil && notKilled(v.Status) && v.Mutant.Unit == a.unit {
			v.WouldBe, v.Status, v.Detail = v.Status, mutate.Accepted, a.reason
			continue
		}
		if fault := a.outdated(code, mutants[a.id], verdicts[a.id], narrow); fault != "" {
			notes = append(notes, mutate.Note{Kind: "stale", Path: acceptName, Line: a.line, Text: fault})
		}
	}
	return notes
}

// outdated says in a sentence why an entry is of no use any more; "" where it
// may be. m and v are nil where the run has no such mutant, or did not judge it.
func (a *acceptance) outdated(code *codebase, m *mutate.Mutant, v *mutate.Verdict, narrow bool) string {
	takeOut := "; take the entry out with assay accept --remove " + a.id + "."
	switch {
	case m == nil && a.elsewhere(code, narrow):
		return ""
	case m == nil:
		return fmt.Sprintf("There is no mutant %s any more%s", a.id, takeOut)
	case m.Unit != a.unit:
		return fmt.Sprintf("The code of %s has changed since %s was accepted, so it counts again; look at it once more, and accept it anew or take the entry out.", m.Where(), a.id)
	case m.Skipped != "":
		return fmt.Sprintf("A comment in the source skips %s, too%s", a.id, takeOut)
	case v == nil || v.Status == mutate.Broken:
		return ""
	case v.Status == mutate.Stillborn:
		return fmt.Sprintf("PHP refuses to compile %s%s", a.id, takeOut)
	}
	return fmt.Sprintf("The tests kill %s now%s", a.id, takeOut)
}

// elsewhere reports whether the mutant of an entry exists although this run
// does not have it: by other operators, or in a file that is left out.
func (a *acceptance) elsewhere(code *codebase, narrow bool) bool {
	if slices.Contains(code.Files, a.path) || !narrow {
		return slices.ContainsFunc(code.everyMutantOf(a.path), func(m *mutate.Mutant) bool { return m.ID == a.id || strings.HasSuffix(a.id, "."+m.ID) })
	}
	return true // the file may have been moved to where this run does not look
}

// everyMutantOf makes the mutants of one file with each breadth; none where
// there is no such file in the project.
func (c *codebase) everyMutantOf(path string) []*mutate.Mutant {
	if made, ok := c.every[path]; ok {
		return made
	}
	var made []*mutate.Mutant
	tree, err := os.OpenRoot(c.Root) // the path leads nowhere else
	if err == nil {
		defer tree.Close()
		made = c.mutantsIn(tree, path)
	}
	if c.every == nil {
		c.every = map[string][]*mutate.Mutant{}
	}
	c.every[path] = made
	return made
}

func (c *codebase) mutantsIn(tree *os.Root, path string) []*mutate.Mutant {
	text, err := readRegular(tree, path)
	if err != nil {
		return nil
	}
	r := &reader{php: cmp.Or(c.PHP, "php")}
	defer r.close()
	f, err := r.read(c.ctx, path, text)
	if err != nil {
		return nil
	}
	return everyMutant(f, &mutate.Source{Path: path, Text: text})
}

// readBefore reads the result that --compared-with names.
func readBefore(path string) (*report.Document, error) {
	d, err := readResult(path)
	switch {
	case err != nil:
		return nil, usagef("--compared-with %w", err)
	case d.Part != nil:
		return nil, usagef("--compared-with %s: it is part %d of %d of a run; put the parts together first, with assay merge", path, d.Part.Number, d.Part.Of)
	}
	return d, nil
}

// failOnNew is the error of --fail-on-new: it names what survived or is
// unreached, was not accepted, and is not in the result before.
func failOnNew(r *mutate.Result) error {
	var ids []string
	for _, v := range r.Verdicts {
		if notKilled(v.Status) && (v.New || !r.Compared) {
			ids = append(ids, v.Mutant.ID)
		}
	}
	if len(ids) == 0 {
		return nil
	}
	slices.Sort(ids)
	const most = 10
	what, were := "that nobody accepted", "were"
	if r.Compared {
		what = "that are new"
	}
	if len(ids) == 1 {
		what, were = strings.Replace(what, "are", "is", 1), "was"
	}
	list := strings.Join(ids[:min(most, len(ids))], ", ")
	if n := len(ids) - most; n > 0 {
		list += fmt.Sprintf(" and %d more", n)
	}
	return fmt.Errorf("%s %s %s %w: %s", many(len(ids), "mutant"), what, were, errNew, list)
}
