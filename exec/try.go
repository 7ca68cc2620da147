//go:build linux

package exec

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"assay/exec/supervisor"
	"assay/mutate"
)

// Try judges one mutant and then runs PHPUnit on it as a person would: the user's own
// script, the whole suite, in a view of the project with the edit made. What PHPUnit
// prints goes to w.
func (e *Engine) Try(ctx context.Context, b *Baseline, t Task, w io.Writer) (mutate.Verdict, error) {
	var v mutate.Verdict
	if err := e.Judge(ctx, b, []Task{t}, func(got mutate.Verdict) { v = got }); err != nil {
		return v, err
	}
	client, err := e.startClient(ctx, 1, e.confinement, false)
	if err != nil {
		return v, err
	}
	defer client.Kill()
	limit := time.Minute + 10*b.Suite
	o, err := client.Bare(ctx, supervisor.Bare{Texts: textOf(t.Mutant), Limit: int64(limit)})
	if err != nil {
		return v, err
	}
	if _, err := io.WriteString(w, o.Output); err != nil {
		return v, err
	}
	if o.TimedOut {
		fmt.Fprintf(w, "\n(stopped: the suite did not end in %v)\n", limit.Round(time.Second))
	}
	if v.Status == mutate.Unset {
		return v, errors.New("no verdict was given")
	}
	return v, nil
}

// textOf gives the file that a mutant changes, as it is in the mutant.
func textOf(m *mutate.Mutant) map[string][]byte {
	return map[string][]byte{m.Source.Path: m.Edit.Apply(m.Source.Text)}
}
