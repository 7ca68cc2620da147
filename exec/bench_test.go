package exec_test

import (
	"context"
	"math/rand"
	"os"
	osexec "os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"assay/exec"
	"assay/exec/sandbox"
	"assay/mutate"
	"assay/mutate/project"
	"assay/mutate/syntax"
	"assay/operators"
)

// BenchmarkDemo prints how many times quicker a whole run is than the two
// plain ways, and how far it is from the floor, all with the same number of
// jobs and in one run:
//
//	x-suite  a cold phpunit over the whole suite for each mutant, on an edited copy (a sample, multiplied); one that
//	         does not end counts with two seconds more than the others take, the least that this run gives it
//	x-ended  the same, but what the endless ones take counts on our side only
//	x-cold   a cold process for each mutant with the reaching tests only (a sample, multiplied)
//	x-floor  this run over the time of the tests that had to run, divided by the jobs: 1 is the best there could be
//
// Besides: ms a mutant takes one worker, the tests' own time of that, and what is
// spent on each in the engine (over-tests-ms); tests-suite, how many times the
// tests that had to run for a mutant go into a cold run, is the most that x-suite
// could be with nothing but tests.
//
// ASSAY_BENCH names another project than the demo, and ASSAY_BENCH_SAMPLE how
// many of its mutants are judged (seeded), where all would take too long.
func BenchmarkDemo(b *testing.B) {
	p := benchProject(b)
	exec.EaseCollector() // as the command does
	jobs := runtime.NumCPU()
	ctx := context.Background()
	sample, _ := strconv.Atoi(os.Getenv("ASSAY_BENCH_SAMPLE"))
	var all run
	for b.Loop() {
		all = judgeAll(b, ctx, exec.Settings{Jobs: jobs}, p, sample)
	}
	perMutant := all.wall.Seconds() / float64(all.judged)
	suite, ended := coldSuite(b, p, all, jobs, 40)
	cold := judgeAll(b, ctx, exec.Settings{Jobs: jobs, Cold: true}, p, 60)
	coldEach := (cold.judging.Seconds()) / float64(cold.judged)
	b.ReportMetric(float64(all.judged), "mutants")
	b.ReportMetric(1000*perMutant*float64(jobs), "ms/mutant/job")
	b.ReportMetric(1000*all.startup.Seconds(), "startup-ms")
	b.ReportMetric(1000*(all.judging.Seconds()*float64(jobs)-all.tests.Seconds())/float64(all.judged), "over-tests-ms")
	b.ReportMetric(1000*all.tests.Seconds()/float64(all.judged), "tests-ms")
	b.ReportMetric(ended*float64(jobs)/(all.tests.Seconds()/float64(all.judged)), "tests-suite")
	b.ReportMetric(suite/perMutant, "x-suite")
	b.ReportMetric(ended/perMutant, "x-ended")
	b.ReportMetric(coldEach/perMutant, "x-cold")
	b.ReportMetric(all.wall.Seconds()/(all.tests.Seconds()/float64(jobs)), "x-floor")
}

type run struct {
	wall, startup, judging, tests time.Duration
	judged                        int
	verdicts                      []mutate.Verdict
}

// judgeAll does what the command does, from the sources to the last verdict.
// sample is how many mutants, seeded; 0 for all.
func judgeAll(b *testing.B, ctx context.Context, set exec.Settings, p *project.Project, sample int) run {
	b.Helper()
	began := time.Now()
	e, s, ms := recorded(b, ctx, set, p, sample)
	defer e.Close()
	r := run{startup: time.Since(began)}
	err := e.Judge(ctx, s, exec.Plan(ms, s), func(v mutate.Verdict) {
		if v.Status != mutate.Unreached {
			r.judged++
		}
		r.tests += v.Time
		r.verdicts = append(r.verdicts, v)
	})
	if err != nil {
		b.Fatal(err)
	}
	r.wall, r.judging = time.Since(began), time.Since(began)-r.startup
	return r
}

// recorded gives an engine that has recorded a project's tests, and its mutants; see judgeAll.
func recorded(b *testing.B, ctx context.Context, set exec.Settings, p *project.Project, sample int) (*exec.Engine, *exec.Baseline, []*mutate.Mutant) {
	b.Helper()
	var ms []*mutate.Mutant
	var points []*mutate.Points
	set.Sources = sync.OnceValue(func() []*mutate.Points {
		ms, points = generate(b, p.Root, p.Files, core(b))
		return points
	})
	go set.Sources()
	set.Root, set.PHP, set.PHPUnit, set.View = p.Root, p.PHP, p.PHPUnit.Path, sandbox.Auto
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
	if sample > 0 && sample < len(ms) {
		rand.New(rand.NewSource(1)).Shuffle(len(ms), func(i, j int) { ms[i], ms[j] = ms[j], ms[i] })
		ms = ms[:sample]
	}
	s, err := e.Record(ctx, points, nil)
	if err != nil {
		e.Close()
		b.Fatal(err)
	}
	return e, s, ms
}

