//go:build linux

package exec

import (
	"context"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"assay/exec/sandbox"
	"assay/exec/supervisor"
	"assay/exec/wire"
)

// startClient starts a supervisor with a view of its own, and PHP in it.
func (e *Engine) startClient(ctx context.Context, number int, c sandbox.Confinement, forks bool) (*supervisor.Client, error) {
	dir := filepath.Join(e.dir, "w"+strconv.Itoa(int(e.serial.Add(1))))
	spec := sandbox.Spec{Mode: e.facts.View, Root: e.set.Root, Dir: dir, Keep: slices.Concat([]string{e.harness}, e.keep, e.shown), Confinement: c}
	if whole := e.copied(); whole != e.set.Root {
		spec.Around = whole
	}
	w, err := supervisor.Start(spec)
	if err != nil {
		return nil, err
	}
	e.mu.Lock()
	e.clients = append(e.clients, w)
	e.mu.Unlock()
	if err := w.Open(ctx, e.openMessage(number, forks)); err != nil {
		w.Stop()
		return nil, err
	}
	return w, nil
}

// What supervisors are launched for ahead.
const (
	forPlain    = "plain"
	forProbed   = "probed"
	forObserved = "observed"
)

// forJudging is what the supervisor of a worker is launched for.
func forJudging(number int) string { return "judging " + strconv.Itoa(number) }

// launchAhead launches what the first recordings need before it is asked for. Where that fails
// they are launched when they are needed, and it is told then.
func (e *Engine) launchAhead() {
	for i, what := range []string{forPlain, forProbed} {
		e.launch(what, i+1, false)
	}
}

// launchJudging launches what workers need that judge, while the last recording leaves processors
// idle.
func (e *Engine) launchJudging() {
	if e.set.Sources == nil || e.sharesNetwork() || e.sharesPlaces() {
		return
	}
	for n := range min(e.set.Jobs, len(e.observed)) {
		e.launch(forJudging(n+1), n+1, e.forks())
	}
}

func (e *Engine) launch(what string, number int, forks bool) {
	c := make(chan *supervisor.Client, 1)
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.launched == nil {
		e.launched = map[string]chan *supervisor.Client{}
	}
	e.launched[what] = c
	go func() {
		w, _ := e.startClient(e.closing, number, e.confinement, forks)
		c <- w
	}()
}

// dropLaunched ends what was launched and is not asked for.
func (e *Engine) dropLaunched() {
	e.mu.Lock()
	coming := slices.Collect(maps.Values(e.launched))
	e.launched = nil
	e.mu.Unlock()
	for _, c := range coming {
		if w := <-c; w != nil {
			w.Kill()
		}
	}
}

// supervisor gives one that was launched ahead, or starts one.
func (e *Engine) supervisor(ctx context.Context, what string, number int, forks bool) (*supervisor.Client, error) {
	e.mu.Lock()
	c := e.launched[what]
	delete(e.launched, what)
	e.mu.Unlock()
	if c != nil {
		if w := <-c; w != nil {
			return w, nil
		}
	}
	return e.startClient(ctx, number, e.confinement, forks)
}

// forks reports whether replays are forked.
func (e *Engine) forks() bool { return e.facts.Pcntl && !e.set.Cold }

