//go:build linux

package exec

import (
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
	"sync"
	"time"

	"assay/exec/supervisor"
	"assay/mutate"
)

// A Trial is a test that is to be tried: the file that holds it, and the mutants that it
// may kill.
type Trial struct {
	Path   string // of the file, relative to the project, with "/"
	Text   []byte // of the whole file, with the test in it
	Added  bool   // there is no such file yet
	Test   mutate.TestID
	Mutant *mutate.Mutant   // which it has to kill
	Others []*mutate.Mutant // which it may kill as well
}

// A TrialResult is what came of a trial. The test is a proof where Why is Proves.
type TrialResult struct {
	Why   NotProof
	Says  string // the last lines of what PHPUnit printed, where it is no proof
	Kills []*mutate.Mutant
}

// NotProof says why a test proves nothing.
type NotProof uint8

const (
	Proves       NotProof = iota
	NotRun                // PHPUnit does not run it: the file or the class is not among the suite's
	NotGreen              // it fails on the original
	NotAlike              // it is green and red on the original
	SpoilsOthers          // other tests of its class have another outcome with it
	NotRed                // it is green on the mutant
	NoEnd                 // it does not end on the mutant
)

var notProofs = [...]string{"", "PHPUnit does not run the test", "the test fails on the original", "the test passes and fails on the original",
	"other tests of its class have another outcome with it", "the test passes on the mutant", "the test does not end on the mutant"}

// String gives the reason in words; "" for Proves.
func (n NotProof) String() string { return notProofs[n] }

// A Tryout runs trials: with the user's own PHPUnit, in a view and confined as mutants are,
// in processes of their own. It is safe for use by several goroutines; each that is at
// work has a view of its own.
type Tryout struct {
	e    *Engine
	b    *Baseline
	mu   sync.Mutex
	idle []*supervisor.Client
	next int                 // number of the next worker
	as   map[string]outcomes // class => its tests before anything was put in
}

// NewTryout prepares for trials. The Engine ends what they have started.
func (e *Engine) NewTryout(b *Baseline) *Tryout {
	return &Tryout{e: e, b: b, as: map[string]outcomes{}}
}

// outcomes are those of tests by their names: "passed", "failed" or "skipped".
type outcomes map[string]string

// keep reports whether all tests that were there before have the outcome that they had. What
// has come, as another test that has the same data provider, has to pass.
func (o outcomes) keep(before outcomes) bool {
	for name, outcome := range before {
		if o[name] != outcome {
			return false
		}
	}
	for name, outcome := range o {
		if before[name] == "" && outcome != "passed" {
			return false
		}
	}
	return true
}

// bareRun is what came of one run of PHPUnit.
type bareRun struct {
	o     *supervisor.Outcome
	tests outcomes // nil where there is no log
	took  time.Duration
}

func (r *bareRun) green(test mutate.TestID) bool {
	return r.o.Exit == 0 && r.tests[string(test)] == "passed"
}

// red reports whether the test has failed, or ended the process.
func (r *bareRun) red(test mutate.TestID) bool {
	if r.o.TimedOut || r.o.Exit == 0 {
		return false
	}
	return r.tests[string(test)] == "failed" || r.tests == nil
}

