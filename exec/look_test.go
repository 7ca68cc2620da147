package exec

import (
	osexec "os/exec"
	"testing"
)

// lookPHP and lookPHPUnit find the tools that .ci/run installs. Without them
// there is nothing to test, and no green to be had by skipping.
func lookPHP(t testing.TB) string     { return look(t, "php") }
func lookPHPUnit(t testing.TB) string { return look(t, "phpunit") }

func look(t testing.TB, name string) string {
	t.Helper()
	path, err := osexec.LookPath(name)
	if err != nil {
		t.Fatalf("%v; .ci/run installs it", err)
	}
	return path
}
