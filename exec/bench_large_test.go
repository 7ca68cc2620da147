package exec_test

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"assay/exec"
	"assay/exec/recording"
	"assay/exec/wire"
	"assay/mutate"
	"assay/mutate/syntax"
	"assay/operators"
)

// What planning may take: processor time for so many mutants, and memory that stays.
const (
	largeMutants = 50_000
	largeTests   = 10_000
	largeTime    = 10 * time.Second
	largeMemory  = 500 << 20
)

// BenchmarkGenerateAndPlan makes the mutants of a large code base, all operators, and
// plans them over the recording of a suite of 10,000 tests that was made up: seconds,
// megabytes, and how many mutants. It fails where planning 50,000 mutants would take too
// much. ASSAY_LARGE names the code base; without it that is what Debian installs below
// /usr/share/php (PHPUnit, PHP-Parser and what they need).
func BenchmarkGenerateAndPlan(b *testing.B) {
	root := os.Getenv("ASSAY_LARGE")
	if root == "" {
		root = "/usr/share/php"
	}
	var ms []*mutate.Mutant
	var tasks []exec.Task
	var generating, planning, observing time.Duration
	var observed int
	var memory uint64
	var files int
	for b.Loop() {
		ms, tasks = nil, nil
		began, used := time.Now(), heap()
		var points []*mutate.Points
		ms, points = generateAll(b, root)
		files = len(points)
		plain, probed := madeUpSuite(points)
		base, err := exec.BaselineOf(plain, probed, points)
		if err != nil {
			b.Fatal(err)
		}
		generating += time.Since(began)
		cpu := processorTime()
		tasks = exec.Plan(ms, base)
		planning += processorTime() - cpu
		memory = heap() - used
		cpu = processorTime()
		observed = observeAll(ms, points)
		observing += processorTime() - cpu
	}
	share := float64(largeMutants) / float64(len(ms))
	perPlan := planning.Seconds() / float64(b.N) * share
	b.ReportMetric(float64(files), "files")
	b.ReportMetric(float64(len(ms)), "mutants")
	b.ReportMetric(generating.Seconds()/float64(b.N), "s-before")
	b.ReportMetric(perPlan, "cpu-s/50000-mutants")
	b.ReportMetric(float64(memory)/1e6, "MB-kept")
	b.ReportMetric(100*float64(observed)/float64(len(ms)), "%-observed")
	b.ReportMetric(observing.Seconds()/float64(b.N)*share, "observe-cpu-s/50000")
	reached, pairs := 0, 0
	for _, t := range tasks {
		pairs += len(t.Pairs)
		if len(t.Reach) > 0 {
			reached++
		}
	}
	b.ReportMetric(float64(pairs)/float64(len(ms)), "pairs/mutant")
	if reached < len(ms)/2 {
		b.Errorf("of %d mutants %d are reached: that is not what was to be planned", len(ms), reached)
	}
	if perPlan > largeTime.Seconds() {
		b.Errorf("planning takes %.1f s of processor time for %d mutants, and may take %v", perPlan, largeMutants, largeTime)
	}
	if kept := float64(memory) * min(1, share); kept > largeMemory {
		b.Errorf("%.0f MB are kept for %d mutants, and %d may be", kept/1e6, largeMutants, largeMemory/1_000_000)
	}
	runtime.KeepAlive(tasks)
}

// observeAll writes the texts in which the values of mutants are worked out, and gives how
// many of these are in them.
func observeAll(ms []*mutate.Mutant, points []*mutate.Points) (observed int) {
	byFile := map[*mutate.Source][]mutate.Numbered{}
	for i, m := range ms {
		byFile[m.Source] = append(byFile[m.Source], mutate.Numbered{Mutant: m, Number: i + 1})
	}
	for _, p := range points {
		observed += len(p.Observe(byFile[p.Source]).Sites)
	}
	return observed
}

// generateAll makes the mutants of all PHP files below a directory.
func generateAll(b *testing.B, root string) ([]*mutate.Mutant, []*mutate.Points) {
	b.Helper()
	var ms []*mutate.Mutant
	var all []*mutate.Points
	first := 1
	err := filepath.WalkDir(root, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".php") {
			return nil
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		f, err := syntax.Parse(rel, text)
		if err != nil {
			return err
		}
		points := mutate.Layout(f, &mutate.Source{Path: rel, Text: text}, first)
		first += points.Count
		ms = append(ms, mutate.Generate(f, points.Source, operators.All(), points)...)
		all = append(all, points)
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
	mutate.Sort(ms)
	mutate.Disambiguate(ms)
	return ms, all
}

// madeUpSuite gives what two runs of a suite would have told: the first test loads all
// files, each test passes some files' points, and one point in a hundred is passed by
// one test in five.
func madeUpSuite(points []*mutate.Points) (plain, probed *recording.Run) {
	plain = &recording.Run{Root: "/view", Ran: map[int]recording.Ran{}}
	var paths []string
	var common []int
	count := 0
	for _, p := range points {
		paths = append(paths, "/view/"+p.Source.Path)
		for id := p.First; id < p.First+p.Count; id++ {
			if count++; count%100 == 0 {
				common = append(common, id)
			}
		}
	}
	segments := make([]wire.Segment, largeTests+2)
	for n := range segments {
		s := &segments[n]
		s.N, s.Time = n, 1000
		if n == 1 {
			s.Files = paths
		}
		if n > 0 && n <= largeTests {
			id := fmt.Sprintf("C%dTest::test%d", n/20, n)
			plain.Suite.Tests = append(plain.Suite.Tests, wire.Row{ID: id, Class: fmt.Sprintf("C%dTest", n/20), Method: fmt.Sprintf("test%d", n), Text: fmt.Sprintf("some data of number %d", n)})
			plain.Suite.Segments = append(plain.Suite.Segments, wire.SegmentRow{Kind: "test", Test: n - 1})
			plain.Ran[n-1] = recording.Ran{Time: time.Duration(n) * time.Microsecond, Ended: true}
			p := points[n%len(points)]
			for id := p.First; id < p.First+p.Count; id++ {
				s.Points.Add(id, 1)
			}
			if n%5 == 0 {
				for _, id := range common {
					s.Points.Add(id, 1)
				}
			}
		}
	}
	plain.Segments, plain.Files, plain.Opened = segments, make([]map[string]string, len(segments)), make([]map[string]int, len(segments))
	other := *plain
	other.Segments = slices.Clone(segments)
	return plain, &other
}

func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

func processorTime() time.Duration {
	var u syscall.Rusage
	syscall.Getrusage(syscall.RUSAGE_SELF, &u)
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
