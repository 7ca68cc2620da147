//go:build linux

package sandbox

import (
	"bytes"
	"encoding/base64"
	"encoding/gob"
	"fmt"
	"os"
	osexec "os/exec"
	"os/signal"
	"syscall"
)

// orderEnv holds the supervisor's order: gob in base64, for paths may hold any
// byte. Its presence makes a process of this program a supervisor; no process that a
// supervisor starts sees it.
const orderEnv = "ASSAY_SUPERVISOR"

// Exit statuses of a supervisor that could not do its job; the reason is on its
// standard error. A job ends with 0 or with statusJobFailed.
const (
	statusNoView    = 121 // the view could not be opened
	statusJobFailed = 122
)

// order is what the main process tells a supervisor, and the supervisor's first stage
// the second.
type order struct {
	Spec   Spec
	Job    string
	Arg    string
	UserNS bool
	Layers *layers // set for the second stage
	Tried  *tried  // set for the second stage of tryJob
}

func (o order) encode() (string, error) {
	var b bytes.Buffer
	if err := gob.NewEncoder(&b).Encode(o); err != nil {
		return "", err
	}
	return base64.StdEncoding.EncodeToString(b.Bytes()), nil
}

func decodeOrder(text string) (o order, err error) {
	data, err := base64.StdEncoding.DecodeString(text)
	if err != nil {
		return o, err
	}
	return o, gob.NewDecoder(bytes.NewReader(data)).Decode(&o)
}

// A Job is something that a supervisor can be started for. It runs in the
// supervisor, on the goroutine of main, with the view open and the argument that
// Command was given. Its error is printed to standard error, and the exit status
// then is not 0. What it leaves running is ended, and the view is closed.
type Job func(v *View, arg string) error

var jobs = map[string]Job{"probe": probeJob}

// RegisterJob gives a job the name by which Command asks for it. Call it before
// Main, as from a function init. It panics when the name is taken.
func RegisterJob(name string, job Job) {
	if jobs[name] != nil || name == tryJob || name == callJob {
		panic(fmt.Sprintf("sandbox: there are two jobs %q", name))
	}
	jobs[name] = job
}

// tryJob needs no view: it finds out what can be done in a supervisor's namespaces.
const tryJob = "try"

// callJob makes a system call that is asked about; see tryFilter.
const callJob = "call"

// Main does a supervisor's job and ends the process. In any other process it
// returns at once. Call it in main and in TestMain, before anything is done that
// a supervisor must not do.
func Main() {
	text := os.Getenv(orderEnv)
	if text == "" {
		return
	}
	status, err := obey(text)
	if err != nil {
		fmt.Fprintln(os.Stderr, "assay supervisor:", err)
	}
	os.Exit(status)
}

func obey(text string) (int, error) {
	if err := os.Unsetenv(orderEnv); err != nil {
		return statusNoView, err
	}
	o, err := decodeOrder(text)
	if err != nil {
		return statusNoView, fmt.Errorf("order: %w", err)
	}
	if o.Job == tryJob {
		if err := tryThings(o); err != nil {
			return statusJobFailed, err
		}
		return 0, nil
	}
	if o.Job == callJob {
		_, err := fmt.Print(tryCall())
		return 0, err
	}
	job := jobs[o.Job]
	if job == nil {
		return statusNoView, fmt.Errorf("no job %q", o.Job)
	}
	if o.Spec.Mode == Copy {
		endOnTerm()
	} else {
		hearNothing()
	}
	v, err := openView(o)
	if err != nil {
		return statusNoView, err
	}
	v.confinement = o.Spec.Confinement
	err = job(v, o.Arg)
	for _, e := range []error{endAll(), v.Close()} {
		if err == nil {
			err = e
		}
	}
	if err != nil {
		return statusJobFailed, err
	}
	return 0, nil
}

// endAll ends what the job left running.
func endAll() error {
	_, err := KillStrays(func(int) bool { return false })
	return err
}

// hearNothing has this process not end at the signals that the processes below it can send.
// Process 1 of a PID namespace gets only those from inside for which it has handlers, but Go
// has some for all. They are not ignored, for what it starts would ignore them too.
func hearNothing() {
	signal.Notify(make(chan os.Signal, 1), syscall.SIGHUP, syscall.SIGINT, syscall.SIGQUIT, syscall.SIGTERM,
		syscall.SIGUSR1, syscall.SIGUSR2, syscall.SIGALRM, syscall.SIGVTALRM, syscall.SIGPROF, syscall.SIGABRT,
		syscall.SIGXCPU, syscall.SIGXFSZ, syscall.SIGIO, syscall.SIGPWR, syscall.SIGSTKFLT, syscall.SIGSYS, syscall.SIGTRAP)
}

// endOnTerm makes SIGTERM, which a supervisor without a PID namespace gets when the
// main process dies, end everything below it first. Code under test may send
// the signal to its parent, which we can be: while the main process lives it
// is not meant for us.
func endOnTerm() {
	parent := os.Getppid()
	term := make(chan os.Signal, 1)
	signal.Notify(term, syscall.SIGTERM)
	go func() {
		for range term {
			if os.Getppid() != parent {
				break
			}
		}
		if err := endAll(); err != nil {
			fmt.Fprintln(os.Stderr, "assay supervisor:", err)
		}
		os.Exit(statusJobFailed)
	}()
}

// Command prepares the start of a supervisor that does the named job in the
// view of spec. The caller may set Stdin, Stdout, Stderr, ExtraFiles (they reach
// the job with the same numbers) and Env (append to it, not replace). The
// supervisor leads a session of its own, and is ended when the thread that started
// it ends: start it from a goroutine that is not locked to a thread. It fails when
// no view can serve the spec, or there is no such job.
func Command(spec Spec, job, arg string) (*osexec.Cmd, error) {
	spec, err := checkSpec(spec)
	if err != nil {
		return nil, err
	}
	if jobs[job] == nil {
		return nil, fmt.Errorf("supervisor: no job %q", job)
	}
	o := order{Spec: spec, Job: job, Arg: arg}
	cmd := osexec.Command(selfProgram)
	cmd.SysProcAttr, o.UserNS = attributes(spec.Mode, spec.Confinement.Network)
	text, err := o.encode()
	if err != nil {
		return nil, err
	}
	cmd.Dir = "/"
	cmd.Env = append(os.Environ(), orderEnv+"="+text)
	return cmd, nil
}