// Try makes a trial: the test has to be green on the original, with all tests of its class
// as they were, then red on the mutant, then green once more. A test that is no proof is
// no error.
func (t *Tryout) Try(ctx context.Context, trial Trial) (TrialResult, error) {
	w, err := t.worker(ctx)
	if err != nil {
		return TrialResult{}, err
	}
	r, err := t.try(ctx, w, trial)
	if err != nil {
		w.Kill() // what it stands in is not known
		return r, err
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.idle = append(t.idle, w)
	return r, nil
}

func (t *Tryout) worker(ctx context.Context) (*supervisor.Client, error) {
	t.mu.Lock()
	if n := len(t.idle); n > 0 {
		w := t.idle[n-1]
		t.idle = t.idle[:n-1]
		t.mu.Unlock()
		return w, nil
	}
	t.next++
	number := t.next
	t.mu.Unlock()
	w, err := t.e.startClient(ctx, number, t.e.confinement, false)
	if err != nil {
		return nil, err
	}
	return w, w.Know(ctx, supervisor.Known{Memory: t.b.memory})
}

// noTests is what PHPUnit prints where a filter leaves nothing over; from 13 on that is no
// success.
const noTests = "No tests executed!"

// trialLimit is what the first run of a test may take beside twice the time of the suite,
// and likelyLimit what a run of it on a mutant may beside ten times that of the first.
const (
	trialLimit  = 30 * time.Second
	likelyLimit = 5 * time.Second
)

func (t *Tryout) try(ctx context.Context, w *supervisor.Client, trial Trial) (TrialResult, error) {
	class, _, _ := strings.Cut(string(trial.Test), "::")
	whole, one := filterOf(class+"::")+".*$/", filterOf(junitName(trial.Test))+"$/"
	before, err := t.before(ctx, w, trial, class, whole)
	if err != nil {
		return TrialResult{}, err
	}
	green, err := t.run(ctx, w, trial, nil, whole, trialLimit+2*t.b.Suite)
	if err != nil {
		return TrialResult{}, err
	}
	no := func(why NotProof, r *bareRun) (TrialResult, error) {
		return TrialResult{Why: why, Says: lastLines(r.o.Output, 12)}, nil
	}
	switch own := string(trial.Test); {
	case green.tests[own] == "" && (green.o.Exit == 0 || strings.Contains(green.o.Output, noTests)):
		return no(NotRun, green)
	case green.tests[own] != "passed":
		return no(NotGreen, green)
	default:
		if green.o.Exit != 0 || !trial.Added && !green.tests.keep(before) {
			return no(SpoilsOthers, green)
		}
	}
	limit := likelyLimit + 10*green.took
	red, err := t.run(ctx, w, trial, trial.Mutant, one, limit)
	if err != nil {
		return TrialResult{}, err
	}
	switch {
	case red.o.TimedOut:
		return no(NoEnd, red)
	case !red.red(trial.Test):
		return no(NotRed, red)
	}
	again, err := t.run(ctx, w, trial, nil, one, limit)
	if err != nil || !again.green(trial.Test) {
		return TrialResult{Why: NotAlike}, err
	}
	return t.killed(ctx, w, trial, one, limit)
}

// killed tries a proof on the other mutants.
func (t *Tryout) killed(ctx context.Context, w *supervisor.Client, trial Trial, filter string, limit time.Duration) (TrialResult, error) {
	r := TrialResult{Kills: []*mutate.Mutant{trial.Mutant}}
	for _, m := range trial.Others {
		if m == trial.Mutant {
			continue
		}
		run, err := t.run(ctx, w, trial, m, filter, limit)
		if err != nil {
			return TrialResult{}, err
		}
		if run.red(trial.Test) {
			r.Kills = append(r.Kills, m)
		}
	}
	return r, nil
}

// before gives the outcomes of the tests of a class as it is.
func (t *Tryout) before(ctx context.Context, w *supervisor.Client, trial Trial, class, filter string) (outcomes, error) {
	if trial.Added {
		return nil, nil
	}
	t.mu.Lock()
	known, ok := t.as[class]
	t.mu.Unlock()
	if ok {
		return known, nil
	}
	r, err := t.run(ctx, w, Trial{}, nil, filter, trialLimit+2*t.b.Suite)
	if err != nil {
		return nil, err
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.as[class] = r.tests
	return r.tests, nil
}

// run has PHPUnit run the tests that a filter names; m may be nil.
func (t *Tryout) run(ctx context.Context, w *supervisor.Client, trial Trial, m *mutate.Mutant, filter string, limit time.Duration) (*bareRun, error) {
	b := supervisor.Bare{Texts: map[string][]byte{}, Args: []string{"--filter", filter}, Log: true, Limit: int64(limit)}
	if m != nil {
		b.Texts = textOf(m)
	}
	switch {
	case trial.Added:
		b.Added = map[string][]byte{trial.Path: trial.Text}
	case trial.Path != "":
		b.Texts[trial.Path] = trial.Text
	}
	defer t.e.turns.take()()
	began := time.Now()
	o, err := w.Bare(ctx, b)
	if err != nil {
		return nil, err
	}
	r := &bareRun{o: o, took: time.Since(began)}
	r.tests, err = readJUnit(string(o.Log))
	if err != nil && o.Exit == 0 {
		return nil, fmt.Errorf("PHPUnit's log of a test cannot be read: %w", err)
	}
	for name, outcome := range r.tests { // a copy's paths may be in names
		if own := t.e.own(w.Facts.Root, name); own != name {
			delete(r.tests, name)
			r.tests[own] = outcome
		}
	}
	return r, nil
}

// junitName gives a test's name as PHPUnit's filter and its log have it.
func junitName(test mutate.TestID) string {
	name, set, has := strings.Cut(string(test), "#")
	switch {
	case !has:
		return name
	case isNumber(set):
		return name + " with data set #" + set
	}
	return name + ` with data set "` + set + `"`
}

func isNumber(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}

// filterOf begins a pattern for --filter, which is one of PCRE's.
func filterOf(name string) string {
	return "/^" + strings.ReplaceAll(regexp.QuoteMeta(name), "/", `\/`)
}

var dataSet = regexp.MustCompile(`(?s)\A(.*?) with data set (?:#(\d+)|"(.*)")\z`)

// readJUnit gives the outcomes that a log of PHPUnit tells; nil and an error where the log
// is not whole.
func readJUnit(log string) (outcomes, error) {
	if log == "" {
		return nil, errors.New("there is none")
	}
	d := xml.NewDecoder(strings.NewReader(log))
	out := outcomes{}
	name := ""
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, err
		}
		start, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		switch start.Name.Local {
		case "testcase":
			name = testIDOf(attribute(start, "class"), attribute(start, "name"))
			out[name] = "passed"
		case "failure", "error", "warning":
			out[name] = "failed"
		case "skipped":
			out[name] = "skipped"
		}
	}
}

func attribute(e xml.StartElement, name string) string {
	for _, a := range e.Attr {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

func testIDOf(class, name string) string {
	if m := dataSet.FindStringSubmatch(name); m != nil {
		name = m[1] + "#" + m[2] + m[3]
	}
	return class + "::" + name
}
