//go:build linux

package exec

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"sync"

	"assay/exec/recording"
	"assay/exec/sandbox"
	"assay/exec/supervisor"
	"assay/exec/wire"
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
	run, o, free := e.recordFree(ctx)
	if free != nil || e.green(run, o) != nil {
		return err
	}
	if unresolved().MatchString(fault.What) && !e.sharesNetwork() {
		return &ProjectError{fault.What, "The suite passes without confinement: tests have a network of their own, in which no names of other machines are resolved. " +
			"With --allow-connect PORT, the port that they connect to, they share yours; or have them do without."}
	}
	return &ProjectError{fault.What, "The suite passes without confinement: " + allowOrNot}
}

// unresolved is what PHP says of a name that it cannot resolve: texts of its own
// (main/network.c, ext/standard/dns.c), of gai_strerror(3) and of curl.
var unresolved = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`(?i)getaddrinfo|name resolution|name or service not known|could(n't| not) resolve|resolving timed out|dns_get_record|no address associated with`)
})

// recordFree runs the suite as it is, without confinement.
func (e *Engine) recordFree(ctx context.Context) (*recording.Run, *supervisor.Outcome, error) {
	w, err := e.startClient(ctx, 1, sandbox.Confinement{}, false)
	if err != nil {
		return nil, nil, err
	}
	defer w.Kill()
	run, o, err := w.Record(ctx, supervisor.Walk{Records: "plain"})
	if err == nil {
		e.ownSuite(w.Facts.Root, &run.Suite)
	}
	return run, o, err
}

// noteSkipped names the tests that are skipped only because they are confined: they
// would have judged mutants.
func (e *Engine) noteSkipped(ctx context.Context, plain *recording.Run) ([]mutate.Note, error) {
	skipped := map[string]bool{}
	for _, ev := range plain.Events {
		if ev.Kind == "skipped" {
			skipped[ev.Name] = true
		}
	}
	if len(skipped) == 0 || e.confinement.None() || e.sharesNetwork() {
		return nil, nil
	}
	var segments []int
	for n, row := range plain.Suite.Segments {
		if row.Test >= 0 && skipped[plain.Suite.Tests[row.Test].ID] {
			segments = append(segments, n+1)
		}
	}
	if len(segments) == 0 {
		return nil, nil
	}
	suite, ran, err := e.playFree(ctx, segments)
	if err != nil {
		return nil, err
	}
	if suite == nil || recording.SameSuite(plain.Suite, *suite) != nil {
		return []mutate.Note{{Kind: "confine", Text: "Without confinement the suite has other tests; " + allowOrNot}}, nil
	}
	var notes []mutate.Note
	for i, t := range suite.Tests {
		if ran[i] && skipped[t.ID] {
			notes = append(notes, mutate.Note{Kind: "confine", Text: fmt.Sprintf(
				"%s is skipped because it is confined, and judges no mutants; %s", t.ID, allowOrNot)})
		}
	}
	return notes, nil
}

// playFree runs some segments without confinement. It gives the suite that was built, and
// which tests were run and did not skip themselves.
func (e *Engine) playFree(ctx context.Context, segments []int) (suite *wire.Suite, ran map[int]bool, err error) {
	w, err := e.startClient(ctx, 1, sandbox.Confinement{}, false)
	if err != nil {
		return nil, nil, err
	}
	defer w.Kill()
	then := map[int]int{}
	for i, n := range segments[1:] {
		then[segments[i]] = n
	}
	ran = map[int]bool{}
	o, err := w.Replay(ctx, supervisor.Replay{From: supervisor.FromNew, Job: wire.Job{Kind: wire.Play}})
	for err == nil {
		if o.Suite != nil {
			e.ownSuite(w.Facts.Root, o.Suite)
			suite = o.Suite
		}
		for _, t := range o.Tests {
			ran[t.Test] = true
		}
		for _, ev := range o.Events {
			if ev.Kind == "skipped" {
				delete(ran, ev.Test)
			}
		}
		if o.Stop == nil {
			return suite, ran, nil
		}
		at, _ := slices.BinarySearch(segments, o.Stop.Boundary)
		if at == len(segments) {
			_, err = w.Finish(ctx)
			return suite, ran, err
		}
		o, err = w.Continue(ctx, supervisor.Continue{Next: segments[at], Then: then})
	}
	return suite, ran, err
}
