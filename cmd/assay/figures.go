//go:build linux

package main

import (
	"fmt"
	"io"
	"time"

	"assay/exec"
	"assay/mutate"
)

func leave(tests int) string {
	if tests == 1 {
		return "1 test leaves"
	}
	return many(tests, "test") + " leave"
}

// printFigures says in words how the engine came to the verdicts.
func printFigures(w io.Writer, f *mutate.Figures) {
	if f == nil {
		return
	}
	fmt.Fprintf(w, "\nOf %s %.1f %% leave the state as they find it; %s.\n", many(f.Tests, "test"), 100*f.Neutral, states(f.States))
	if f.Volatile > 0 {
		fmt.Fprintf(w, "Of %s of the state only the kind of value is compared, as it differs from run to run.\n", many(f.Volatile, "part"))
	}
	if f.Hiding > 0 {
		fmt.Fprintf(w, "What %s cannot be compared whole, so what survives there has the rest of the suite run.\n", leave(f.Hiding))
	}
	if f.Unknown > 0 {
		fmt.Fprintf(w, "Of the state %s cannot be seen whole.\n", many(f.Unknown, "part"))
	}
	for _, c := range f.Changed {
		fmt.Fprintf(w, "  %s: changed by %s\n", c.What, many(c.Tests, "test"))
	}
	if c := f.Compared; c.Compared > 0 {
		fmt.Fprintf(w, "The values of %d of %s were compared, in %d of %d parts of the suite: in %d of %d pairs of both they were the same. %s no replay.\n",
			c.Compared, many(c.Mutants, "mutant"), c.Usable, c.Segments, c.Same, c.Pairs, needed(c.Decided))
	}
	printCompilations(w, f.Compiled)
	var all time.Duration
	for _, way := range f.Ways {
		all += way.Time
	}
	for _, way := range f.Ways {
		share := 0.0
		if all > 0 {
			share = 100 * float64(way.Time) / float64(all)
		}
		fmt.Fprintf(w, "  %-38s %6d processes %7d steps %9v %3.0f %% %10d page faults\n",
			way.Name, way.Processes, way.Steps, way.Time.Round(time.Millisecond), share, way.Faults)
	}
	if f.WentBack+f.NotBack > 0 {
		fmt.Fprintf(w, "  an earlier place of the suite reached by a process that was kept there: %s; %d more were not as they had been left\n", many(f.WentBack, "time"), f.NotBack)
	}
	for _, r := range f.ToEnd {
		fmt.Fprintf(w, "  the rest of the suite run for %s because this cannot be compared: %s\n", many(r.Mutants, "mutant"), r.Why)
	}
	for _, r := range f.NotBatched {
		fmt.Fprintf(w, "  not batched, %-25s %6d pairs of a mutant and a part of the suite\n", r.Why, r.Pairs)
	}
}

// printCompilations says for how many mutants compiled code was compared, and why not for others.
func printCompilations(w io.Writer, c mutate.Compilations) {
	if c.Compared > 0 {
		fmt.Fprintf(w, "Compiled code was compared for %s that no test kills: %d compiled alike.\n", many(c.Compared, "mutant"), c.Alike)
	}
	for _, r := range c.Refused {
		fmt.Fprintf(w, "  compiled code not compared for %s: %s\n", many(r.Mutants, "mutant"), r.Why)
	}
}

func needed(mutants int) string {
	if mutants == 1 {
		return "1 mutant needed"
	}
	return fmt.Sprintf("%d mutants needed", mutants)
}

func states(n int) string {
	if n == 1 {
		return "all begin in the same state"
	}
	return fmt.Sprintf("they begin in %d different states", n)
}

// findAlike looks for mutants that are the same code as the original, but for those that are
// accepted: the user's word stands.
func findAlike(env *environment, engine *exec.Engine, r *mutate.Result) {
	bar := newProgress(env.stderr)
	if !bar.terminal { // it takes milliseconds for each: no matter for a log
		engine.FindAlike(env.ctx, r.Verdicts, nil)
		return
	}
	defer bar.end()
	bar.begin(stage{"comparing compiled code", "comparing compiled code", "mutants"}, "")
	engine.FindAlike(env.ctx, r.Verdicts, func(done, all int) { bar.step(done, all, "") })
}
