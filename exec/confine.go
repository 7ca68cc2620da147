package exec

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"assay/exec/sandbox"
	"assay/mutate"
)

// abilitiesFor finds out what the kernel lets us do; tests replace it.
var abilitiesFor = sandbox.FindAbilities

// planConfinement decides what the tests can be kept from on this machine. What
// they cannot be kept from it says in e.facts.Unconfined.
func (e *Engine) planConfinement() error {
	if e.set.Unconfined {
		e.whyShared = "--no-confine leaves it so"
		e.facts.Unconfined = []string{"Mutated code was not confined (--no-confine): it could write and connect wherever you can."}
		return nil
	}
	p, err := sandbox.PlanConfinement(sandbox.Terms{Root: e.set.Root, Mode: e.facts.View,
		Write: e.set.AllowWrite, Ports: e.set.AllowPorts, Sockets: e.set.AllowSockets},
		abilitiesFor(e.facts.View, len(e.set.AllowPorts) == 0))
	if err != nil {
		return err
	}
	if e.facts.View == sandbox.Overlay {
		e.keep = append(e.keep, e.set.AllowSockets...)
	}
	e.confinement, e.facts.Unconfined, e.whyShared = p.Confinement, p.Loose, p.WhyShared
	return nil
}

const allowOrNot = "allow what it needs with --allow-write PATH or --allow-connect PORT, or turn confinement off with --no-confine."

// ifConfined finds out whether a suite that failed fails because it is
// confined, by running it once more, and then says so.
func (e *Engine) ifConfined(ctx context.Context, err error) error {
	var fault *ProjectError
	if e.confinement.None() || !errors.As(err, &fault) || ctx.Err() != nil {
		return err
	}
	w, free := e.startWorkerIn(ctx, 1, sandbox.Confinement{})
	if free != nil {
		return err
	}
	defer w.kill()
	x := &explorer{e: e, s: &Survey{rows: w.facts.Tests}}
	if x.whole, free = w.run(ctx, runRequest{Mode: "survey"}); free != nil || x.red() != nil || len(w.facts.Tests) == 0 {
		return err
	}
	return &ProjectError{fault.What, "The suite passes without confinement: " + allowOrNot}
}

// noteSkipped names the tests that are skipped only because they are confined:
// they would have judged mutants.
func (x *explorer) noteSkipped(ctx context.Context) error {
	s, e := x.s, x.e
	var skipped, tests []int
	for i, t := range s.Tests {
		if t.Outcome == "skipped" {
			skipped = append(skipped, i)
		}
	}
	if len(skipped) == 0 || e.confinement.None() {
		return nil
	}
	w, err := e.startWorkerIn(ctx, 1, sandbox.Confinement{})
	if err != nil {
		return err
	}
	defer w.kill()
	if sameSuite(s.rows, w.facts.Tests) != nil {
		s.Notes = append(s.Notes, mutate.Note{Kind: "confine", Text: "Without confinement the suite has other tests; " + allowOrNot})
		return nil
	}
	for todo := slices.Clone(skipped); len(todo) > 0; todo = todo[1:] {
		if !slices.Contains(tests, todo[0]) {
			tests = append(tests, todo[0])
			todo = append(todo, s.needs[todo[0]]...)
		}
	}
	slices.Sort(tests)
	o, err := w.run(ctx, runRequest{Mode: "survey", Tests: tests, Names: names(s.rows, tests)})
	if err != nil {
		return err
	}
	again := map[int]bool{}
	for _, ev := range o.Events {
		again[ev.Test] = again[ev.Test] || ev.Kind == "skipped"
	}
	ran := map[int]bool{}
	for _, t := range o.Tests {
		ran[t.Test] = true
	}
	for _, i := range skipped {
		if ran[i] && !again[i] {
			s.Notes = append(s.Notes, mutate.Note{Kind: "confine", Text: fmt.Sprintf(
				"%s is skipped because it is confined, and judges no mutants; %s", s.rows[i].ID, allowOrNot)})
		}
	}
	return nil
}
