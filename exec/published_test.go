package exec_test

import (
	"context"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"assay/exec"
	"assay/exec/sandbox"
	"assay/mutate"
	"assay/operators"
)

// TestMyersTriangle: Glenford J. Myers, The Art of Software Testing (1979),
// asks the reader whether his tests of a triangle program hold certain cases.
// A suite that lacks the cases of any one question must be judged weaker than
// the whole one. The eleventh, all sides zero, is the exception: in this
// program the case of one side that is zero stands for it, and the suite must
// only not be judged stronger. The list is from memory.
func TestMyersTriangle(t *testing.T) {
	if testing.Short() {
		t.Skip("long, and nothing in it runs in parallel that others do not have")
	}
	whole := triangleSurvivors(t, "")
	t.Logf("the whole list leaves %d survivors", len(whole))
	for question := 1; question <= 13; question++ {
		without := triangleSurvivors(t, strconv.Itoa(question))
		t.Logf("without question %d: %d", question, len(without))
		for id := range whole {
			if !without[id] {
				t.Errorf("without question %d, %s is noticed, and with it not", question, id)
			}
		}
		if question != 11 && len(without) <= len(whole) {
			t.Errorf("without question %d there are no more survivors", question)
		}
	}
}

// triangleSurvivors judges every mutant of the triangle program.
func triangleSurvivors(t *testing.T, without string) map[string]bool {
	t.Helper()
	t.Setenv("TRIANGLE_WITHOUT", without)
	root := filepath.Join(t.TempDir(), "triangle")
	if err := os.CopyFS(root, os.DirFS("../testdata/published/triangle")); err != nil {
		t.Fatal(err)
	}
	ops := operators.All()
	ms, points := generate(t, root, []string{"src/Triangle.php"}, ops)
	ctx := context.Background()
	e, err := exec.Open(ctx, exec.Settings{Root: root, Config: filepath.Join(root, "phpunit.xml"),
		PHP: path(t, "php"), PHPUnit: path(t, "phpunit"), View: sandbox.Auto})
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	s, err := e.Record(ctx, points, nil)
	if err != nil {
		t.Fatal(err)
	}
	left := map[string]bool{}
	err = e.Judge(ctx, s, exec.Plan(ms, s), func(v mutate.Verdict) {
		if v.Status == mutate.Survived || v.Status == mutate.Unreached {
			left[v.Mutant.ID] = true
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return left
}
