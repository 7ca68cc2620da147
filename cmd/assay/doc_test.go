//go:build linux

package main

import (
	"bytes"
	"io"
	"os"
	osexec "os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"assay/operators"
	"assay/report"
)

func readme(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// TestReadmeExamples runs every "$ assay" of the README on a copy of the demo
// and compares what it prints. A line "..." stands for any number of lines.
func TestReadmeExamples(t *testing.T) {
	for _, tool := range []string{"php", "phpunit", "composer"} {
		if _, err := osexec.LookPath(tool); err != nil {
			if os.Getenv("CI") != "" {
				t.Fatal(err)
			}
			t.Skip(err)
		}
	}
	blocks := regexp.MustCompile("(?s)```console\n\\$ assay ([^\n]*)\n(.*?)```").FindAllStringSubmatch(readme(t), -1)
	if len(blocks) == 0 {
		t.Fatal("the README has no examples")
	}
	dir := filepath.Join(t.TempDir(), "demo")
	if err := os.CopyFS(dir, os.DirFS("../../testdata/demo")); err != nil {
		t.Fatal(err)
	}
	composer := osexec.Command("composer", "dump-autoload", "-q", "-n")
	composer.Dir = dir
	if out, err := composer.CombinedOutput(); err != nil {
		t.Fatalf("composer: %v %s", err, out)
	}
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	t.Setenv("NO_COLOR", "1")
	t.Chdir(dir)
	for _, b := range blocks {
		var out, errs bytes.Buffer
		if status := run(&out, &errs, strings.Fields(b[1])); status != statusFine {
			t.Fatalf("assay %s: status %d, %s", b[1], status, &errs)
		}
		if missing := unmatched(b[2], out.String()); missing != "" {
			t.Errorf("assay %s: the README shows this, which is not printed, or not there:\n%s\nprinted:\n%s", b[1], missing, &out)
		}
	}
	// The page of the demo, too, is to stay small.
	if status := run(io.Discard, io.Discard, []string{"run", "--write", "html=page.html"}); status != statusFine {
		t.Fatalf("status %d", status)
	}
	if info, err := os.Stat("page.html"); err != nil || info.Size() > 150_000 {
		t.Errorf("the page of the demo: %d bytes, %v", info.Size(), err)
	}
}

// unmatched gives the part of a pattern that text does not have in this order,
// or "". Parts are divided by lines of three dots.
func unmatched(pattern, text string) string {
	at := 0
	parts := strings.Split("\n"+pattern, "\n...\n")
	for i, part := range parts {
		part = strings.Trim(part, "\n")
		if part == "" {
			continue
		}
		found := strings.Index("\n"+text[at:]+"\n", "\n"+part+"\n")
		if found < 0 || (i == 0 && found > 0) {
			return part
		}
		at += found + len(part)
	}
	if last := strings.Trim(parts[len(parts)-1], "\n"); last != "" && strings.Trim(text[at:], "\n") != "" {
		return "the end after:\n" + last
	}
	return ""
}

func TestUnmatched(t *testing.T) {
	for _, c := range []struct {
		pattern, text string
		fits          bool
	}{
		{"a\nb\n", "a\nb\n", true}, {"a\n...\nc\n", "a\nb\nc\n", true}, {"a\n...\n", "a\nb\n", true},
		{"a\n", "a\nb\n", false}, {"b\n...\n", "a\nb\n", false}, {"a\n...\nd\n...\n", "a\nb\n", false},
		{"a\n...\nb\n...\na\n...\n", "a\nb\nc\n", false}, {"a\nc\n", "a\nb\nc\n", false},
	} {
		if got := unmatched(c.pattern, c.text) == ""; got != c.fits {
			t.Errorf("%q in %q: %v", c.pattern, c.text, got)
		}
	}
}

// The README names what there is, and its tables nothing that there is not.
func TestReadmeIsComplete(t *testing.T) {
	text := readme(t)
	options := text[strings.Index(text, "\n## Options"):strings.Index(text, "\n## Operators")]
	known := map[string]bool{"core": true, "wide": true, "overlay": true, "copy": true, "auto": true, "always": true, "never": true, "cost": true, "place": true,
		"paths": true}
	for _, f := range report.Formats() {
		known[f.Name] = true
	}
	for _, f := range reflect.VisibleFields(reflect.TypeFor[fileOptions]()) {
		if name := f.Tag.Get("name"); name != "" {
			known[name] = true
			if _, ok := f.Tag.Lookup("negatable"); ok {
				known["--no-"+name] = true
			}
			if !strings.Contains(options, "`"+name+"`") {
				t.Errorf("the README does not name the option %s", name)
			}
		}
	}
	for _, m := range regexp.MustCompile("`([a-z-]+)`").FindAllStringSubmatch(options, -1) {
		if !known[m[1]] {
			t.Errorf("the README names %s, which is no option", m[1])
		}
	}
	families := text[strings.Index(text, "The families:"):]
	families = families[:strings.Index(families, ".\n\n")]
	there := map[string]bool{}
	for _, op := range operators.All() {
		there[op.Family()] = true
	}
	for family := range there {
		if !strings.Contains(families, "`"+family+"`") {
			t.Errorf("the README does not name the family %s", family)
		}
	}
	if n := strings.Count(families, "`") / 2; n != len(there) {
		t.Errorf("the README names %d families, there are %d", n, len(there))
	}
	for _, f := range report.Formats() {
		if !strings.Contains(options, "`"+f.Name+"`") {
			t.Errorf("the README does not name the format %s", f.Name)
		}
	}
	schema, err := os.ReadFile("../../testdata/report/result.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range reflect.VisibleFields(reflect.TypeFor[report.Entry]()) {
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		if !strings.Contains(string(schema), `"`+name+`"`) {
			t.Errorf("the schema does not have %s", name)
		}
	}
}
