//go:build unix

package exec

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/gob"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	osexec "os/exec"
	"os/signal"
	"path"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// A keeper is this program started again to look after one worker: it opens the
// worker's view, and is the parent (in an overlay view, as process 1 of its own
// PID namespace) of all that the tests start. When it dies, they die.

// keeperEnv holds the keeper's order: gob in base64, for paths may hold any
// byte. Its presence makes a process of this program a keeper; no process that a
// keeper starts sees it.
const keeperEnv = "ASSAY_KEEPER"

// Exit statuses of a keeper that could not do its job; the reason is on its
// standard error. A job ends with 0 or with keeperJobFailed.
const (
	keeperNoView    = 121 // the view could not be opened
	keeperJobFailed = 122
)

// keeperOrder is what the main process tells a keeper, and the keeper's first stage
// the second.
type keeperOrder struct {
	Spec   ViewSpec
	Job    string
	Arg    string
	UserNS bool
	Layers *layers // set for the second stage
}

func (o keeperOrder) encode() (string, error) {
	var b bytes.Buffer
	if err := gob.NewEncoder(&b).Encode(o); err != nil {
		return "", err
	}
	return base64.StdEncoding.EncodeToString(b.Bytes()), nil
}

func decodeOrder(text string) (o keeperOrder, err error) {
	data, err := base64.StdEncoding.DecodeString(text)
	if err != nil {
		return o, err
	}
	return o, gob.NewDecoder(bytes.NewReader(data)).Decode(&o)
}

// keeperJobs are the things a keeper can be started for. A job runs in the
// keeper, on the goroutine of main, with the view open; its error is printed.
var keeperJobs = map[string]func(v *View, arg string) error{
	"probe": probeJob,
}

// tryJob needs no view: it finds out what can be done in a keeper's namespaces.
const tryJob = "try"

// IsKeeper reports whether this process was started to be a keeper.
func IsKeeper() bool { return os.Getenv(keeperEnv) != "" }

// KeeperMain does a keeper's work and ends the process. In any other process it
// returns at once. Call it before anything else, in main and in TestMain.
func KeeperMain() {
	text := os.Getenv(keeperEnv)
	if text == "" {
		return
	}
	EaseCollector()
	status, err := obey(text)
	if err != nil {
		fmt.Fprintln(os.Stderr, "assay keeper:", err)
	}
	os.Exit(status)
}

func obey(text string) (int, error) {
	if err := os.Unsetenv(keeperEnv); err != nil {
		return keeperNoView, err
	}
	o, err := decodeOrder(text)
	if err != nil {
		return keeperNoView, fmt.Errorf("order: %w", err)
	}
	if o.Job == tryJob {
		if err := json.NewEncoder(os.Stdout).Encode(tryThings(o.Spec)); err != nil {
			return keeperJobFailed, err
		}
		return 0, nil
	}
	job := keeperJobs[o.Job]
	if job == nil {
		return keeperNoView, fmt.Errorf("no job %q", o.Job)
	}
	if o.Spec.Mode == ViewCopy {
		endOnTerm()
	}
	v, err := openView(o)
	if err != nil {
		return keeperNoView, err
	}
	v.confinement = o.Spec.Confinement
	err = job(v, o.Arg)
	for _, e := range []error{endAll(), v.Close()} {
		if err == nil {
			err = e
		}
	}
	if err != nil {
		return keeperJobFailed, err
	}
	return 0, nil
}

// endAll ends what the job left running.
func endAll() error {
	_, err := killStrays(func(int) bool { return false })
	if errors.Is(err, errors.ErrUnsupported) {
		return nil
	}
	return err
}

// endOnTerm makes SIGTERM, which a keeper without a PID namespace gets when the
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
			fmt.Fprintln(os.Stderr, "assay keeper:", err)
		}
		os.Exit(keeperJobFailed)
	}()
}

// keeperCommand prepares the start of a keeper that does the named job in the
// view of spec. The caller may set Stdin, Stdout, Stderr, ExtraFiles (they reach
// the job with the same numbers) and Env (append to it, not replace). The keeper leads a
// session of its own, and is ended when the thread that started it ends: start
// it from a goroutine that is not locked to a thread.
func keeperCommand(spec ViewSpec, job, arg string) (*osexec.Cmd, error) {
	spec, err := checkSpec(spec)
	if err != nil {
		return nil, err
	}
	if keeperJobs[job] == nil {
		return nil, fmt.Errorf("keeper: no job %q", job)
	}
	o := keeperOrder{Spec: spec, Job: job, Arg: arg}
	cmd := osexec.Command(selfProgram)
	cmd.SysProcAttr, o.UserNS = keeperAttr(spec.Mode, spec.Confinement.Network)
	text, err := o.encode()
	if err != nil {
		return nil, err
	}
	cmd.Dir = "/"
	cmd.Env = append(os.Environ(), keeperEnv+"="+text)
	return cmd, nil
}

