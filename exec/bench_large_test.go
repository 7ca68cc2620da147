package exec_test

import (
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"assay/exec"
	"assay/mutate"
	"assay/mutate/syntax"
	"assay/operators"
)

// BenchmarkGenerateAndPlan makes the mutants of a large code base, breadth
// wide, and plans them: seconds, megabytes that stay and that were needed at
// most, and how many mutants. ASSAY_LARGE names the code base; without it that
// is what Debian installs below /usr/share/php (PHPUnit, PHP-Parser and what
// they need).
func BenchmarkGenerateAndPlan(b *testing.B) {
	root := os.Getenv("ASSAY_LARGE")
	if root == "" {
		root = "/usr/share/php"
	}
	var ms []*mutate.Mutant
	var files int
	for b.Loop() {
		ms, files = nil, 0
		first := 1
		filepath.WalkDir(root, func(path string, d os.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".php") {
				return nil
			}
			text, err := os.ReadFile(path)
			if err != nil {
				b.Fatal(err)
			}
			f, err := syntax.Parse(path, text)
			if err != nil {
				b.Fatal(err)
			}
			src := &mutate.Source{Path: path, Text: text}
			points := mutate.Layout(f, src, first)
			first += points.Count
			ms = append(ms, mutate.Generate(f, src, operators.All(), points)...)
			points.Release()
			files++
			return nil
		})
		mutate.Sort(ms)
		mutate.Disambiguate(ms)
		exec.Plan(ms, &exec.Survey{})
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s")
	b.ReportMetric(float64(files), "files")
	b.ReportMetric(float64(len(ms)), "mutants")
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/float64(len(ms))*50_000, "s/50000-mutants")
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	b.ReportMetric(float64(m.HeapAlloc)/1e6, "MB-kept")
	b.ReportMetric(float64(m.Sys)/1e6, "MB-most")
	runtime.KeepAlive(ms)
}
