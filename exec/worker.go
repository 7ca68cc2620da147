package exec

import (
	"bytes"
	"context"
	"encoding/gob"
	"fmt"
	"io"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"assay/exec/sandbox"
)

// worker is the host's side of one keeper.
type worker struct {
	number  int
	dir     string
	cmd     *osexec.Cmd
	in      io.WriteCloser
	enc     *gob.Encoder
	dec     *gob.Decoder
	errors  *bytes.Buffer
	facts   stageFacts
	checked map[way]bool    // ways of which it has passed the controls
	whole   map[string]bool // files that its whole stage has with their mutants
	unfit   map[int]bool    // tests that cannot be among a sequence; nil: there can be none
	anew    bool            // tests can be made anew in a sequence
	ended   chan struct{}
	once    sync.Once // for waiting
	turns   *turns
	paths   *strings.Replacer // from a copy's paths to the project's own; nil where they are the same
}

// startWorker starts a keeper with a view of its own and opens the project in it.
func (e *Engine) startWorker(ctx context.Context, number int) (*worker, error) {
	return e.startWorkerIn(ctx, number, e.confinement)
}

func (e *Engine) startWorkerIn(ctx context.Context, number int, c sandbox.Confinement) (*worker, error) {
	w, err := e.startKeeper(number, c)
	if err != nil {
		return nil, err
	}
	if err := e.openProject(ctx, w, e.openRequest(number, false)); err != nil {
		return nil, err
	}
	return w, nil
}

// launch starts a worker as far as that goes without anything of the project
// being run: call openWith then. probed: it is to have probes.
func (e *Engine) launch(ctx context.Context, number int, probed bool) (*worker, error) {
	w, err := e.startKeeper(number, e.confinement)
	if err != nil {
		return nil, err
	}
	r := e.openRequest(number, probed)
	r.Launch = true
	if _, err := w.ask(ctx, request{Open: r}); err != nil {
		w.stop()
		return nil, err
	}
	return w, nil
}

// openWith opens the project in a worker that was launched. Files, if there are
// any, are put in place before anything is loaded.
func (e *Engine) openWith(ctx context.Context, w *worker, probed map[string][]byte) error {
	r := e.openRequest(w.number, probed != nil)
	r.Swap = probed
	return e.openProject(ctx, w, r)
}

func (e *Engine) startKeeper(number int, c sandbox.Confinement) (*worker, error) {
	w := &worker{number: number, turns: &e.turns, errors: &bytes.Buffer{}, ended: make(chan struct{})}
	w.dir = filepath.Join(e.dir, "w"+strconv.Itoa(int(e.serial.Add(1))))
	if err := os.Mkdir(w.dir, 0o700); err != nil {
		return nil, err
	}
	spec := sandbox.Spec{Mode: e.facts.View, Root: e.set.Root, Dir: w.dir, Keep: append([]string{e.harness}, e.keep...), Confinement: c}
	cmd, err := sandbox.Command(spec, "keep", "")
	if err != nil {
		return nil, err
	}
	w.cmd = cmd
	if w.in, err = cmd.StdinPipe(); err != nil {
		return nil, err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	cmd.Stderr = w.errors
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("a worker could not be started: %w", err)
	}
	w.enc, w.dec = gob.NewEncoder(w.in), gob.NewDecoder(out)
	e.note(w)
	return w, nil
}

func (e *Engine) openProject(ctx context.Context, w *worker, r *openRequest) error {
	defer e.turns.take()()
	rep, err := w.ask(ctx, request{Open: r})
	w.facts = rep.Stage
	if err != nil {
		w.stop()
		return err
	}
	if at := w.facts.Root; at != e.set.Root && at != "" {
		w.paths = strings.NewReplacer(at, e.set.Root, at[1:], e.set.Root[1:])
		for i := range w.facts.Tests {
			w.facts.Tests[i].ID = w.own(w.facts.Tests[i].ID)
		}
	}
	return nil
}

// own writes the project's own path where a text holds that of a copy, with or
// without its first slash: data sets are often named after files.
func (w *worker) own(text string) string {
	if w.paths == nil {
		return text
	}
	return w.paths.Replace(text)
}

