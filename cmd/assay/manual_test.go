//go:build linux

package main

import (
	"bytes"
	"os"
	osexec "os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// manualPages writes all pages as of a release, which has a day, and gives their folder.
func manualPages(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	released, releasedOn = "1.2.3", "2026-11-30"
	t.Cleanup(func() { released, releasedOn = "", "" })
	var out, errs bytes.Buffer
	if status := run(&out, &errs, []string{"manual", "--to", dir}); status != statusFine || out.Len()+errs.Len() > 0 {
		t.Fatalf("status %d, %s%s", status, &out, &errs)
	}
	return dir
}

// TestManualPages reads the pages with mandoc, which knows more faults than groff.
func TestManualPages(t *testing.T) {
	dir := manualPages(t)
	pages, err := filepath.Glob(filepath.Join(dir, "*"))
	if err != nil {
		t.Fatal(err)
	}
	if want := len(commandNames()) + 1; len(pages) != want {
		t.Errorf("%d pages, want %d: %v", len(pages), want, pages)
	}
	if _, err := osexec.LookPath("mandoc"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	out, err := osexec.Command("mandoc", append([]string{"-T", "lint"}, pages...)...).CombinedOutput()
	if err != nil || len(out) > 0 {
		t.Errorf("mandoc: %v\n%s", err, out)
	}
	text, err := osexec.Command("mandoc", "-T", "utf8", "-O", "width=500", filepath.Join(dir, "assay-run.1")).Output()
	if err != nil {
		t.Fatal(err)
	}
	shown := plainOf(string(text))
	for _, f := range reflect.VisibleFields(reflect.TypeFor[runCommand]()) {
		help := strings.Split(strings.Join(strings.Fields(f.Tag.Get("help")), " "), " ${")[0]
		name := f.Tag.Get("name")
		if _, argument := f.Tag.Lookup("arg"); argument {
			name = strings.ToUpper(name)
		}
		if name != "" && (!strings.Contains(shown, name) || !strings.Contains(shown, help)) {
			t.Errorf("the page of run does not have %s with its help: %s", name, help)
		}
	}
}

// plainOf takes out how terminals of paper print bold and underlined: a letter, a step back,
// and a letter.
func plainOf(s string) string {
	var out []rune
	for _, r := range s {
		if r == '\b' && len(out) > 0 {
			out = out[:len(out)-1]
			continue
		}
		out = append(out, r)
	}
	return string(out)
}

func TestRoffText(t *testing.T) {
	for in, want := range map[string]string{
		`a-b \n`: `a\-b \en`, ".TH": `\&.TH`, "'tis": `\&\(aqtis`, "`x` ~ ^": `\(gax\(ga \(ti \(ha`, "": "",
	} {
		if got := roffText(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
	long := "one " + strings.Repeat("x", 58) + " .two"
	if got, want := roffLines(long), "one\n"+strings.Repeat("x", 58)+"\n\\&.two\n"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestManualCommand(t *testing.T) {
	for _, row := range []struct {
		args   string
		status int
		want   string
	}{
		{"manual", statusFine, ".TH ASSAY 1 \"\" \"assay unreleased\" \"assay\"\n"},
		{"manual try", statusFine, ".TH ASSAY-TRY 1 "},
		{"manual tyr", statusUsage, "there is no command tyr; did you mean try?"},
		{"manual try --to .", statusUsage, "--to: all pages are written; leave try out"},
		{"manual --to no/such", statusUsage, "--to no/such: there is no such folder; make it first"},
	} {
		var out bytes.Buffer
		if status := run(&out, &out, strings.Fields(row.args)); status != row.status || !strings.Contains(out.String(), row.want) {
			t.Errorf("%s: status %d, %s", row.args, status, &out)
		}
	}
}

// The manual and the comment of the package tell of the same exit statuses.
func TestExitStatuses(t *testing.T) {
	text, err := os.ReadFile("main.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range exitStatuses {
		if !strings.Contains(string(text), "\n//\t"+s.status+" ") {
			t.Errorf("the comment of the package does not tell of status %s", s.status)
		}
	}
}

func TestVersionOfRelease(t *testing.T) {
	manualPages(t)
	var out bytes.Buffer
	if run(&out, &out, []string{"version"}); !strings.HasPrefix(out.String(), "assay 1.2.3 (") {
		t.Errorf("%s", &out)
	}
}
