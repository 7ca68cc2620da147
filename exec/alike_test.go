package exec

import (
	"bytes"

	"os"
	"path/filepath"

	"testing"
)

// TestKilledIsNotAlike: what a cold run of PHPUnit has failed on, by the claims of all fixtures, is
// never the same compiled code as its original.
func TestKilledIsNotAlike(t *testing.T) {
	c := testCompiler(t)
	dirs, err := filepath.Glob(filepath.Join(fixtures, "*", "claims.json"))
	if err != nil || len(dirs) < 20 {
		t.Fatalf("%d fixtures, %v", len(dirs), err)
	}
	killed := 0
	for _, d := range dirs {
		dir := filepath.Dir(d)
		for _, cl := range readClaims(t, dir).Claims {
			if cl.Status != "killed" && cl.Status != "timed_out" {
				continue
			}
			text, err := os.ReadFile(filepath.Join(dir, cl.File))
			if err != nil {
				t.Fatal(err)
			}
			one, other := compiled(t, c, string(text)), compiled(t, c, string(bytes.Replace(text, []byte(cl.Before), []byte(cl.After), 1)))
			if one != nil && bytes.Equal(one, other) {
				t.Errorf("%s: %q for %q is %s, and compiled alike", dir, cl.After, cl.Before, cl.Status)
			}
			killed++
		}
	}
	if killed < 100 {
		t.Errorf("there are only %d killed mutants in the claims", killed)
	}
}