func (e *Engine) openRequest(number int, probed bool) *openRequest {
	token := strconv.Itoa(number)
	env := make([]string, 0, 64)
	for _, v := range os.Environ() {
		name, _, _ := strings.Cut(v, "=")
		if name != "TMPDIR" && name != "XDEBUG_MODE" {
			env = append(env, v)
		}
	}
	env = append(env, "TEST_TOKEN="+token, "UNIQUE_TEST_TOKEN="+token+"_"+filepath.Base(e.dir),
		"XDEBUG_MODE=off", "USE_ZEND_ALLOC_HUGE_PAGES=1", "ZEND_DONT_UNLOAD_MODULES=1")
	r := &openRequest{PHP: e.php, Harness: e.harness, Forks: e.facts.Pcntl && !e.set.Cold,
		Limits: e.limits, Env: env}
	r.Setup = setup{PHPUnit: e.inView(e.set.PHPUnit), Argv: e.argv(), Probed: probed}
	if probed {
		// Processes that tests start must know what the probes call.
		r.Env = append(r.Env, "PHP_INI_SCAN_DIR="+os.Getenv("PHP_INI_SCAN_DIR")+":"+filepath.Join(e.harness, "ini"))
	}
	return r
}

// inView writes a path below the project's root as the view will have it.
func (e *Engine) inView(path string) string {
	if rel, err := filepath.Rel(e.set.Root, path); err == nil && rel != ".." && !strings.HasPrefix(rel, "../") {
		return rootMark + "/" + rel
	}
	return path
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
	if len(e.set.Group) > 0 {
		argv = append(argv, "--group", strings.Join(e.set.Group, ","))
	}
	if e.set.Config == "" && e.set.TestPath != "" {
		argv = append(argv, e.inView(e.set.TestPath))
	}
	return argv
}

// ask sends a request and waits for its reply. When ctx ends first the worker
// is killed.
func (w *worker) ask(ctx context.Context, req request) (reply, error) {
	type answer struct {
		rep reply
		err error
	}
	done := make(chan answer, 1)
	go func() {
		var a answer
		if a.err = w.enc.Encode(req); a.err == nil {
			a.err = w.dec.Decode(&a.rep)
		}
		done <- a
	}()
	select {
	case <-ctx.Done():
		w.kill()
		<-done
		return reply{}, ctx.Err()
	case a := <-done:
		if a.err != nil {
			w.kill()
			return a.rep, fmt.Errorf("worker %d died: %w%s", w.number, a.err, w.lastWords())
		}
		if a.rep.Failure != "" {
			return a.rep, &workerError{a.rep.Failure}
		}
		return a.rep, nil
	}
}

// workerError is what a living keeper could not do.
type workerError struct{ text string }

func (e *workerError) Error() string { return e.text }

func (w *worker) lastWords() string {
	if s := strings.TrimSpace(w.errors.String()); s != "" {
		return " (" + s + ")"
	}
	return ""
}

// kill ends the keeper and all that it started, at once.
func (w *worker) kill() {
	if w.cmd.Process != nil {
		sandbox.KillTree(w.cmd.Process.Pid)
	}
	w.reap()
}

// stop lets the keeper end by itself, shortly, and then kills it.
func (w *worker) stop() {
	w.in.Close()
	t := time.AfterFunc(time.Second, func() { w.cmd.Process.Signal(syscall.SIGKILL) })
	defer t.Stop()
	w.reap()
}

func (w *worker) reap() {
	w.once.Do(func() {
		w.cmd.Wait()
		close(w.ended)
	})
}

// run asks for one child.
func (w *worker) run(ctx context.Context, r runRequest) (outcome, error) {
	defer w.turns.take()()
	rep, err := w.ask(ctx, request{Run: &r})
	o := rep.Outcome
	w.translate(&o)
	for i := range o.Parts {
		w.translate(&o.Parts[i])
	}
	return o, err
}

// translate puts the project's own paths into an outcome's names and messages.
func (w *worker) translate(o *outcome) {
	o.RunName = w.own(o.RunName)
	for i, t := range o.Tests {
		o.Tests[i].Name = w.own(t.Name)
	}
	for i, e := range o.Events {
		o.Events[i].Name, o.Events[i].Message = w.own(e.Name), w.own(e.Message)
	}
}
