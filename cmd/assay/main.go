//go:build linux

// Assay tells PHP developers which behaviour their unit tests do not guard. It
// makes mutants, which are copies of the code with one small change each, runs
// the tests that reach each mutant, and shows those that survive: no test fails
// on them.
//
// Usage:
//
//	assay run [PATH...]        judge every mutant and report
//	assay list [PATH...]       the mutants, without running anything
//	assay inspect ID           one mutant, and what the last run found out
//	assay try ID               run one mutant and show PHPUnit's own output
//	assay prove [ID...]        look for tests that kill survivors, and try them
//	assay report RESULT.json   show a saved result, or write it in other formats
//	assay merge PART.json...   put the parts of a run together, as one result
//	assay work --pool URL      judge mutants of runs that give them to a pool
//	assay accept ID            leave a survivor as it is, with a reason
//	assay tests                which tests kill which mutants, and which might be spared
//	assay history              what became of score and survivors over many runs
//	assay operators [NAME...]  the operators, or some of them in full
//	assay check                whether this machine and project are fit
//	assay version
//	assay help [COMMAND]
//	assay completion SHELL     the completion of bash, zsh or fish
//	assay manual [COMMAND]     manual pages, for man
//
// A flag and a key of assay.toml in the project's root have the same name; the
// flag wins.
//
// The exit status is an interface:
//
//	0    fine
//	1    the mutation score is below --fail-under, or --fail-on-new found something
//	2    the command line, assay.toml, assay.accepted or a comment that skips
//	     mutants is wrong, or parts do not fit together; nothing was run
//	3    the project must be fixed first: a red suite, no tests, no source
//	4    a fault of assay's own
//	130  interrupted (SIGINT); 143 for SIGTERM, 129 for SIGHUP, 131 for SIGQUIT.
//	     What was decided is reported; a second signal ends the run at once
package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"assay/exec"
	"assay/exec/sandbox"
	"assay/mutate/project"
	"assay/report"
)

func main() {
	sandbox.Main() // does not return in a process that is to work in a view
	exec.EaseCollector()
	os.Exit(run(os.Stdout, os.Stderr, os.Args[1:]))
}

// The exit statuses; see the package comment.
const (
	statusFine    = 0
	statusBelow   = 1
	statusUsage   = 2
	statusProject = 3
	statusOwn     = 4
)

// errBelow is a run below the bar; the report has said so.
var errBelow = errors.New("the mutation score is below the bar")

// A usageError is the user's to fix on the command line or in assay.toml.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// A signalError is the end of a run that was asked to stop.
type signalError struct{ signal syscall.Signal }

func (e signalError) Error() string {
	if e.signal == syscall.SIGINT {
		return "interrupted"
	}
	return "ended by signal: " + e.signal.String()
}

// run is the whole program but for the process around it.
func run(stdout, stderr io.Writer, args []string) (status int) {
	defer func() {
		if fault := recover(); fault != nil {
			fmt.Fprintf(stderr, "assay: a fault of its own: %v\n%s", fault, debug.Stack())
			status = statusOwn
		}
	}()
	ctx, stop := interruptible()
	defer stop()
	env := &environment{ctx: ctx, stdout: stdout, stderr: stderr}
	err := env.checkOutput()
	if err == nil {
		err = env.obey(args)
	}
	return env.end(orSignal(ctx, cmp.Or(err, env.unprinted)))
}

// obey does what the command line says.
func (env *environment) obey(args []string) error {
	command, err := parse(env, args)
	if err != nil || command == nil {
		return err
	}
	return env.config.placed(command.run(env))
}

// orSignal gives the signal that ended a run, where one did. A signal to a whole group of
// processes, as a terminal sends it, may end one that was just started before it reaches this
// one: then that is told as a fault first.
func orSignal(ctx context.Context, err error) error {
	var interrupted signalError
	if err == nil || errors.As(err, &interrupted) {
		return err
	}
	if s := statusOf(err); s == statusOwn || s == statusProject {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-time.After(100 * time.Millisecond):
		}
	}
	return err
}

// An environment is what a command may know of the process it runs in.
type environment struct {
	ctx            context.Context // ends with a signalError as its cause
	stdout, stderr io.Writer
	config         *configFile
	unprinted      error // of printf
}

