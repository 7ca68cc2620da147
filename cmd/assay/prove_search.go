//go:build linux

package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"assay/exec"
	"assay/mutate"
	"assay/mutate/testcode"
	"assay/report"
)

// proofSearch looks for a test for each of some survivors.
type proofSearch struct {
	env        *environment
	code       *codebase
	engine     *exec.Engine
	options    proofOptions
	seed       uint64
	unconfined bool      // and that was said on this command line
	began      time.Time // options.ProveFor counts from here
	jobs       int

	suite  *testcode.Suite
	tryout *exec.Tryout
	known  []*mutate.Mutant // survivors, for what else a proof kills

	mu       sync.Mutex
	attempts []mutate.Attempt
	found    int
}

// all records the suite, and looks for tests for the chosen survivors.
func (s *proofSearch) all(chosen, all []*mutate.Mutant) error {
	bar := newProgress(s.env.stderr)
	defer bar.end()
	bar.begin(originalSuite, "")
	baseline, err := s.engine.Record(s.env.ctx, s.code.points, func(done, all int) { bar.step(done, all, "") })
	if err != nil {
		return err
	}
	return s.within(bar, baseline, chosen, all)
}

// within looks for tests where the suite has been recorded.
func (s *proofSearch) within(bar *progress, baseline *exec.Baseline, chosen, all []*mutate.Mutant) error {
	tasks, err := baseline.LeaveOutElsewhere(exec.Plan(chosen, baseline))
	if err != nil {
		return err
	}
	bar.begin(stage{"looking for tests for " + many(len(tasks), "survivor"), "looking for tests", "survivors"}, fmt.Sprintf(" with %s, for %s at most", many(s.jobs, "worker"), time.Duration(s.options.ProveFor)))
	if s.suite, err = readSuite(s.code); err != nil {
		return err
	}
	s.tryout, s.known = s.engine.NewTryout(baseline), all
	settings := exec.ProveSettings{For: max(time.Duration(s.options.ProveFor)-time.Since(s.began), time.Second), Seed: s.seed,
		Only: s.options.ProveOnly, Not: s.options.ProveNot, Unconfined: s.unconfined}
	// Searches come in order, and each has others wait: their tests are tried elsewhere.
	finds := make(chan find, len(tasks))
	g, ctx := errgroup.WithContext(s.env.ctx)
	g.Go(func() error {
		defer close(finds)
		return s.engine.Prove(ctx, baseline, tasks, settings, func(found mutate.Search) { finds <- s.write(found) })
	})
	for range s.jobs {
		g.Go(func() error {
			for f := range finds {
				if err := s.try(ctx, f); err != nil {
					return err
				}
				s.mu.Lock()
				bar.step(len(s.attempts), len(tasks), fmt.Sprintf(", %d proved", s.found))
				s.mu.Unlock()
			}
			return nil
		})
	}
	err = g.Wait()
	for f := range finds { // that nobody came to
		s.attempts = append(s.attempts, mutate.Attempt{Search: f.search, Untried: len(f.search.Findings) > 0})
	}
	s.settle(tasks, left(s.env.ctx, err))
	return err
}

// find is what came of a search, with the tests that were written of each finding.
type find struct {
	search mutate.Search
	tests  [][]testcode.Test
}

func (s *proofSearch) write(found mutate.Search) find {
	f := find{search: found}
	for i := range found.Findings {
		f.tests = append(f.tests, s.suite.Write(&found.Findings[i]))
	}
	return f
}

// readSuite reads the project's test files.
func readSuite(code *codebase) (*testcode.Suite, error) {
	var sources []*mutate.Source
	for _, path := range code.Tests {
		if filepath.IsAbs(path) || filepath.Ext(path) != ".php" {
			continue // it is not the project's own, or no class
		}
		source, err := code.Read(path)
		if err != nil {
			return nil, err
		}
		sources = append(sources, source)
	}
	return testcode.New(sources), nil
}

// try runs the tests of a find until one of them is a proof.
func (s *proofSearch) try(ctx context.Context, f find) error {
	a := mutate.Attempt{Search: f.search}
	err := s.tryAll(ctx, f, &a)
	a.Untried = err != nil
	s.mu.Lock()
	defer s.mu.Unlock()
	s.attempts = append(s.attempts, a)
	if a.Proof != nil {
		s.found++
	}
	return err
}

func (s *proofSearch) tryAll(ctx context.Context, f find, a *mutate.Attempt) error {
	others := s.othersOf(a.Mutant)
	for i, tests := range f.tests {
		if len(tests) == 0 {
			a.Refused = append(a.Refused, "what differs cannot be written as a test")
		}
		for _, t := range tests {
			r, err := s.tryout.Try(ctx, exec.Trial{Path: t.Path, Text: t.New, Added: t.Old == nil, Test: t.ID, Mutant: a.Mutant, Others: others})
			if err != nil {
				return err
			}
			if r.Why == exec.Proves {
				a.Proof = proofOf(t, &f.search.Findings[i], r)
				return nil
			}
			a.Refused = append(a.Refused, r.Why.String())
		}
	}
	return nil
}

