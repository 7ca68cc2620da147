//go:build linux

package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"

	"assay/exec/sandbox/sandboxtest"
)

// Variables of the test that is run inside: a project; whether its check has to find things
// forbidden or allowed; what a run prints where nothing is.
const checkPlace, expectEnv, wantEnv = "ASSAY_TEST_CHECK", "ASSAY_TEST_EXPECT", "ASSAY_TEST_WANT"

// TestCheckInContainer: where a container forbids what overlays and confinement need, that costs
// no verdict, and the check says what to add; with that added there is nothing to say.
func TestCheckInContainer(t *testing.T) {
	if testing.Short() {
		t.Skip("nothing in it runs in parallel that others do not have")
	}
	sandboxtest.NeedRoot(t)
	needTools(t, "php", "phpunit")
	place := func(script, expect string) {
		w := sandboxtest.NewWorld(t)
		dir := filepath.Join(w.Home, "kiln")
		want := kiln(t, dir)
		w.Run(t, script, []string{"TestCheckInside"}, checkPlace+"="+dir, expectEnv+"="+expect, wantEnv+"="+want)
	}
	for _, p := range sandboxtest.Places {
		if p.Name == "container, root" || p.Name == "strict container, ordinary user" { // those between are like them
			t.Run(p.Name, func(t *testing.T) { place(p.Script, "forbidden") })
		}
	}
	for _, p := range sandboxtest.Allowed {
		t.Run("allowed "+p.Name, func(t *testing.T) { place(p.Script, "allowed") })
	}
}

// TestCheckInside is run by TestCheckInContainer, inside.
func TestCheckInside(t *testing.T) {
	dir := os.Getenv(checkPlace)
	if dir == "" {
		return
	}
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	t.Chdir(dir)
	var out, errs bytes.Buffer
	if status := run(&out, &errs, []string{"check"}); status != statusFine {
		t.Fatalf("status %d\n%s%s", status, &out, &errs)
	}
	if os.Getenv(expectEnv) == "allowed" {
		// What engines allow with SYS_PTRACE is not asked for: it would give more than it keeps from.
		notes := slices.DeleteFunc(strings.Split(out.String(), "\n"), func(line string) bool {
			return !strings.HasPrefix(line, "note  ") || strings.Contains(line, "does not let descriptors of other processes be copied")
		})
		if len(notes) > 0 || !strings.Contains(out.String(), "each worker sees the project through an overlay") {
			t.Errorf("with what it asks for, it says\n%s", &out)
		}
	} else {
		for _, want := range []string{"each worker gets a copy of the project, because ",
			"docker run --cap-add SYS_ADMIN --cap-add NET_ADMIN --security-opt apparmor=unconfined\n", "cap_add: [SYS_ADMIN, NET_ADMIN]\n", "the suite is green: 1 test\n"} {
			if !strings.Contains(out.String(), want) {
				t.Errorf("%q is not said:\n%s", want, &out)
			}
		}
	}
	out.Reset()
	if status := run(&out, &errs, []string{"run", "--only", "relational,arithmetic/sum-reversed"}); status != statusFine {
		t.Fatalf("status %d\n%s%s", status, &out, &errs)
	}
	verdicts := regexp.MustCompile(`(?m)^.* (of the mutants|killed|survived|unreached).*$`)
	want, got := verdicts.FindAllString(os.Getenv(wantEnv), -1), verdicts.FindAllString(out.String(), -1)
	if len(want) == 0 || !slices.Equal(want, got) {
		t.Errorf("verdicts %q, want %q", got, want)
	}
}

// kiln writes the project of a script into a folder that is everybody's, and gives what a run
// of it has to print.
func kiln(t *testing.T, dir string) (want string) {
	t.Helper()
	archive, err := txtar.ParseFile("../../testdata/script/survivor_boundary.txtar")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range archive.Files {
		if f.Name == "want" {
			want = string(f.Data)
			continue
		}
		path := filepath.Join(dir, f.Name)
		for folder := filepath.Dir(path); len(folder) >= len(dir); folder = filepath.Dir(folder) {
			if err := os.MkdirAll(folder, 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.Chown(folder, sandboxtest.Nobody, sandboxtest.Nobody); err != nil {
				t.Fatal(err)
			}
		}
		if err := os.WriteFile(path, f.Data, 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.Chown(path, sandboxtest.Nobody, sandboxtest.Nobody); err != nil {
			t.Fatal(err)
		}
	}
	return want
}
