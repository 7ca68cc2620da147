package exec_test

import (
	"context"
	"fmt"
	"math/rand"
	"os"
	"strconv"
	"sync"
	"testing"
	"time"

	"assay/exec"
	"assay/exec/sandbox"
	"assay/mutate"
)

// BenchmarkProve judges a sample of the mutants of a project, looks for findings for the
// first survivors, and prints what came of each:
//
//	searched     survivors for which inputs were looked for
//	found        those for which there is a finding
//	refused      those of which no call could be used
//	s/survivor   seconds that one takes, of all workers together
//
// ASSAY_BENCH names the project, as for BenchmarkDemo, ASSAY_BENCH_SAMPLE how many mutants
// are judged (200), ASSAY_BENCH_PROVE how many survivors are searched (20).
func BenchmarkProve(b *testing.B) {
	p := benchProject(b)
	ctx := context.Background()
	ms, points := generate(b, p.Root, p.Files, core(b))
	set := exec.Settings{Root: p.Root, PHP: p.PHP, PHPUnit: p.PHPUnit.Path, View: sandbox.Auto, Jobs: 2,
		Sources: sync.OnceValue(func() []*mutate.Points { return points })}
	if p.Config != nil {
		set.Config = p.Config.Path
	}
	if p.Bootstrap == "" {
		set.Bootstrap = p.Autoload
	}
	e, err := exec.Open(ctx, set)
	if err != nil {
		b.Fatal(err)
	}
	defer e.Close()
	rand.New(rand.NewSource(1)).Shuffle(len(ms), func(i, j int) { ms[i], ms[j] = ms[j], ms[i] })
	ms = ms[:min(len(ms), number("ASSAY_BENCH_SAMPLE", 200))]
	s, err := e.Record(ctx, points, nil)
	if err != nil {
		b.Fatal(err)
	}
	survives := map[*mutate.Mutant]bool{}
	tasks := exec.Plan(ms, s)
	err = e.Judge(ctx, s, tasks, func(v mutate.Verdict) { survives[v.Mutant] = v.Status == mutate.Survived })
	if err != nil {
		b.Fatal(err)
	}
	var chosen []exec.Task
	for _, t := range tasks {
		if survives[t.Mutant] && len(chosen) < number("ASSAY_BENCH_PROVE", 20) {
			chosen = append(chosen, t)
		}
	}
	for b.Loop() {
		began := time.Now()
		found, refused := 0, 0
		err = e.Prove(ctx, s, chosen, exec.ProveSettings{}, func(s mutate.Search) {
			m := s.Mutant
			fmt.Printf("%s:%d %s (%s)  %.60q => %.60q\n  %s\n", m.Source.Path, m.Line, m.ID, m.Where(), m.Before(), m.Edit.New, exec.Told(s))
			if len(s.Findings) > 0 {
				found++
			}
			if s.Why != "" {
				refused++
			}
		})
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(len(chosen)), "searched")
		b.ReportMetric(float64(found), "found")
		b.ReportMetric(float64(refused), "refused")
		b.ReportMetric(time.Since(began).Seconds()/float64(max(1, len(chosen))), "s/survivor")
	}
}

func number(variable string, otherwise int) int {
	if n, err := strconv.Atoi(os.Getenv(variable)); err == nil {
		return n
	}
	return otherwise
}
