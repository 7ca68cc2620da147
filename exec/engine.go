package exec

import (
	"context"
	"errors"
	"io"
	"time"

	"assay/mutate"
)

// Settings says what to run and how.
type Settings struct {
	Root      string   // absolute project root
	PHP       string   // the PHP binary
	PHPUnit   string   // PHPUnit's script or phar
	Config    string   // phpunit.xml, absolute; "" when there is none
	Bootstrap string   // used only where the configuration names none; "" for none
	Jobs      int      // workers; 0 means one a core
	Cold      bool     // one PHP process a mutant instead of forks
	View      ViewMode // how a worker gets its own view of the project
	Keep      bool     // leave the work directory behind, for looking at it
	Trace     io.Writer
	TestSuite []string // --testsuite
	Group     []string // --group
}

// Facts is what was found out about the machine and the project's tools.
type Facts struct {
	PHP        string // version
	PHPUnit    string // version
	Pcntl      bool   // can fork
	View       ViewMode
	ViewReason string // why not the overlay view; "" when it is
}

// A ProjectError is the project's to mend: a red suite, no tests, a bootstrap
// that fails.
type ProjectError struct {
	What string // what is wrong and where
	Do   string // what to do about it
}

func (e *ProjectError) Error() string { return e.What + "; " + e.Do }

// Survey is what one run of the unchanged suite told.
type Survey struct {
	Tests  []mutate.Test // in the suite's order
	Suite  time.Duration // the tests' own time, all of them
	Notes  []mutate.Note
	Reach  func(m *mutate.Mutant) []int // indices into Tests, most specific first
	detail *surveyDetail
}

// A Task is one mutant with the tests to run on it.
type Task struct {
	Mutant *mutate.Mutant
	Tests  []int         // indices into Survey.Tests, in the order to run
	Limit  time.Duration // CPU time after which the tests count as endless
}

// Engine runs PHP. Open it, Survey once, Run any number of times, Close it.
type Engine struct{}

type surveyDetail struct{}

var errTODO = errors.New("not written yet")

// Open looks at PHP and PHPUnit; nothing of the project is run.
func Open(ctx context.Context, s Settings) (*Engine, error) { return nil, errTODO }

// Facts says what Open found.
func (e *Engine) Facts() Facts { return Facts{} }

// Lint reports which mutants PHP's parser refuses: one flag a mutant.
func (e *Engine) Lint(ctx context.Context, ms []*mutate.Mutant) ([]bool, error) { return nil, errTODO }

// Survey runs the unchanged suite. A red suite is a *ProjectError.
func (e *Engine) Survey(ctx context.Context, files []*mutate.Points, progress func(done, all int)) (*Survey, error) {
	return nil, errTODO
}

// Plan decides which tests each mutant needs; a mutant that no test reaches
// gets a task without tests. Pure.
func Plan(ms []*mutate.Mutant, s *Survey) []Task { return nil }

// Run judges the tasks. each is called from one goroutine, as verdicts fall.
// When ctx ends, Run returns ctx.Err() within a second; what was decided has
// been delivered.
func (e *Engine) Run(ctx context.Context, s *Survey, tasks []Task, each func(mutate.Verdict)) error {
	return errTODO
}

// Try runs one mutant in a cold process with PHPUnit's own output going to w.
func (e *Engine) Try(ctx context.Context, s *Survey, t Task, w io.Writer) (mutate.Verdict, error) {
	return mutate.Verdict{}, errTODO
}

// Close ends every process and removes the work directory.
func (e *Engine) Close() error { return nil }
