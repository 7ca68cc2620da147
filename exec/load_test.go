package exec

import (
	osexec "os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"syscall"
	"testing"

	"assay/exec/sandbox"
)

// TestUnderLoad judges endless and merely slow changes while every core is
// kept busy several times over: the verdicts must be those of cold runs on an
// idle machine.
func TestUnderLoad(t *testing.T) {
	if testing.Short() {
		t.Skip("the claims are checked without load, too")
	}
	for range 3 * runtime.NumCPU() {
		busy := osexec.Command("sh", "-c", "while :; do :; done")
		busy.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
		if err := busy.Start(); err != nil {
			t.Fatal(err)
		}
		defer busy.Wait()
		defer busy.Process.Kill()
	}
	for _, name := range []string{"gallery", "closures-and-generators"} {
		dir := filepath.Join(fixtures, name)
		c := readClaims(t, dir)
		c.Claims = slices.DeleteFunc(c.Claims, func(c claim) bool {
			return name == "gallery" && c.Status != "timed_out" && c.Status != "survived"
		})
		if len(c.Claims) < 5 {
			t.Fatalf("%s: only %d claims", name, len(c.Claims))
		}
		t.Run(name, func(t *testing.T) { checkClaims(t, dir, c, Settings{View: sandbox.Auto}) })
	}
}
