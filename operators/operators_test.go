package operators

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"assay/mutate"
	"assay/mutate/mutatetest"
)

const archives = "../testdata/operators"

// families gives the registered operators by family.
func families() map[string][]*mutate.Operator {
	out := map[string][]*mutate.Operator{}
	for _, op := range All() {
		out[op.Family()] = append(out[op.Family()], op)
	}
	return out
}

func TestValid(t *testing.T) {
	if err := mutate.Validate(All()); err != nil {
		t.Error(err)
	}
}

// TestNames: where two families have an operator of the same name, a comment that skips it by its
// name alone is refused, so no name that people may have written down becomes that of another.
func TestNames(t *testing.T) {
	twice := map[string]bool{"zeroed": true, "sign-flipped": true} // from the beginning
	seen := map[string]string{}
	for _, op := range All() {
		_, name, _ := strings.Cut(op.ID, "/")
		if seen[name] != "" && !twice[name] {
			t.Errorf("%s and %s have the same name", seen[name], op.ID)
		}
		seen[name] = op.ID
	}
}

// TestHints: what stands under a survivor begins in one way, with what is missing.
func TestHints(t *testing.T) {
	for _, op := range All() {
		if _, hint, _ := strings.Cut(op.Doc, "\n\n"); !strings.HasPrefix(hint, "No test ") {
			t.Errorf("%s: the hint begins %.30q, not with what no test does", op.ID, hint)
		}
	}
}

// TestFamilies runs each family's archive. Every operator must be hit by a
// case, and every family must leave at least one case of look-alikes alone.
func TestFamilies(t *testing.T) {
	for family, ops := range families() {
		t.Run(family, func(t *testing.T) {
			tally := mutatetest.Run(t, filepath.Join(archives, family+".txtar"), ops)
			for _, op := range ops {
				if tally.Hits[op.ID] == 0 {
					t.Errorf("no case hits %s", op.ID)
				}
			}
			if tally.Empty == 0 {
				t.Errorf("family %s has no case with an empty want", family)
			}
		})
	}
}

func TestNoArchiveWithoutFamily(t *testing.T) {
	entries, err := os.ReadDir(archives)
	if err != nil {
		t.Fatal(err)
	}
	have := families()
	for _, e := range entries {
		family, ok := strings.CutSuffix(e.Name(), ".txtar")
		if !ok || len(have[family]) == 0 {
			t.Errorf("%s belongs to no family of operators", filepath.Join(archives, e.Name()))
		}
	}
}