func (e *Engine) openMessage(number int, forks bool) supervisor.Open {
	token := strconv.Itoa(number)
	env := make([]string, 0, 64)
	for _, v := range os.Environ() {
		name, _, _ := strings.Cut(v, "=")
		set := slices.ContainsFunc(e.set.Env, func(v string) bool { return strings.HasPrefix(v, name+"=") })
		if name != "TMPDIR" && name != "XDEBUG_MODE" && !set {
			env = append(env, v)
		}
	}
	for _, v := range e.set.Env {
		name, value, _ := strings.Cut(v, "=")
		env = append(env, name+"="+e.inView(value))
	}
	env = append(env, "TEST_TOKEN="+token, "UNIQUE_TEST_TOKEN="+token+"_"+filepath.Base(e.dir),
		"XDEBUG_MODE=off", "USE_ZEND_ALLOC_HUGE_PAGES=1", "ZEND_DONT_UNLOAD_MODULES=1")
	limits := e.limits
	if e.sharesNetwork() || len(e.set.AllowSockets)+len(e.set.AllowWrite) > 0 {
		limits.Wait = 0 // what is waited for may be held by another worker
	}
	return supervisor.Open{PHP: e.php, Harness: e.harness, Forks: forks, Limits: limits, Env: env,
		Setup: wire.Setup{PHPUnit: e.inView(e.set.PHPUnit), Argv: e.argv()}}
}

// copied gives the directory that a copy copies: the project, or what it lies in and
// needs, as a monorepo with vendor in it.
func (e *Engine) copied() string {
	if e.facts.View == sandbox.Copy && e.set.Above != "" && sandbox.Within(e.set.Above, e.set.Root) {
		return e.set.Above
	}
	return e.set.Root
}

// copyOf gives the place of the copy of copied, in which the project is at a place.
func (e *Engine) copyOf(at string) string {
	return strings.TrimSuffix(at, strings.TrimPrefix(e.set.Root, e.copied()))
}

// inView writes a path below what is copied as the view will have it.
func (e *Engine) inView(path string) string {
	if !sandbox.Within(e.copied(), path) { // neither, if it is relative
		return path
	}
	rel, err := filepath.Rel(e.set.Root, path)
	if err != nil {
		return path
	}
	return supervisor.RootMark + "/" + rel
}

// argv is how PHPUnit is called. Coverage and logs are not ours to write;
// everything else of the user's configuration stays. What versions spell in
// different ways, the adapters of the harness add.
func (e *Engine) argv() []string {
	argv := []string{e.inView(e.set.PHPUnit)}
	switch {
	case e.set.Config != "":
		argv = append(argv, "--configuration", e.inView(e.set.Config))
	case e.set.TestPath != "":
		argv = append(argv, "--no-configuration")
	}
	if e.set.Bootstrap != "" {
		argv = append(argv, "--bootstrap", e.inView(e.set.Bootstrap))
	}
	argv = append(argv, "--no-coverage", "--no-logging")
	if len(e.set.TestSuite) > 0 {
		argv = append(argv, "--testsuite", strings.Join(e.set.TestSuite, ","))
	}
	if majorOf(e.version()) > 11 { // where the version is not known yet, the adapter sees to it
		for _, g := range e.set.Group {
			argv = append(argv, "--group", g)
		}
	} else if len(e.set.Group) > 0 {
		argv = append(argv, "--group", strings.Join(e.set.Group, ","))
	}
	if e.set.Config == "" && e.set.TestPath != "" {
		argv = append(argv, e.inView(e.set.TestPath))
	}
	return argv
}

func majorOf(version string) int {
	major, _, _ := strings.Cut(version, ".")
	n, _ := strconv.Atoi(major)
	return n
}

// own writes the project's own path where a text holds that of a copy, with or without
// its first slash: data sets are often named after files.
func (e *Engine) own(at, text string) string {
	if at == e.set.Root || at == "" {
		return text
	}
	pairs := []string{at, e.set.Root, at[1:], e.set.Root[1:]}
	if whole := e.copied(); whole != e.set.Root {
		copied := e.copyOf(at)
		pairs = append(pairs, copied, whole, copied[1:], whole[1:])
	}
	return strings.NewReplacer(pairs...).Replace(text)
}

// ownSuite does that in the names of tests.
func (e *Engine) ownSuite(at string, s *wire.Suite) {
	if at == e.set.Root || s == nil {
		return
	}
	for i := range s.Tests {
		s.Tests[i].ID = e.own(at, s.Tests[i].ID)
	}
}