// printf prints to standard output. That it cannot be written shows at the end.
func (env *environment) printf(format string, args ...any) {
	if _, err := fmt.Fprintf(env.stdout, format, args...); err != nil && env.unprinted == nil {
		env.unprinted = err
	}
}

// stopSignals end a run in good order, unless they were ignored when it began, as by nohup.
var stopSignals = []os.Signal{syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP, syscall.SIGQUIT}

// orderlyEnd bounds how long a run takes to report and to end once it was asked to.
const orderlyEnd = 30 * time.Second

// interruptible gives a context that ends with the first signal that asks to stop. A second
// one, or half a minute without an end, ends the process at once; what it has started and
// its temporary files go all the same.
func interruptible() (context.Context, func()) {
	ctx, cancel := context.WithCancelCause(context.Background())
	signals, ended := make(chan os.Signal, 2), make(chan struct{})
	for _, s := range stopSignals {
		if !signal.Ignored(s) {
			signal.Notify(signals, s)
		}
	}
	go func() {
		var first os.Signal
		select {
		case first = <-signals:
			cancel(signalError{first.(syscall.Signal)})
		case <-ended:
			return
		}
		last := first
		select {
		case last = <-signals:
		case <-time.After(orderlyEnd):
		case <-ended:
			return
		}
		sandbox.Abandon()
		report.Abandon()
		os.Exit(128 + int(last.(syscall.Signal)))
	}()
	return ctx, func() {
		signal.Stop(signals)
		close(ended)
		cancel(nil)
	}
}

// A placeError is an error of the machine, not of assay or the project: no space on a disk,
// or an output that cannot be written.
type placeError struct {
	error
	advice string
}

func (e placeError) Unwrap() error { return e.error }

// Error is two lines: what is wrong, and what to do.
func (e placeError) Error() string { return e.error.Error() + "\n" + e.advice }

// ofPlace gives such an error where an error is one.
func ofPlace(err error) error {
	var usage usageError
	var place placeError
	var at *fs.PathError
	switch {
	case err == nil, errors.As(err, &usage), errors.As(err, &place):
	case errors.As(err, &at) && at.Path == os.Stdout.Name():
		return placeError{fmt.Errorf("standard output cannot be written: %w", at.Err), "Send it elsewhere. What a run has found out is kept for the next."}
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return placeError{err, "Make room there. Another temp directory can be named in the environment as TMPDIR."}
	case errors.Is(err, syscall.EROFS):
		return placeError{err, "Make the place writable, or name another; the temp directory is named in the environment as TMPDIR."}
	}
	return err
}

// checkOutput refuses a standard output that is closed, or cannot be written, before anything
// is run.
func (env *environment) checkOutput() error {
	f, ok := env.stdout.(*os.File)
	if !ok {
		return nil
	}
	if f == os.Stdout && outputWasClosed() {
		return usagef("standard output is closed; send it elsewhere, as to /dev/null")
	}
	if flags, err := unix.FcntlInt(f.Fd(), unix.F_GETFL, 0); err != nil || flags&unix.O_ACCMODE == unix.O_RDONLY {
		return usagef("standard output cannot be written; send it elsewhere")
	}
	if err := takesBytes(f); err != nil {
		return placeError{fmt.Errorf("standard output cannot be written: %w", err), "Send it elsewhere."}
	}
	return nil
}

// end prints an error and gives the status that says who must act on it.
func (env *environment) end(err error) int {
	if err == nil {
		return statusFine
	}
	err = ofPlace(err)
	status := statusOf(err)
	for _, line := range strings.Split(err.Error(), "\n") {
		fmt.Fprintf(env.stderr, "assay: %s\n", line)
	}
	if status == statusOwn {
		fmt.Fprintln(env.stderr, "assay: this is a fault of assay's own, not of your project")
	}
	return status
}

func statusOf(err error) int {
	var usage usageError
	var interrupted signalError
	var suite *exec.ProjectError
	var place placeError
	faults := project.Faults(err)
	switch {
	case errors.Is(err, errBelow), errors.Is(err, errNew):
		return statusBelow
	case errors.As(err, &usage):
		return statusUsage
	case errors.As(err, &interrupted):
		return 128 + int(interrupted.signal)
	case len(faults) > 0 && faults[0].Usage():
		return statusUsage
	case len(faults) > 0, errors.As(err, &suite), errors.As(err, &place):
		return statusProject
	}
	return statusOwn
}
