//go:build linux

package supervisor

import (
	"bytes"
	"context"
	"encoding/gob"
	"fmt"
	"io"
	"os"
	osexec "os/exec"
	"strings"
	"sync"
	"syscall"
	"time"

	"assay/exec/recording"
	"assay/exec/sandbox"
	"assay/exec/wire"
)

// Client is the host's side of a supervisor. It is for one goroutine, but for Kill.
type Client struct {
	Facts  Facts
	cmd    *osexec.Cmd
	in     io.WriteCloser
	enc    *gob.Encoder
	dec    *gob.Decoder
	errors *bytes.Buffer
	once   sync.Once // for waiting
}

// Error is what a living supervisor could not do: PHP did not start, or ended where it
// should not have.
type Error struct{ Text string }

func (e *Error) Error() string { return e.Text }

// Start starts a supervisor in a view of the spec, whose Dir is made.
func Start(spec sandbox.Spec) (*Client, error) {
	if err := os.Mkdir(spec.Dir, 0o700); err != nil {
		return nil, err
	}
	cmd, err := sandbox.Command(spec, "supervise", "")
	if err != nil {
		return nil, err
	}
	c := &Client{cmd: cmd, errors: &bytes.Buffer{}}
	if c.in, err = cmd.StdinPipe(); err != nil {
		return nil, err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	cmd.Stderr = c.errors
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("a worker could not be started: %w", err)
	}
	c.enc, c.dec = gob.NewEncoder(c.in), gob.NewDecoder(out)
	return c, nil
}

// Open starts PHP, as far as that goes without anything of the project.
func (c *Client) Open(ctx context.Context, o Open) error {
	_, err := c.ask(ctx, request{Open: &o})
	return err
}

// Know takes in what the recording told.
func (c *Client) Know(ctx context.Context, k Known) error {
	_, err := c.ask(ctx, request{Known: &k})
	return err
}

// Record runs the whole suite and gives what was seen of it. The outcome says how the
// process ended.
func (c *Client) Record(ctx context.Context, w Walk) (*recording.Run, *Outcome, error) {
	rep, err := c.ask(ctx, request{Walk: &w})
	return rep.Run, rep.Outcome, err
}

// Walk starts a walker, which stands before the first test then.
func (c *Client) Walk(ctx context.Context, w Walk) (*wire.Suite, *Stop, error) {
	rep, err := c.ask(ctx, request{Walk: &w})
	return rep.Suite, rep.Stop, err
}

// Advance lets the walker go on.
func (c *Client) Advance(ctx context.Context, a Advance) (*Stop, error) {
	rep, err := c.ask(ctx, request{Advance: &a})
	return rep.Stop, err
}

// Return has a walker stand that was kept, and gives what has changed in it since: nothing, for
// it has run nothing. Files are as they were only if no walker has changed some since.
func (c *Client) Return(ctx context.Context, r Return) (*Stop, error) {
	rep, err := c.ask(ctx, request{Return: &r})
	return rep.Stop, err
}

// Replay makes a replay. Where its outcome has a Stop, Continue or Finish must follow.
func (c *Client) Replay(ctx context.Context, r Replay) (*Outcome, error) {
	rep, err := c.ask(ctx, request{Replay: &r})
	return rep.Outcome, err
}

// Continue lets a replay that waits go on.
func (c *Client) Continue(ctx context.Context, next Continue) (*Outcome, error) {
	rep, err := c.ask(ctx, request{Continue: &next})
	return rep.Outcome, err
}

// Finish ends a replay that waits.
func (c *Client) Finish(ctx context.Context) (*Outcome, error) {
	rep, err := c.ask(ctx, request{Finish: true})
	return rep.Outcome, err
}

// Bare runs PHPUnit without the harness.
func (c *Client) Bare(ctx context.Context, b Bare) (*Outcome, error) {
	rep, err := c.ask(ctx, request{Bare: &b})
	return rep.Outcome, err
}

// Prove has a process record calls, or make some, and gives the documents that it told. The
// outcome says how it ended, and as Opened which files it has changed.
func (c *Client) Prove(ctx context.Context, p Prove) ([]string, *Outcome, error) {
	rep, err := c.ask(ctx, request{Prove: &p})
	return rep.Told, rep.Outcome, err
}

// ask sends a request and waits for its reply. When ctx ends first the supervisor is
// killed.
func (c *Client) ask(ctx context.Context, req request) (reply, error) {
	type answer struct {
		rep reply
		err error
	}
	done := make(chan answer, 1)
	go func() {
		var a answer
		if a.err = c.enc.Encode(req); a.err == nil {
			a.err = c.dec.Decode(&a.rep)
		}
		done <- a
	}()
	look := time.NewTicker(stoppedTime / stoppedLooks)
	defer look.Stop()
	for stopped := 0; ; {
		select {
		case <-ctx.Done():
			c.Kill()
			<-done
			return reply{}, ctx.Err()
		case <-look.C:
			if stopped++; !sandbox.Stopped(c.cmd.Process.Pid) {
				stopped = 0
			}
			if stopped == stoppedLooks {
				c.Kill()
				<-done
				return reply{}, fmt.Errorf("a supervisor was stopped by a signal (SIGSTOP), and did not go on for %v", stoppedTime)
			}
		case a := <-done:
			if a.err != nil && isEnding(ctx) {
				c.Kill()
				return reply{}, ctx.Err()
			}
			return c.take(a.rep, a.err)
		}
	}
}

// isEnding reports whether a context ends, if not now then shortly: a signal to a whole
// group of processes may reach what was just started before it reaches us.
func isEnding(ctx context.Context) bool {
	select {
	case <-ctx.Done():
		return true
	case <-time.After(100 * time.Millisecond):
		return false
	}
}

// A supervisor that is seen stopped so often, within such a time, is given up.
const (
	stoppedTime  = 5 * time.Second
	stoppedLooks = 10
)

// take takes in a reply.
func (c *Client) take(rep reply, err error) (reply, error) {
	if err != nil {
		c.Kill()
		return rep, withRoom(fmt.Errorf("a supervisor died: %w%s", err, c.lastWords()))
	}
	c.Facts = rep.Facts
	if rep.Failure != "" {
		return rep, &Error{rep.Failure}
	}
	return rep, nil
}

// A roomError is one whose text says that a disk is full: what a supervisor tells is text.
type roomError struct {
	error
	cause error
}

func (e roomError) Unwrap() []error { return []error{e.error, e.cause} }

// withRoom has an error be that of a full disk where it says so.
func withRoom(err error) error {
	for _, cause := range []error{syscall.ENOSPC, syscall.EDQUOT} {
		if strings.Contains(err.Error(), cause.Error()) {
			return roomError{err, cause}
		}
	}
	return err
}

func (c *Client) lastWords() string {
	if s := strings.TrimSpace(c.errors.String()); s != "" {
		return " (" + s + ")"
	}
	return ""
}

// Kill ends the supervisor and all that it started, at once.
func (c *Client) Kill() {
	if c.cmd.Process != nil {
		sandbox.KillTree(c.cmd.Process.Pid)
	}
	c.reap()
}

// Stop lets the supervisor end by itself, shortly, and then kills it.
func (c *Client) Stop() {
	c.in.Close()
	t := time.AfterFunc(time.Second, func() { c.cmd.Process.Signal(syscall.SIGKILL) })
	defer t.Stop()
	c.reap()
}

func (c *Client) reap() { c.once.Do(func() { c.cmd.Wait() }) }