// othersOf gives the survivors of the same function.
func (s *proofSearch) othersOf(m *mutate.Mutant) []*mutate.Mutant {
	var out []*mutate.Mutant
	for _, o := range s.known {
		if o != m && o.Source == m.Source && o.Class == m.Class && o.Function == m.Function {
			out = append(out, o)
		}
	}
	return out
}

func proofOf(t testcode.Test, f *mutate.Finding, r exec.TrialResult) *mutate.Proof {
	p := &mutate.Proof{Test: t.ID, Tried: f.Tried, Path: t.Path, Code: t.Code, Diff: t.Diff()}
	for _, m := range r.Kills {
		p.Kills = append(p.Kills, m.ID)
	}
	return p
}

// left says why nothing was looked for that nobody came to.
func left(ctx context.Context, err error) string {
	switch {
	case ctx.Err() != nil:
		return "the search was interrupted before it was its turn"
	case err != nil:
		return "the search failed before it was its turn"
	}
	return "the time was over before it was its turn"
}

// settle orders the attempts: first those whose proofs kill most. A survivor that such a
// proof kills shares it, whatever else was found for it. What nobody came to is told, too; over
// says why that is.
func (s *proofSearch) settle(tasks []exec.Task, over string) {
	place, have := map[*mutate.Mutant]int{}, map[*mutate.Mutant]bool{}
	for i, t := range tasks {
		place[t.Mutant] = i
	}
	for i := range s.attempts {
		a := &s.attempts[i]
		if have[a.Mutant] = true; a.Why == "" && a.Tried == 0 && len(a.Findings) == 0 {
			a.Why = over
		}
	}
	for _, t := range tasks {
		if !have[t.Mutant] {
			s.attempts = append(s.attempts, mutate.Attempt{Search: mutate.Search{Mutant: t.Mutant, Differed: -1, Why: over}})
		}
	}
	slices.SortFunc(s.attempts, func(a, b mutate.Attempt) int { return cmp.Compare(place[a.Mutant], place[b.Mutant]) })
	s.unite()
	kills := func(a mutate.Attempt) int {
		if a.Proof == nil {
			return 0
		}
		return len(a.Proof.Kills)
	}
	slices.SortStableFunc(s.attempts, func(a, b mutate.Attempt) int { return cmp.Compare(kills(b), kills(a)) })
	by := map[string]*mutate.Proof{} // ID => the proof that kills it
	for i := range s.attempts {
		a := &s.attempts[i]
		if shared := by[a.Mutant.ID]; shared != nil {
			a.Proof = shared
		}
		if a.Proof == nil {
			continue
		}
		for _, id := range a.Proof.Kills {
			if by[id] == nil {
				by[id] = a.Proof
			}
		}
	}
}

// unite has survivors of several functions share a proof where the very same test was found
// for each.
func (s *proofSearch) unite() {
	same := map[[2]string]*mutate.Proof{}
	for i := range s.attempts {
		p := s.attempts[i].Proof
		if p == nil {
			continue
		}
		first := same[[2]string{string(p.Test), p.Diff}]
		if first == nil {
			same[[2]string{string(p.Test), p.Diff}] = p
			continue
		}
		for _, id := range p.Kills {
			if !slices.Contains(first.Kills, id) {
				first.Kills = append(first.Kills, id)
			}
		}
		s.attempts[i].Proof = first
	}
	for _, p := range same {
		slices.Sort(p.Kills)
	}
}

// writeDiffs writes each proof into the folder of proofs, if there is one.
func (s *proofSearch) writeDiffs(outputs []output) error {
	i := slices.IndexFunc(outputs, output.isProofs)
	if i < 0 {
		return nil
	}
	dir := outputs[i].path
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return usageError{fmt.Errorf("--write proofs=%s: %w", dir, err)}
	}
	for _, a := range s.attempts {
		if a.Proof == nil || a.Proof.File != "" {
			continue
		}
		a.Proof.File = safeName(a.Mutant.ID) + ".diff"
		write := func(w io.Writer) error { _, err := io.WriteString(w, a.Proof.Diff); return err }
		if err := report.WriteFile(filepath.Join(dir, a.Proof.File), write); err != nil {
			return usageError{err}
		}
	}
	return nil
}

// safeName gives a name for a file that no shell and no file system takes amiss. IDs are so
// but for what PHP allows in names.
func safeName(id string) string {
	return strings.TrimLeft(strings.Map(func(r rune) rune {
		switch {
		case 'a' <= r && r <= 'z', 'A' <= r && r <= 'Z', '0' <= r && r <= '9', r == '.', r == '-', r == '_':
			return r
		}
		return '_'
	}, id), ".-")
}
