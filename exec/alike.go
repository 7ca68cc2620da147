//go:build linux

package exec

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"golang.org/x/sync/errgroup"

	"assay/mutate"
	"assay/mutate/syntax"
)

// mostControls is how many mutants that were killed are compiled beside those that were not.
const mostControls = 24

// What the compiler has to answer before it is believed: a text, the same in another way, and one
// that differs from them deep in a constant.
const (
	controlText    = "<?php function control(int $x = 5) { return [1, [2, ['key' => 1.5 + 1.5]], $x]; }"
	controlSame    = "<?php function control(int $x = 5) { return [1, [2, ['key' => 3.0 + 0.0]], $x]; }"
	controlAnother = "<?php function control(int $x = 5) { return [1, [2, ['key' => 1.5 + 2.5]], $x]; }"
)

// FindAlike looks, among the verdicts, for mutants that no test kills and that PHP's optimiser
// compiles to the very code that it compiles the original to. No test can tell these apart;
// their status becomes [mutate.Equivalent]. Nothing else of a verdict is changed.
//
// A mutant that was killed cannot be such a one. So some of those are compiled, too: where one
// of them is the same code, no mutant is said to be equivalent, and a remark names it.
//
// progress, unless it is nil, is told of each mutant that has been compared, from one goroutine at
// a time.
func (e *Engine) FindAlike(ctx context.Context, verdicts []mutate.Verdict, progress func(done, all int)) {
	a := &alike{e: e, refused: map[string]int{}, progress: progress}
	var open, controls []*mutate.Verdict
	for _, v := range byPlace(verdicts) {
		switch v.Status {
		case mutate.Survived, mutate.Unreached:
			open = append(open, v)
		case mutate.Killed, mutate.TimedOut:
			controls = append(controls, v)
		}
	}
	if len(open) > 0 {
		a.mark(ctx, open, spreadOver(controls, mostControls))
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.compilations = a.figures()
}

// Compilations gives what FindAlike has counted.
func (e *Engine) Compilations() mutate.Compilations {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.compilations
}

// byPlace gives the verdicts in the order of the source, for any order in which they fell.
func byPlace(verdicts []mutate.Verdict) []*mutate.Verdict {
	out := make([]*mutate.Verdict, len(verdicts))
	for i := range verdicts {
		out[i] = &verdicts[i]
	}
	slices.SortFunc(out, func(a, b *mutate.Verdict) int {
		return cmp.Or(cmp.Compare(a.Mutant.Source.Path, b.Mutant.Source.Path), cmp.Compare(a.Mutant.Edit.Start, b.Mutant.Edit.Start),
			cmp.Compare(a.Mutant.ID, b.Mutant.ID))
	})
	return out
}

// spreadOver gives so many of a list, as far apart as can be.
func spreadOver[T any](list []T, most int) []T {
	if len(list) <= most {
		return list
	}
	out := make([]T, most)
	for i := range out {
		out[i] = list[i*len(list)/most]
	}
	return out
}

// alike is one search of FindAlike, or the part of it that one process compiles for.
type alike struct {
	e        *Engine
	lint     *linter
	compiler *compiler
	source   *mutate.Source // that the following are about: mutants come file by file
	original []byte         // compiled; nil where that is not to be had
	isWhole  bool           // that is known
	bodies   []syntax.Span
	cuts     map[int][]byte // cutting.kept => what is left of the original, compiled
	compared int
	found    []*mutate.Verdict
	refused  map[string]int // reason => mutants
	progress func(done, all int)
}

func (a *alike) figures() mutate.Compilations {
	c := mutate.Compilations{Compared: a.compared, Alike: len(a.found)}
	for _, why := range slices.Sorted(maps.Keys(a.refused)) {
		c.Refused = append(c.Refused, mutate.Refusal{Why: why, Mutants: a.refused[why]})
	}
	return c
}

// fewCompared is how many mutants are worth a process of their own.
const fewCompared = 16

// mark compares the mutants, several at a time, and says of none that it is equivalent unless
// all controls are as they have to be.
func (a *alike) mark(ctx context.Context, open, controls []*mutate.Verdict) {
	parts := make([]*alike, min(a.e.set.Jobs, 1+len(open)/fewCompared))
	told := a.counting(len(open))
	var g errgroup.Group // the compilers outlive it, for the controls
	for i := range parts {
		p := &alike{e: a.e, refused: map[string]int{}}
		parts[i] = p
		g.Go(func() error {
			return p.compare(ctx, open[i*len(open)/len(parts):(i+1)*len(open)/len(parts)], told)
		})
	}
	fault := g.Wait()
	for _, p := range parts {
		defer p.close()
		a.compared += p.compared
		a.found = append(a.found, p.found...)
		for why, n := range p.refused {
			a.refused[why] += n
		}
	}
	for i := 0; i < len(controls) && fault == nil && len(a.found) > 0; i++ {
		var same bool
		if same, fault = parts[0].same(controls[i].Mutant, false); same {
			a.e.remark("Mutant %s was killed, and PHP compiles it to the same code as the original. Either a test reads the source, or assay is wrong in one of the two; "+
				"so no mutant is said to be equivalent in this run.", controls[i].Mutant.ID)
			fault = notComparable("a mutant that was killed is the same code")
		}
	}
	if fault != nil {
		a.compared, a.found, a.refused = 0, nil, map[string]int{reasonOf(fault): len(open)}
	}
	for _, v := range a.found {
		v.WouldBe, v.Status, v.New = v.Status, mutate.Equivalent, false
		v.Detail = fmt.Sprintf("PHP %s compiles it to the same code as the original", a.e.facts.PHP)
	}
}

// counting gives what is to be called for each mutant that has been compared.
func (a *alike) counting(all int) func() {
	var mu sync.Mutex
	done := 0
	return func() {
		mu.Lock()
		defer mu.Unlock()
		if done++; a.progress != nil {
			a.progress(done, all)
		}
	}
}

// compare compares some mutants, one after the other.
func (a *alike) compare(ctx context.Context, open []*mutate.Verdict, told func()) error {
	err := a.start(ctx)
	for i := 0; i < len(open) && err == nil; i++ {
		var same bool
		if same, err = a.same(open[i].Mutant, true); same {
			a.found = append(a.found, open[i])
		}
		told()
	}
	return err
}

func (a *alike) close() {
	if a.compiler != nil {
		a.compiler.close()
	}
	if a.lint != nil {
		a.lint.close()
	}
}

// reasonOf says in a few words why nothing is compared.
func reasonOf(err error) string {
	var known notComparable
	if errors.As(err, &known) {
		return string(known)
	}
	return "PHP's process for it has ended"
}

// start has a compiler, and makes sure that its files are the same for the same code and others
// for other code.
func (a *alike) start(ctx context.Context) (err error) {
	dir, err := os.MkdirTemp(a.e.dir, "compiled-")
	if err != nil {
		return err
	}
	if dir, err = filepath.EvalSymlinks(dir); err != nil {
		return err
	}
	if a.lint, err = startLinter(a.e.php, a.e.harness); err != nil {
		return err
	}
	if a.compiler, err = startCompiler(ctx, a.e.php, a.e.harness, dir); err != nil {
		return err
	}
	var made [4][]byte
	for i, text := range []string{controlText, controlSame, controlAnother, controlText} {
		if made[i], err = a.compiler.compile([]byte(text)); err != nil {
			return err
		}
	}
	switch {
	case made[0] == nil:
		return notComparable("opcache keeps nothing in files")
	case !bytes.Equal(made[0], made[1]) || !bytes.Equal(made[0], made[3]):
		return notComparable("opcache's files differ where the code does not")
	case bytes.Equal(made[0], made[2]):
		return notComparable("opcache's files do not differ where the code does")
	}
	return nil
}

// same reports whether a mutant is the same code as its original. counts says whether it is one
// that the figures are about.
func (a *alike) same(m *mutate.Mutant, counts bool) (bool, error) {
	refuse := func(why string) (bool, error) {
		if counts {
			a.refused[why]++
		}
		return false, nil
	}
	text := m.Edit.Apply(m.Source.Text)
	switch {
	case saysPlace(m.Source.Text) || saysPlace(text):
		return refuse("the file asks where it lies, or how long it is")
	case maySign(m.Before()) || maySign(m.Edit.New):
		return refuse("the change adds, subtracts or negates")
	}
	if err := a.open(m.Source); err != nil {
		return false, err
	}
	other, err := a.differs(m)
	if err != nil {
		return false, err
	}
	if !other && !a.isWhole {
		if a.original, err = a.compile(m.Source.Text); err != nil {
			return false, err
		}
		a.isWhole = true
	}
	if !other && a.original == nil {
		return refuse("opcache does not keep the file")
	}
	if counts {
		a.compared++ // what PHP does not compile is not the same
	}
	if other {
		return false, nil
	}
	mutant, err := a.compile(text)
	return bytes.Equal(a.original, mutant), err
}

// open prepares for mutants of a source.
func (a *alike) open(s *mutate.Source) error {
	if a.source == s {
		return nil
	}
	tokens, err := a.lint.tokens(s.Text)
	a.source, a.original, a.isWhole, a.bodies, a.cuts = s, nil, false, bodiesIn(s.Text, tokens), map[int][]byte{}
	return err
}

// differs reports whether a mutant is seen to be other code without a look at the functions that
// it does not touch.
func (a *alike) differs(m *mutate.Mutant) (bool, error) {
	c, ok := cut(m.Source.Text, a.bodies, m.Edit)
	if !ok {
		return false, nil
	}
	original, known := a.cuts[c.kept]
	if !known {
		var err error
		if original, err = a.compile(c.original); err != nil {
			return false, err
		}
		a.cuts[c.kept] = original
	}
	if original == nil {
		return false, nil
	}
	mutant, err := a.compile(c.edited)
	return err == nil && !bytes.Equal(original, mutant), err
}

func (a *alike) compile(text []byte) ([]byte, error) {
	tokens, err := a.lint.tokens(text)
	if err == nil {
		text, err = opaque(text, tokens)
	}
	if err != nil {
		return nil, err
	}
	return a.compiler.compile(text)
}
