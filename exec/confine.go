package exec

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"assay/mutate"
)

// Confinement is what the PHP processes of a keeper are kept from, and all that
// they start. The zero value keeps them from nothing.
//
// Two means serve, each where the machine has it. In an overlay view, which has
// namespaces anyway: everything that is mounted, but for the view, becomes
// read-only, the network is one of their own, and socket files of services lead
// nowhere. In any view: Landlock (Linux, Documentation/userspace-api/landlock.rst),
// which knows no change of mode, owner or time of a file, and of the network
// only ports of TCP.
type Confinement struct {
	Mounts   bool     // in an overlay view: what else is mounted is read-only
	Landlock int      // the version of Landlock that is made use of; 0: none
	Network  bool     // a network that has nothing but a loopback device
	TCP      bool     // by Landlock: TCP connections to no ports but Ports
	Signals  bool     // by Landlock: no signals to processes outside
	Ports    []uint16 // see TCP
	Write    []string // may be written besides: absolute paths that exist, without links
	Sockets  []string // socket files that lead nowhere, absolute, without links
}

func (c Confinement) none() bool {
	return !c.Mounts && c.Landlock == 0 && !c.Network && len(c.Sockets) == 0
}

// What each version of Landlock can do for us first.
const (
	landlockUsable   = 2 // version 1 forbids to move a file from directory to directory
	landlockTruncate = 3
	landlockTCP      = 4
	landlockSignals  = 6
)

// abilities is what the kernel lets us do for a view of some mode.
type abilities struct {
	landlock int   // its version
	why      error // why it has no Landlock
	mounts   error // why mounts cannot be made read-only, or nil
	network  error // why there can be no network of their own, or nil
}

// tried is what a keeper's job of that name finds out in namespaces of its own,
// as texts of errors.
type tried struct{ Mounts, Network string }

func asError(text string) error {
	if text == "" {
		return nil
	}
	return errors.New(text)
}

// planConfinement decides what the tests can be kept from on this machine. What
// they cannot be kept from it says in e.facts.Unconfined.
func (e *Engine) planConfinement() error {
	if e.set.Unconfined {
		e.whyShared = "--no-confine leaves it so"
		e.loose("Mutated code was not confined (--no-confine): it could write and connect wherever you can.")
		return nil
	}
	has := abilitiesFor(e.facts.View, len(e.set.AllowPorts) == 0)
	c := Confinement{Write: e.set.AllowWrite, Ports: e.set.AllowPorts}
	if has.landlock >= landlockUsable {
		c.Landlock = has.landlock
	}
	overlay := e.facts.View == ViewOverlay
	c.Mounts = overlay && has.mounts == nil
	c.Signals = !overlay && has.landlock >= landlockSignals
	if c.Network = has.network == nil; !c.Network {
		e.whyShared = has.network.Error()
	}
	c.TCP = !c.Network && has.landlock >= landlockTCP
	if overlay {
		var err error
		if c.Sockets, err = serviceSockets(e.set.Root, e.set.AllowSockets); err != nil {
			return err
		}
		e.keep = append(e.keep, e.set.AllowSockets...)
	}
	e.confinement = c
	e.tellLoose(has)
	return nil
}

// loose notes something that mutated code is not kept from.
func (e *Engine) loose(format string, args ...any) {
	e.facts.Unconfined = append(e.facts.Unconfined, fmt.Sprintf(format, args...))
}

func (e *Engine) tellLoose(has abilities) {
	c, overlay := e.confinement, e.facts.View == ViewOverlay
	why := has.why
	if why == nil && has.landlock < landlockUsable {
		why = fmt.Errorf("the kernel's Landlock is of version %d, and %d is needed", has.landlock, landlockUsable)
	}
	can := []string{"change modes, owners and times of files outside of its view"}
	if has.landlock < landlockTruncate {
		can = append(can, "cut files short there (truncate)")
	}
	switch {
	case c.Mounts && c.Landlock == 0 && os.Geteuid() == 0:
		e.loose("Mutated code can write to devices, because %v.", why)
	case c.Mounts:
	case c.Landlock == 0 && overlay:
		e.loose("Mutated code can write wherever you can but in the project, because mounts cannot be made read-only (%v) and %v.", has.mounts, why)
	case c.Landlock == 0:
		e.loose("Mutated code can write wherever you can, because %v.", why)
	default:
		e.loose("Mutated code can %s, but neither write, create nor delete any: Landlock does not know more.", strings.Join(can, " and "))
	}
	switch {
	case c.Network && !overlay:
		e.loose("Mutated code can reach services of this machine that listen at a socket file.")
	case c.Network:
	case c.TCP:
		e.loose("Mutated code is kept from TCP connections, but to allowed ports (of any machine), and from no other: %v.", has.network)
	default:
		e.loose("Mutated code can connect to any place: %v, and the kernel's Landlock does not know connections (it is of version %d, and %d is needed).",
			has.network, has.landlock, landlockTCP)
	}
	if !overlay && !c.Signals {
		e.loose("Mutated code can send signals to all your processes, because the kernel's Landlock does not know signals (it is of version %d, and %d is needed).",
			has.landlock, landlockSignals)
	}
}

const allowOrNot = "allow what it needs with --allow-write PATH or --allow-connect PORT, or turn confinement off with --no-confine."

// ifConfined finds out whether a suite that failed fails because it is
// confined, by running it once more, and then says so.
func (e *Engine) ifConfined(ctx context.Context, err error) error {
	var fault *ProjectError
	if e.confinement.none() || !errors.As(err, &fault) || ctx.Err() != nil {
		return err
	}
	w, free := e.startWorkerIn(ctx, 1, Confinement{})
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
	if len(skipped) == 0 || e.confinement.none() {
		return nil
	}
	w, err := e.startWorkerIn(ctx, 1, Confinement{})
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

// CheckAllowedPath makes a path that tests are to be allowed to write absolute
// and free of links, and refuses one that would not do.
func CheckAllowedPath(root, path string) (string, error) {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return "", fmt.Errorf("%s: there is no such file or folder; make it first", path)
	}
	if real, err = filepath.Abs(real); err != nil {
		return "", err
	}
	if root, err = filepath.EvalSymlinks(root); err != nil {
		return "", err
	}
	switch {
	case within(root, real):
		return "", fmt.Errorf("%s: lies in the project, which tests may write anyway, each worker its own view of it; leave it out", path)
	case within(real, root):
		return "", fmt.Errorf("%s: contains the project, which is never written; name something smaller", path)
	}
	return real, nil
}
