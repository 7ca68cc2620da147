//go:build linux

package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
	"assay/operators"
)

// obeyComments marks the mutants of one file that comments in it skip.
// It gives a note for each comment that no mutant fits, whatever operators this
// run uses, and an error for those that are malformed.
func obeyComments(f *syntax.File, src *mutate.Source, ms []*mutate.Mutant) ([]mutate.Note, error) {
	skips, faults := mutate.Skips(f)
	var errs []error
	for _, fault := range faults {
		errs = append(errs, usageError{fault})
	}
	var notes []mutate.Note
	var others []*mutate.Mutant // of other choices of operators, made when they are needed
	for _, s := range skips {
		ops, err := operatorsOf(s)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		fits := func(m *mutate.Mutant) bool { return s.Covers(m) && ops[m.Op.ID] }
		found := false
		for _, m := range ms {
			if fits(m) {
				found = true
				if m.Skipped == "" {
					m.Skipped = s.Reason
				}
			}
		}
		if found {
			continue
		}
		if others == nil {
			others = everyMutant(f, src)
		}
		if !slices.ContainsFunc(others, fits) {
			notes = append(notes, mutate.Note{Kind: "stale", Path: s.Path, Line: s.Line,
				Text: fmt.Sprintf("No mutant fits the comment \"assay: skip %s\" any more; take it out, or put it before the code that it is about.", strings.Join(s.Names, ", "))})
		}
	}
	return notes, errors.Join(errs...)
}

// operatorsOf gives the IDs that the names in a comment stand for.
func operatorsOf(s *mutate.Skip) (map[string]bool, error) {
	all := operators.All()
	out := map[string]bool{}
	for _, name := range s.Names {
		found := all
		if name != "*" {
			var err error
			if found, err = named(all, name); err != nil {
				return nil, usageError{&mutate.SkipFault{Path: s.Path, Line: s.Line, Text: err.Error()}}
			}
		}
		for _, op := range found {
			out[op.ID] = true
		}
	}
	return out, nil
}

// everyMutant makes the mutants of each breadth: where two operators make the
// same edit, which of them has it depends on the breadth.
func everyMutant(f *syntax.File, src *mutate.Source) []*mutate.Mutant {
	var out []*mutate.Mutant
	for _, name := range []string{"core", "wide"} {
		ops, err := operators.Breadth(name)
		if err != nil {
			panic(err) // there are both
		}
		out = append(out, mutate.Generate(f, src, ops, nil)...)
	}
	return out
}
