package exec_test

import (
	"context"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"assay/exec"
	"assay/mutate"
	"assay/mutate/project"
	"assay/operators"
)

// TestPlainWay holds what is judged in the whole stage and in sequences against
// the plain way, a child a mutant with its file swapped in: verdict, killer, what
// was said and how many tests it took are the same.
func TestPlainWay(t *testing.T) {
	for _, c := range []struct {
		dir   string
		share float64 // of the mutants reached, how many must have been in sequences, at least
		// rows is set where data providers load the sources: the plain way builds all
		// their rows again and runs each, in their own order.
		rows   bool
		remark string // what is said of a way that cannot be gone; "": it can
	}{
		{"../testdata/demo", 0.8, false, ""},
		{"../testdata/fixtures/left-behind", 0.5, true, ""},
		{"../testdata/fixtures/static-cache", 0, false, ""},
		{"../testdata/fixtures/reads-source", 0, false, ""},
		{"../testdata/fixtures/process-isolation", 0, false, ""},
		{"../testdata/fixtures/counts-what-is-loaded", 0, false, "suite is not green (Harbour\\Tests\\BerthsTest::testOnlyTheQuayIsInUse: PHPUnit\\Framework\\ExpectationFailedException: Failed asserting that two arrays are identical)"},
		{"../testdata/fixtures/shared-register", 0.6, false, ""},
		{"../testdata/fixtures/bells-destruct", 0.6, false, ""},
		{"../testdata/fixtures/closes-once", 0, false, ""},
		{"../testdata/fixtures/data-of-sources", 0.3, true, ""},
		{"../testdata/fixtures/data-before-state", 0, true, ""},
		{"../testdata/fixtures/provider-loads-class", 0.4, true, ""},
		{"../testdata/fixtures/declares-once", 0.2, false, ""},
		{"../testdata/fixtures/requires-a-class", 0, false, "could not be run again and again"},
		{"../testdata/fixtures/base-from-tests", 0, false, "cannot all be loaded"},
	} {
		t.Run(filepath.Base(c.dir), func(t *testing.T) {
			root := filepath.Join(t.TempDir(), "p")
			if err := os.CopyFS(root, os.DirFS(c.dir)); err != nil {
				t.Fatal(err)
			}
			if _, err := os.Stat(filepath.Join(root, "composer.json")); err == nil {
				cmd := osexec.Command(path(t, "composer"), "dump-autoload", "--quiet")
				cmd.Dir = root
				if out, err := cmd.CombinedOutput(); err != nil {
					t.Fatalf("%v: %s", err, out)
				}
			}
			quick, sequenced, remarks := judgeProject(t, root, false)
			plain, none, silence := judgeProject(t, root, true)
			if none != 0 || silence != "" {
				t.Errorf("%d mutants were in sequences where none should be; %s", none, silence)
			}
			if (remarks == "") != (c.remark == "") || !strings.Contains(remarks, c.remark) {
				t.Errorf("it is remarked %q, not %q", remarks, c.remark)
			}
			if strings.Contains(remarks, "as a file") && sequenced > 0 {
				t.Errorf("%d mutants were in sequences", sequenced)
			}
			reached := 0
			for _, v := range plain {
				if v.Status != mutate.Unreached && v.Status != mutate.Stillborn {
					reached++
				}
			}
			if float64(sequenced) < c.share*float64(reached) {
				t.Errorf("%d of %d mutants were in sequences", sequenced, reached)
			}
			if c.rows {
				onlyStatus(plain)
				onlyStatus(quick)
			}
			if d := cmp.Diff(plain, quick); d != "" {
				t.Errorf("the plain way (-) and the quick one (+) differ:\n%s", d)
			}
		})
	}
}

// told is what people read of a verdict.
type told struct {
	Status mutate.Status
	How    mutate.How
	Killer mutate.TestID
	Detail string
	Ran    int
}

func onlyStatus(verdicts map[string]told) {
	for id, v := range verdicts {
		verdicts[id] = told{Status: v.Status, How: v.How}
	}
}

func judgeProject(t *testing.T, root string, plain bool) (verdicts map[string]told, sequenced int64, remarks string) {
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
	set := exec.Settings{Root: p.Root, PHP: p.PHP, PHPUnit: p.PHPUnit.Path, Jobs: 2, SwapOnly: plain}
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
	s, err := e.Survey(ctx, points, nil)
	if err != nil {
		t.Fatal(err)
	}
	verdicts = map[string]told{}
	err = e.Run(ctx, s, exec.Plan(ms, s), func(v mutate.Verdict) {
		verdicts[v.Mutant.Source.Path+" "+v.Mutant.ID] = told{v.Status, v.How, v.Killer, v.Detail, v.Ran}
	})
	if err != nil {
		t.Fatal(err)
	}
	return verdicts, e.Sequenced(), strings.Join(e.Remarks(), " ")
}
