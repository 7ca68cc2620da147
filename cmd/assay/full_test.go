//go:build linux

package main

import (
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestFullDisk gives the journal a file system of a few kilobytes. The run must
// end with a clear message, and when there is room again --resume must go on
// from what was decided and give what an undisturbed run gives.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("long, and nothing in it runs in parallel that others do not have")
	}
	dir := resumeProject(t)
	cache := t.TempDir()
	whole, pieced := filepath.Join(cache, "..", "whole.json"), filepath.Join(cache, "..", "pieced.json")
	script := `
		mount -t tmpfs -o size=16k none "$XDG_CACHE_HOME" || exit 99
		assay run --write json=` + pieced + `; echo "first: $?" >&2
		mount -o remount,size=64m "$XDG_CACHE_HOME" || exit 99
		assay run --resume --write json=` + pieced + `; echo "then: $?" >&2
	`
	cmd := osexec.Command("unshare", "-m", "sh", "-c", script)
	if os.Getuid() != 0 {
		cmd = osexec.Command("unshare", "-Urm", "sh", "-c", script)
	}
	var errs strings.Builder
	cmd.Dir, cmd.Stderr = dir, &errs
	cmd.Env = append(os.Environ(), "XDG_CACHE_HOME="+cache)
	if err := cmd.Run(); err != nil {
		t.Fatalf("%v\n%s", err, errs.String())
	}
	for _, want := range []string{
		`(?m)^assay: .*journal .* cannot be written: .*no space left on device; what was decided before is in it: make room and use --resume`,
		`(?m)^first: [34]$`,
		`(?m)[1-9][0-9]* mutants were judged before the interruption`,
		`(?m)^then: 0$`,
	} {
		if !regexp.MustCompile(want).MatchString(errs.String()) {
			t.Errorf("standard error lacks %s:\n%s", want, errs.String())
		}
	}
	plain := osexec.Command("assay", "run", "--write", "json="+whole)
	plain.Dir = dir
	if out, err := plain.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	compareFiles(t, whole, pieced)
}

// TestFullTemp gives the temp directory sizes at which different things find no room. That
// is never a fault of ours, and nothing is left.
func TestFullTemp(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("long, and nothing in it runs in parallel that others do not have")
	}
	dir := resumeProject(t)
	temp := t.TempDir()
	script := `
		for size in 4k 100k 260k 300k; do for view in overlay copy; do
			mount -t tmpfs -o size=$size none "$TMPDIR" || exit 99
			assay run --fresh --sample 6 --view $view >/dev/null; echo "status $? of $size, $view" >&2
			ls -A "$TMPDIR" | sed 's/^/left: /' >&2
			umount "$TMPDIR" || exit 99
		done; done
	`
	cmd := osexec.Command("unshare", "-m", "sh", "-c", script)
	if os.Getuid() != 0 {
		cmd = osexec.Command("unshare", "-Urm", "sh", "-c", script)
	}
	var errs strings.Builder
	cmd.Dir, cmd.Stderr = dir, &errs
	cmd.Env = append(os.Environ(), "XDG_CACHE_HOME="+t.TempDir(), "TMPDIR="+temp)
	if err := cmd.Run(); err != nil {
		t.Fatalf("%v\n%s", err, errs.String())
	}
	statuses := regexp.MustCompile(`(?m)^status (\d+) of`).FindAllStringSubmatch(errs.String(), -1)
	refused := 0
	for _, m := range statuses {
		switch m[1] {
		case "3":
			refused++
		case "0":
		default:
			t.Errorf("status %s", m[1])
		}
	}
	if len(statuses) != 8 || refused < 4 || strings.Contains(errs.String(), "left: ") || strings.Count(errs.String(), "assay: Make room there.") != refused {
		t.Errorf("standard error:\n%s", errs.String())
	}
}