// coldSuite gives the seconds that one mutant takes by hand, jobs at a time: of all,
// and of those that end.
func coldSuite(b *testing.B, p *project.Project, all run, jobs, sample int) (each, ended float64) {
	b.Helper()
	var vs []mutate.Verdict
	for _, v := range all.verdicts {
		if v.Status != mutate.Unreached && v.Status != mutate.TimedOut {
			vs = append(vs, v)
		}
	}
	ending := len(vs)
	rand.New(rand.NewSource(1)).Shuffle(len(vs), func(i, j int) { vs[i], vs[j] = vs[j], vs[i] })
	vs = vs[:min(sample, len(vs))]
	queue := make(chan mutate.Verdict, len(vs))
	for _, v := range vs {
		queue <- v
	}
	close(queue)
	root, args := p.Root, []string{"--no-coverage", "--no-logging", "--do-not-cache-result"}
	if p.Bootstrap == "" && p.Autoload != "" {
		rel, err := filepath.Rel(root, p.Autoload)
		if err != nil {
			b.Fatal(err)
		}
		args = append(args, "--bootstrap", rel)
	}
	copies := make([]string, jobs)
	for i := range copies {
		copies[i] = filepath.Join(b.TempDir(), "copy")
		if err := os.CopyFS(copies[i], os.DirFS(root)); err != nil {
			b.Fatal(err)
		}
	}
	var wg sync.WaitGroup
	var spent, runs atomic.Int64 // nanoseconds; runs that came to an end
	for _, dir := range copies {
		wg.Go(func() {
			for v := range queue {
				file := filepath.Join(dir, v.Mutant.Source.Path)
				os.WriteFile(file, v.Mutant.Edit.Apply(v.Mutant.Source.Text), 0o644)
				ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
				cmd := osexec.CommandContext(ctx, p.PHPUnit.Path, args...)
				cmd.Dir = dir
				began := time.Now()
				err := cmd.Run()
				if (err == nil) != (v.Status == mutate.Survived) {
					b.Errorf("%s: judged %v, phpunit says %v", v.Mutant.ID, v.Status, err)
				}
				if ctx.Err() == nil { // else a test hung before the one that notices in our order
					spent.Add(int64(time.Since(began)))
					runs.Add(1)
				}
				cancel()
				os.WriteFile(file, v.Mutant.Source.Text, 0o644)
			}
		})
	}
	wg.Wait()
	ended = time.Duration(spent.Load()).Seconds() / float64(runs.Load())
	endless := 1 - float64(ending)/float64(all.judged)*float64(runs.Load())/float64(len(vs))
	return (ended + endless*2) / float64(jobs), ended / float64(jobs)
}

func benchProject(b *testing.B) *project.Project {
	b.Helper()
	root := os.Getenv("ASSAY_BENCH")
	if root == "" {
		root = filepath.Join(b.TempDir(), "demo")
		if err := os.CopyFS(root, os.DirFS("../testdata/demo")); err != nil {
			b.Fatal(err)
		}
		cmd := osexec.Command(path(b, "composer"), "dump-autoload", "--quiet")
		cmd.Dir = root
		if out, err := cmd.CombinedOutput(); err != nil {
			b.Fatalf("%v: %s", err, out)
		}
	}
	p, err := project.Find(root, project.Options{Exact: true})
	if err != nil {
		b.Fatal(err)
	}
	return p
}

func path(b testing.TB, name string) string {
	b.Helper()
	p, err := osexec.LookPath(name)
	if err != nil {
		b.Fatalf("%v; .ci/run installs it", err)
	}
	return p
}

func core(b *testing.B) []*mutate.Operator {
	ops, err := operators.Breadth("core")
	if err != nil {
		b.Fatal(err)
	}
	return ops
}

// generate makes the mutants of some files, named relative to the root.
func generate(b testing.TB, root string, files []string, ops []*mutate.Operator) ([]*mutate.Mutant, []*mutate.Points) {
	b.Helper()
	var ms []*mutate.Mutant
	var points []*mutate.Points
	first := 1
	for _, rel := range files {
		text, err := os.ReadFile(filepath.Join(root, rel))
		if err != nil {
			b.Fatal(err)
		}
		f, err := syntax.Parse(rel, text)
		if err != nil {
			b.Fatal(err)
		}
		src := &mutate.Source{Path: rel, Text: text}
		pts := mutate.Layout(f, src, first)
		first += pts.Count
		points = append(points, pts)
		ms = append(ms, mutate.Generate(f, src, ops, pts)...)
	}
	if len(ms) == 0 {
		b.Fatalf("%s: no mutants", root)
	}
	return ms, points
}
