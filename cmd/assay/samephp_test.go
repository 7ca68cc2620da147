//go:build linux

package main

import (
	"bytes"
	"io"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestPHPVanishes takes PHP away while mutants are judged: the run ends with a
// word and status 3, what was decided is kept, and with PHP back --resume comes
// to the same bytes as a run that nobody disturbed.
func TestPHPVanishes(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("long, and nothing in it runs in parallel that others do not have")
	}
	needTools(t, "php", "phpunit", "composer")
	for _, way := range [][]string{nil, {"--cold"}, {"--view", "copy"}} {
		t.Run(strings.Join(append(way, "run"), " "), func(t *testing.T) {
			t.Parallel() // it waits for verdicts
			dir := resumeProject(t)
			base := filepath.Dir(dir)
			php, away := filepath.Join(base, "php"), filepath.Join(base, "php.away")
			copyPHP(t, php)
			tool := func(out string, args ...string) *osexec.Cmd {
				cmd := osexec.Command("assay", append(append([]string{"run", "--fresh", "--php", php, "--sample", "30", "--write", "json=" + out}, way...), args...)...)
				cmd.Dir = dir
				cmd.Env = append(os.Environ(), "XDG_CACHE_HOME="+filepath.Join(base, "cache"))
				return cmd
			}
			whole, pieced := filepath.Join(base, "whole.json"), filepath.Join(base, "pieced.json")
			if out, err := tool(whole).CombinedOutput(); err != nil {
				t.Fatalf("%v\n%s", err, out)
			}
			cmd := tool(pieced)
			var said bytes.Buffer
			cmd.Stderr = &said
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			whenJudged(t, filepath.Join(base, "cache"), 3)
			if err := os.Rename(php, away); err != nil {
				t.Fatal(err)
			}
			cmd.Wait()
			if got := cmd.ProcessState.ExitCode(); got != statusProject {
				t.Fatalf("status %d, want %d\n%s", got, statusProject, said.String())
			}
			for _, want := range []string{"assay: " + php + " has gone (stat ", "\nassay: With PHP back as it was, `assay run --resume` goes on"} {
				if !strings.Contains(said.String(), want) {
					t.Errorf("%q was not said:\n%s", want, said.String())
				}
			}
			if _, err := os.Stat(pieced); !os.IsNotExist(err) {
				t.Errorf("a result was written all the same (%v)", err)
			}
			if err := os.Rename(away, php); err != nil {
				t.Fatal(err)
			}
			out, err := tool(pieced, "--resume").CombinedOutput()
			if err != nil || !strings.Contains(string(out), "were judged before the interruption") {
				t.Fatalf("%v\n%s", err, out)
			}
			compareFiles(t, whole, pieced)
		})
	}
}

// copyPHP makes a PHP of our own to take away.
func copyPHP(t *testing.T, to string) {
	t.Helper()
	php, err := osexec.LookPath("php")
	if err != nil {
		t.Fatal(err)
	}
	from, err := os.Open(php)
	if err != nil {
		t.Fatal(err)
	}
	defer from.Close()
	f, err := os.OpenFile(to, os.O_CREATE|os.O_WRONLY, 0o755)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(f, from); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}

// whenJudged waits until the only journal in a cache holds some verdicts.
func whenJudged(t *testing.T, cache string, verdicts int) {
	t.Helper()
	for limit := time.Now().Add(time.Minute); time.Now().Before(limit); time.Sleep(2 * time.Millisecond) {
		found, err := filepath.Glob(filepath.Join(cache, "assay", "*.journal"))
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range found {
			if text, err := os.ReadFile(path); err == nil && bytes.Count(text, []byte("\n")) > verdicts {
				return
			}
		}
	}
	t.Fatal("no journal has so many verdicts")
}

// TestEditedMeanwhile changes sources, one of them without mutants, and a test while mutants
// are judged, in one case without a trace but the text: the report names all.
func TestEditedMeanwhile(t *testing.T) {
	t.Parallel()
	needTools(t, "php", "phpunit", "composer")
	dir := resumeProject(t)
	base := filepath.Dir(dir)
	result := filepath.Join(base, "result.json")
	if err := os.WriteFile(filepath.Join(dir, "src", "Weighed.php"), []byte("<?php\ninterface Weighed\n{\n}\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	cmd := osexec.Command("assay", "run", "--fresh", "--write", "json="+result)
	var out, errs bytes.Buffer
	cmd.Dir, cmd.Stdout, cmd.Stderr = dir, &out, &errs
	cmd.Env = append(os.Environ(), "XDG_CACHE_HOME="+filepath.Join(base, "cache"))
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	whenJudged(t, filepath.Join(base, "cache"), 3)
	paths := []string{"src/Grade.php", "src/SeasonPrices.php", "src/Weighed.php", "tests/GradeTest.php"}
	for _, path := range paths {
		changeText(t, filepath.Join(dir, path), path == "src/SeasonPrices.php")
	}
	if err := cmd.Wait(); err != nil {
		t.Fatalf("%v\n%s", err, &errs)
	}
	text, err := os.ReadFile(result)
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range paths {
		note := `{"kind":"edited","path":"` + path + `","text":"This file was changed while the run went on`
		if !bytes.Contains(text, []byte(note)) || !strings.Contains(out.String(), path+": This file was changed while the run went on") {
			t.Errorf("%s is not named:\n%s", path, &out)
		}
	}
	if n := bytes.Count(text, []byte(`"kind":"edited"`)); n != len(paths) {
		t.Errorf("%d files are named", n)
	}
}

// changeText changes a letter of a comment, or one that is added; times may stay what they
// were.
func changeText(t *testing.T, path string, secretly bool) {
	t.Helper()
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if secretly {
		text[len(text)-1] = ' ' // it was the end of a line
	} else {
		text = append(text, "\n// later\n"...)
	}
	if err := os.WriteFile(path, text, info.Mode()); err != nil {
		t.Fatal(err)
	}
	if secretly {
		if err := os.Chtimes(path, info.ModTime(), info.ModTime()); err != nil {
			t.Fatal(err)
		}
	}
}
