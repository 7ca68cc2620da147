package exec_test

import (
	"context"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"assay/exec"
	"assay/mutate"
	"assay/mutate/project"
	"assay/operators"
)

// TestPlainWay holds what is judged in the quick ways against the plain one, in which
// each mutant is swapped in and played by a process of its own: status and how are the
// same, and the killer is one that the plain way names, or finds by itself. Where that
// is to be so, most mutants must have gone the quick ways, else the test shows nothing.
// Where a loop without end is run by a process that PHPUnit starts, it uses up the processor
// until the time is over, so mutants of that function are judged with ASSAY_ALL_ROUNDS alone,
// which .ci/run nightly sets; TestClaims judges one of them. Without that a third
// of the demo's mutants is judged, and a third of the other projects, drawn anew each time.
func TestPlainWay(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().Unix())
	t.Logf("projects and mutants are drawn with %d", seed)
	isDrawn := func(what ...any) bool {
		h := fnv.New32a()
		fmt.Fprintln(h, append(what, seed)...)
		return h.Sum32()%3 == 0 || os.Getenv("ASSAY_ALL_ROUNDS") != ""
	}
	wentBack, dropped := 0, 0
	for _, c := range []struct {
		dir   string
		share float64 // of the mutants reached, how many must have been in batches, at least
	}{
		{"../demo", 0.8},
		{"left-behind", 0.5},
		{"static-cache", 0},
		{"reads-source", 0.3},
		{"process-isolation", 0},
		{"counts-what-is-loaded", 0.3},
		{"shared-register", 0.6},
		{"bells-destruct", 0.6},
		{"closes-once", 0},
		{"data-of-sources", 0.3},
		{"data-before-state", 0},
		{"provider-loads-class", 0.4},
		{"declares-once", 0.2},
		{"requires-a-class", 0},
		{"base-from-tests", 0.3},
		{"order-dependent", 0},
	} {
		if c.dir != "../demo" && c.dir != "left-behind" && !isDrawn(c.dir) {
			continue
		}
		t.Run(c.dir, func(t *testing.T) {
			if testing.Short() && c.dir != "left-behind" {
				t.Skip("the race detector sees all there is to see in one")
			}
			root := filepath.Join(t.TempDir(), "p")
			if err := os.CopyFS(root, os.DirFS("../testdata/fixtures/"+c.dir)); err != nil {
				t.Fatal(err)
			}
			if _, err := os.Stat(filepath.Join(root, "composer.json")); err == nil {
				cmd := osexec.Command(path(t, "composer"), "dump-autoload", "--quiet")
				cmd.Dir = root
				if out, err := cmd.CombinedOutput(); err != nil {
					t.Fatalf("%v: %s", err, out)
				}
			}
			without := "-"
			if c.dir == "process-isolation" && os.Getenv("ASSAY_ALL_ROUNDS") == "" {
				without = "clamp"
			}
			drawn := func(m *mutate.Mutant) bool {
				return m.Function != without && (c.dir != "../demo" || isDrawn(m.Source.Path, m.ID))
			}
			quick, stats, fed := judgeProject(t, root, exec.Settings{}, false, drawn)
			observed, _, _ := judgeProject(t, root, exec.Settings{}, true, drawn)
			plain, none, _ := judgeProject(t, root, exec.Settings{SwapOnly: true}, false, drawn)
			if n := batched(none); n != 0 {
				t.Errorf("%d steps of the plain way were batched", n)
			}
			t.Logf("walkers that were kept were gone back to %d times, and %d mutants taken out again", fed.back, fed.dropped)
			wentBack, dropped = wentBack+fed.back, dropped+fed.dropped
			reached := 0
			for id, p := range plain {
				if p.Status != mutate.Unreached && p.Status != mutate.Stillborn {
					reached++
				}
				sameVerdict(t, id, p, quick[id])
				sameVerdict(t, id, p, observed[id])
			}
			if len(plain) != len(quick) || reached == 0 {
				t.Errorf("%d and %d verdicts, %d mutants are reached", len(plain), len(quick), reached)
			}
			if n := batched(stats); float64(n) < c.share*float64(reached) {
				t.Errorf("%d steps were batched for %d mutants; not batched %v", n, reached, stats.Reasons)
			}
		})
	}
	if wentBack == 0 && !testing.Short() {
		t.Error("no walker that was kept was gone back to")
	}
	if dropped == 0 && !testing.Short() {
		t.Error("no mutant was taken out again")
	}
}

func sameVerdict(t *testing.T, id string, plain, quick mutate.Verdict) {
	t.Helper()
	if quick.Status != plain.Status {
		t.Errorf("%s: %v (%s: %s), the plain way says %v (%s: %s)", id, quick.Status, quick.Killer, quick.Detail, plain.Status, plain.Killer, plain.Detail)
		return
	}
	if quick.Killer == plain.Killer {
		if quick.How != plain.How {
			t.Errorf("%s: killed by %v (%s), the plain way says %v (%s)", id, quick.How, quick.Detail, plain.How, plain.Detail)
		}
		return
	}
	if !slices.Contains(plain.Killers, quick.Killer) {
		t.Errorf("%s: killed by %q (%s), the plain way says by %q, and by themselves %q", id, quick.Killer, quick.Detail, plain.Killer, plain.Killers)
	}
}