// probeViews finds out whether an overlay view of this project works on this
// machine, by opening one and trying it. It returns ViewOverlay with an empty
// reason, or ViewCopy with the reason why no overlay can be had. dir is where
// the workers' private directories will be.
func probeViews(root, dir string) (ViewMode, string) {
	mine, err := os.MkdirTemp(dir, "probe")
	if err != nil {
		return ViewCopy, err.Error()
	}
	defer removeTree(mine)
	cmd, err := keeperCommand(ViewSpec{Mode: ViewOverlay, Root: root, Dir: mine}, "probe", "")
	if err != nil {
		return ViewCopy, err.Error()
	}
	if err := checkOwners(root); err != nil {
		return ViewCopy, err.Error()
	}
	var out bytes.Buffer
	cmd.Stderr = &out
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if err := cmd.Start(); err != nil {
		return ViewCopy, "no private namespaces: " + explainClone(err)
	}
	stop := context.AfterFunc(ctx, func() { cmd.Process.Kill() })
	err = cmd.Wait()
	stop()
	if err == nil {
		return ViewOverlay, ""
	}
	if ctx.Err() != nil {
		return ViewCopy, "the overlay did not answer within 10 s"
	}
	reason := strings.TrimPrefix(strings.TrimSpace(out.String()), "assay keeper: ")
	if reason == "" {
		reason = err.Error()
	}
	return ViewCopy, reason
}

// probeJob tries, in a fresh view, what every worker relies on.
func probeJob(v *View, _ string) error {
	const name = "assay-probe.tmp"
	t := v.project
	if _, err := statAt(t.base.dir, name); err != unix.ENOENT {
		return fmt.Errorf("the project has an entry %s: %w", name, err)
	}
	if err := os.WriteFile(path.Join(v.Root(), name), []byte("x"), 0o600); err != nil {
		return fmt.Errorf("the view cannot be written: %w", err)
	}
	if _, err := statAt(t.base.dir, name); err != unix.ENOENT {
		return fmt.Errorf("a write in the view reached the project (%w)", err)
	}
	file, err := firstFile(t.base.dir, ".", 4)
	if err != nil {
		return err
	}
	if file != "" {
		if err := probeSwap(v, file); err != nil {
			return err
		}
	}
	list, err := v.Damage()
	if err != nil {
		return err
	}
	if len(list) == 0 || list[0].String() != "project: . times" && list[0].Path != name {
		return fmt.Errorf("the view did not notice a write (%v)", list)
	}
	return v.Repair()
}

// probeSwap swaps one file of the project and puts it back.
func probeSwap(v *View, file string) error {
	before, err := os.ReadFile(path.Join(v.Root(), file))
	if err != nil {
		return err
	}
	mark := []byte("assay probe")
	if err := v.Swap(map[string][]byte{file: mark}); err != nil {
		return err
	}
	now, err := os.ReadFile(path.Join(v.Root(), file))
	if err != nil {
		return err
	}
	if !bytes.Equal(now, mark) {
		return fmt.Errorf("%s was swapped, and reads as before", file)
	}
	below, err := v.project.base.read(file)
	if err != nil {
		return err
	}
	if !bytes.Equal(below.data, before) {
		return fmt.Errorf("the swap of %s reached the project", file)
	}
	return v.Restore()
}

// firstFile finds a readable regular file, a PHP source if there is one, at most depth
// directories down; "" when there is none.
func firstFile(root int, rel string, depth int) (string, error) {
	names, err := listAt(root, rel)
	if err != nil {
		if errors.Is(err, unix.EACCES) {
			return "", nil
		}
		return "", err
	}
	other := ""
	for _, n := range names {
		p := path.Join(rel, n)
		m, err := statAt(root, p)
		switch {
		case err != nil || n == ".git" || n == "vendor" || n == "node_modules":
		case m.isRegular() && m.perm()&0o400 != 0 && m.size < 1<<20:
			if path.Ext(n) == ".php" {
				return p, nil
			}
			other = p
		case m.isDir() && depth > 0:
			found, err := firstFile(root, p, depth-1)
			if err != nil {
				return "", err
			}
			if path.Ext(found) == ".php" {
				return found, nil
			}
			if found != "" && other == "" {
				other = found
			}
		}
	}
	return other, nil
}
