//go:build linux

package main

import (
	"bufio"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"assay/mutate"
	"assay/report"
)

type acceptCommand struct {
	IDs     []string `arg:"" optional:"" name:"id" help:"The mutants, or the beginnings or ends of their IDs. Without one the list is shown."`
	Because string   `name:"because" toml:"-" placeholder:"REASON" help:"Why it may stay as it is; for those who read the list."`
	Remove  bool     `name:"remove" toml:"-" help:"Take the entries out of the list."`
	sourceOptions
}

// run adds to the list of accepted survivors, takes out of it, or shows it.
func (c *acceptCommand) run(env *environment) error {
	c.Because = strings.Join(strings.Fields(c.Because), " ")
	switch {
	case strings.ContainsFunc(c.Because, unicode.IsControl) || !utf8.ValidString(c.Because):
		return usagef("--because: the reason holds control characters, or bytes that are not UTF-8; write plain text")
	case c.Remove && len(c.IDs) == 0:
		return usagef("--remove: say which; assay accept lists the entries")
	case c.Remove && c.Because != "":
		return usagef("--remove and --because do not go together; an entry is taken out without a reason")
	case !c.Remove && len(c.IDs) > 0 && c.Because == "":
		return usagef("an entry needs a reason; write assay accept %s --because REASON", c.IDs[0])
	case !c.Remove && len(c.IDs) == 0 && c.Because != "":
		return usagef("--because: say which mutant; the report of a run and assay list name them")
	}
	code, err := load(env.ctx, c.sourceOptions, nil, nil)
	if err != nil {
		return err
	}
	list, err := readAccepted(code.Root)
	if err != nil {
		return err
	}
	switch {
	case len(c.IDs) == 0:
		return c.show(env, code, list)
	case c.Remove:
		return c.takeOut(env, code, list)
	}
	return c.add(env, code, list)
}

func (c *acceptCommand) add(env *environment, code *codebase, list *acceptList) error {
	last, err := lastRun(code.Root)
	if err != nil {
		return usagef("the last run cannot be read: %v; run assay run anew", err)
	}
	if last == nil {
		return usagef("no run of this project is on record; assay run finds out what survives")
	}
	var found []*mutate.Mutant
	wide := code
	for _, id := range c.IDs {
		m, err := code.find(id)
		if err != nil && c.Breadth != "wide" {
			if wide == code { // the last run may have had another breadth
				o := c.sourceOptions
				o.Breadth = "wide"
				if wide, err = load(env.ctx, o, nil, nil); err != nil {
					return err
				}
			}
			if other, fault := wide.find(id); fault == nil {
				m, err = other, nil
			} else if m, err = code.find(id); err != nil {
				return err
			}
		}
		if err != nil {
			return err
		}
		if err := acceptable(m, last); err != nil {
			return err
		}
		found = append(found, m)
	}
	for _, m := range found {
		list.put(m, c.Because)
	}
	if err := list.write(code.Root); err != nil {
		return err
	}
	for _, m := range found {
		env.printf("%s%s:%d:%d  %s is accepted\n", code.prefix, m.Source.Path, m.Line, m.Column, m.ID)
	}
	return nil
}

// acceptable says why a mutant cannot be accepted: nobody saw it survive.
func acceptable(m *mutate.Mutant, last *report.Document) error {
	e := last.Find(m.ID)
	f := last.File(m.Source.Path)
	switch {
	case m.Skipped != "":
		return usagef("%s is skipped by a comment in the source already", m.ID)
	case e == nil:
		return usagef("the last run did not judge %s; run assay run %s first", m.ID, m.Source.Path)
	case f == nil || !f.Fits(m.Source.Text):
		return usagef("%s has changed since the last run; run assay run %s first, to see whether %s still survives", m.Source.Path, m.Source.Path, m.ID)
	case e.Status == mutate.Survived.String(), e.Status == mutate.Unreached.String(), e.WouldBe != "":
		return nil
	case e.Killer != nil:
		return usagef("%s was killed in the last run, by %s; only what survives or is unreached can be accepted", m.ID, *e.Killer)
	}
	return usagef("%s did not survive in the last run (%s); only what survives or is unreached can be accepted", m.ID, strings.ReplaceAll(e.Status, "_", " "))
}

func (c *acceptCommand) takeOut(env *environment, code *codebase, list *acceptList) error {
	var out []*acceptance
	for _, id := range c.IDs {
		a, err := list.named(id)
		if err != nil {
			return err
		}
		if !slices.Contains(out, a) {
			out = append(out, a)
		}
	}
	for _, a := range out {
		list.remove(a)
	}
	if err := list.write(code.Root); err != nil {
		return err
	}
	for _, a := range out {
		env.printf("%s is not accepted any more\n", a.id)
	}
	return nil
}

// named gives the entry of an ID, or of a part of one that no other has.
func (l *acceptList) named(id string) (*acceptance, error) {
	if a := l.find(id); a != nil {
		return a, nil
	}
	var close []*acceptance
	var ids []string
	for _, a := range l.entries {
		ids = append(ids, a.id)
		if strings.HasPrefix(a.id, id) || strings.HasSuffix(a.id, id) {
			close = append(close, a)
		}
	}
	switch len(close) {
	case 1:
		return close[0], nil
	case 0:
		return nil, usagef("%s has no entry %s%s", acceptName, id, meant(id, ids, "; assay accept lists them"))
	}
	return nil, usagef("%s may be any of %d entries of %s; write more of it", id, len(close), acceptName)
}

// show lists the entries with what is known of each.
func (c *acceptCommand) show(env *environment, code *codebase, list *acceptList) error {
	if len(list.entries) == 0 {
		_, err := fmt.Fprintln(env.stdout, "Nothing is accepted. assay accept ID --because REASON accepts what the last run saw survive.")
		return err
	}
	last, err := lastRun(code.Root)
	if err != nil {
		fmt.Fprintf(env.stderr, "assay: the last run cannot be read: %v\n", err)
	}
	mutants := map[string]*mutate.Mutant{}
	for _, m := range code.mutants {
		mutants[m.ID] = m
	}
	w := bufio.NewWriter(env.stdout)
	for i, a := range list.entries {
		if i > 0 {
			fmt.Fprintln(w)
		}
		m := mutants[a.id]
		if m == nil {
			fmt.Fprintf(w, "%s  %s\n", a.id, a.path)
		} else {
			fmt.Fprintf(w, "%s  %s%s:%d:%d\n  %s: %s\n", a.id, code.prefix, a.path, m.Line, m.Column, m.Op.ID, report.Change(m))
		}
		fmt.Fprintf(w, "  because %s\n", a.reason)
		if fault := a.outdated(code, m, judged(last, m), false); fault != "" {
			fmt.Fprintf(w, "  %s:%d: %s\n", acceptName, a.line, fault)
		}
	}
	return w.Flush()
}

// judged gives the last run's verdict on a mutant whose file it saw as it is.
func judged(last *report.Document, m *mutate.Mutant) *mutate.Verdict {
	if last == nil || m == nil {
		return nil
	}
	e, f := last.Find(m.ID), last.File(m.Source.Path)
	if e == nil || f == nil || !f.Fits(m.Source.Text) || e.WouldBe != "" {
		return nil
	}
	v, err := last.Verdict(e, m)
	if err != nil || notKilled(v.Status) {
		return nil
	}
	return &v
}
