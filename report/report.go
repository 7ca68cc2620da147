package report

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"assay/mutate"
)

// A Format is one way of writing a result down.
type Format struct {
	Name  string // as in --write NAME=FILE
	Doc   string // one line, for help texts
	Write func(w io.Writer, r *mutate.Result, o Options) error
	// Links: its readers can follow links to an editor and to a Remote.
	Links bool
	// Repository: its paths must be those of the repository, since what reads
	// it looks at that as a whole. Others have the project's.
	Repository bool
}

// Formats gives every format, in the order in which help texts show them. This
// table is the only place where a format is declared.
func Formats() []Format {
	return []Format{
		{"text", "the report that is shown at the end of a run, whole and without colour", Text, false, false},
		{"json", "every mutant with its verdict, for programs", JSON, false, false},
		{"markdown", "a comment for a pull request: the score, where a test pays most, survivors as diffs", Markdown, false, false},
		{"github", "marks in a review on GitHub; print them in a workflow's step", GitHub, false, true},
		{"gitlab", "GitLab's code-quality JSON, for marks in a merge request", GitLab, false, true},
		{"sarif", "SARIF 2.1.0, for editors and code scanning", SARIF, false, true},
		{"junit", "JUnit XML: a case a mutant, which fails unless the mutant is killed", JUnit, false, false},
		{"matrix", "CSV: which tests reach each mutant, and which of them kill it", Matrix, false, false},
		{"html", "a page to work in, whole in one file", HTML, true, false},
	}
}

// Lookup gives the format of a name. The error names those there are.
func Lookup(name string) (Format, error) {
	var names []string
	for _, f := range Formats() {
		if f.Name == name {
			return f, nil
		}
		names = append(names, f.Name)
	}
	return Format{}, fmt.Errorf("format %q is not known; there are %s and %s", name,
		strings.Join(names[:len(names)-1], ", "), names[len(names)-1])
}

// Options say how a result is shown. The zero value is right for files.
type Options struct {
	Timings bool // print times, which differ from run to run
	Tests   bool // have a result file hold the text of proofs
	// The rest is for the report on a terminal.
	Color bool
	// Brief leaves out what would push the answer away: all but some survivors,
	// and the ends of long lists. The report says what there is besides.
	Brief bool
	// Equivalents has a brief report list the mutants that are the same code as their original.
	Equivalents bool
	// EditorURL, in the page as well, turns positions into hyperlinks: %f is the absolute path, %l
	// the line, %c the column, as in Xdebug's file_link_format, which has the
	// first two. "" prints no links.
	EditorURL string
	Remote    *Remote // where the page's sources can be read; nil where that is not known
	Width     int     // columns to fill; 0 means 100
	Prefix    string  // put before paths, so that they are right from where the reader is
}

// A Remote is a place on the web that shows files as they were at the commit
// that was judged.
type Remote struct {
	Name    string          // of the host, for people
	Commit  string          // for people
	URL     string          // of a line of a file: %f is the path, relative to the project root, %l the line
	Changed map[string]bool // files that are not what they are at the commit, by path
}

// A Class is the mutants of one class, trait, interface or enum, or those of
// one file that are outside all of them.
type Class struct {
	Name     string // full name, or ""
	File     string // relative to the project root
	Score    mutate.Score
	Verdicts []mutate.Verdict // by position
}

// Title names the class for people.
func (c *Class) Title() string {
	if c.Name == "" {
		return c.File
	}
	return c.Name
}

// Classes groups the verdicts, the class with the lowest score first, classes
// where nothing counts last.
func Classes(r *mutate.Result) []*Class {
	type key struct{ name, file string }
	byKey := map[key]*Class{}
	var out []*Class
	for _, v := range sorted(r.Verdicts) {
		k := key{v.Mutant.Class, v.Mutant.Source.Path}
		c := byKey[k]
		if c == nil {
			c = &Class{Name: k.name, File: k.file}
			byKey[k] = c
			out = append(out, c)
		}
		c.Verdicts = append(c.Verdicts, v)
		c.Score.Add(v)
	}
	slices.SortStableFunc(out, func(a, b *Class) int {
		av, aok := a.Score.Value()
		bv, bok := b.Score.Value()
		if aok != bok {
			return cmp.Compare(truth(bok), truth(aok))
		}
		return cmp.Or(
			cmp.Compare(av, bv),
			cmp.Compare(b.Score.Survived+b.Score.Unreached, a.Score.Survived+a.Score.Unreached),
			strings.Compare(a.Title(), b.Title()),
			strings.Compare(a.File, b.File))
	})
	return out
}

func truth(b bool) int {
	if b {
		return 1
	}
	return 0
}

// Total is the tally of all verdicts.
func Total(r *mutate.Result) mutate.Score {
	var s mutate.Score
	for _, v := range r.Verdicts {
		s.Add(v)
	}
	return s
}

// sorted gives the verdicts by file and position; the input is not changed.
func sorted(vs []mutate.Verdict) []mutate.Verdict {
	out := slices.Clone(vs)
	slices.SortFunc(out, func(a, b mutate.Verdict) int {
		x, y := a.Mutant, b.Mutant
		return cmp.Or(
			strings.Compare(x.Source.Path, y.Source.Path),
			cmp.Compare(x.Edit.Start, y.Edit.Start),
			cmp.Compare(x.Edit.End, y.Edit.End),
			strings.Compare(x.Op.ID, y.Op.ID),
			strings.Compare(x.ID, y.ID))
	})
	return out
}

// percent prints a share so that only a whole 100 reads as 100.0 and only a
// real zero as 0.0.
func percent(p float64, ok bool) string {
	if !ok {
		return "-"
	}
	s := fmt.Sprintf("%.1f", p)
	switch {
	case s == "100.0" && p < 100:
		s = "99.9"
	case s == "0.0" && p > 0:
		s = "0.1"
	}
	return s + " %"
}