// batched is how many steps of mutants were made in batches.
func batched(s *exec.Stats) int {
	if w := s.Ways["batch"]; w != nil {
		return w.Steps
	}
	return 0
}

// judgeProject judges the mutants of a project that are drawn.
func judgeProject(t *testing.T, root string, set exec.Settings, observe bool, drawn func(*mutate.Mutant) bool) (_ map[string]mutate.Verdict, _ *exec.Stats, fed fedTotals) {
	t.Helper()
	p, err := project.Find(root, project.Options{Exact: true})
	if err != nil {
		t.Fatal(err)
	}
	ops, err := operators.Breadth("core")
	if err != nil {
		t.Fatal(err)
	}
	ms, points := generate(t, p.Root, p.Files, ops)
	ms = slices.DeleteFunc(ms, func(m *mutate.Mutant) bool { return !drawn(m) })
	set.Root, set.PHP, set.PHPUnit, set.Jobs = p.Root, p.PHP, p.PHPUnit.Path, 2
	if p.Config != nil {
		set.Config = p.Config.Path
	}
	if p.Bootstrap == "" {
		set.Bootstrap = p.Autoload
	}
	ctx := context.Background()
	e, err := exec.Open(ctx, set)
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	if set.SwapOnly {
		e.FindAllKills()
	}
	if observe {
		e.Observe(ms)
	}
	s, err := e.Record(ctx, points, nil)
	if err != nil {
		t.Fatal(err)
	}
	verdicts := map[string]mutate.Verdict{}
	tasks := exec.Plan(ms, s)
	err = e.Judge(ctx, s, tasks, func(v mutate.Verdict) {
		id := v.Mutant.Source.Path + " " + v.Mutant.ID
		if _, twice := verdicts[id]; twice {
			t.Errorf("%s has two verdicts", id)
		}
		verdicts[id] = v
	})
	if err != nil {
		t.Fatal(err)
	}
	if remarks := e.Remarks(); len(remarks) > 0 {
		t.Errorf("plain %v, observed %v: %s", set.SwapOnly, observe, strings.Join(remarks, " "))
	}
	stats := e.Stats()
	if !set.SwapOnly && !observe {
		fed = judgeFed(t, e, s, tasks, verdicts)
	}
	return verdicts, stats, fed
}

// fedTotals are how often a walker that was kept was gone back to, and how many mutants were taken
// out again.
type fedTotals struct{ back, dropped int }

// judgeFed judges tasks once more, in batches of five that come in another order, some of them
// twice, and some taken out again where they have not been begun, to be given later: each verdict says what it said when all were known at once, in all that a result holds.
func judgeFed(t *testing.T, e *exec.Engine, s *exec.Baseline, tasks []exec.Task, want map[string]mutate.Verdict) (totals fedTotals) {
	t.Helper()
	before := e.Stats().WentBack
	tasks = slices.Clone(tasks)
	rand.New(rand.NewPCG(1, 2)).Shuffle(len(tasks), func(i, j int) { tasks[i], tasks[j] = tasks[j], tasks[i] })
	times, given := map[*mutate.Mutant]int{}, 0
	left := slices.Concat(tasks, tasks[:len(tasks)/10])
	var mu sync.Mutex
	feed := &exec.Feed{Next: func(context.Context, bool) []exec.Task {
		mu.Lock()
		defer mu.Unlock()
		now := left[:min(5, len(left))]
		left, given = left[len(now):], given+len(now)
		return now
	}}
	err := e.JudgeFed(t.Context(), s, tasks, feed, func(v mutate.Verdict) {
		times[v.Mutant]++
		w := want[v.Mutant.Source.Path+" "+v.Mutant.ID]
		if v.Status != w.Status || v.Killer != w.Killer || v.How != w.How || v.Ran != w.Ran || !slices.Equal(v.Reaching, w.Reaching) {
			t.Errorf("%s, when it is given later: %v by %q (%v) after %d, and before %v by %q (%v) after %d", v.Mutant.ID, v.Status, v.Killer, v.How, v.Ran, w.Status, w.Killer, w.How, w.Ran)
		}
		mu.Lock()
		defer mu.Unlock()
		if totals.dropped == len(tasks)/4 {
			return
		}
		for _, m := range feed.Drop(func(*mutate.Mutant) bool { return true }, 1) {
			totals.dropped++
			given--
			left = append(left, tasks[slices.IndexFunc(tasks, func(t exec.Task) bool { return t.Mutant == m })])
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	verdicts := 0
	for _, task := range tasks {
		if times[task.Mutant] == 0 {
			t.Errorf("%s has no verdict when it is given later", task.Mutant.ID)
		}
		verdicts += times[task.Mutant]
	}
	if not := e.Stats().NotBack; not > 0 {
		t.Errorf("%d walkers that were kept were not as they had been left", not)
	}
	if verdicts != given {
		t.Errorf("%d verdicts on %d tasks that were given", verdicts, given)
	}
	totals.back = e.Stats().WentBack - before
	return totals
}
