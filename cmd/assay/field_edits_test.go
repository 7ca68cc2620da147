//go:build field

package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// Random edits of many kinds on real projects: after each, a run that uses verdicts of earlier
// ones again must give what a run gives that does not, byte for byte. .ci/field edits runs it.

// An editKind is what is done to a file of a sort.
type editKind struct{ sort, action string }

func (k editKind) String() string { return k.action + ": " + k.sort }

var editActions = []string{"a line more", "a comment more", "a line fewer", "a number more", "another time", "may be run",
	"read-only", "gone", "a file beside it", "a link to it", "a directory beside it"}

var editSorts = []string{"source", "test", "other PHP", "data", "PHP of a package", "data of a package", "version control"}

// editKinds are all that make sense, and those of what is around the project.
func editKinds() (out []editKind) {
	for _, s := range editSorts {
		for _, a := range editActions {
			if code := strings.Contains(s, "PHP") || s == "source" || s == "test"; code || a != "a comment more" && a != "a number more" {
				out = append(out, editKind{s, a})
			}
		}
	}
	return append(out, editKind{"environment", "a variable"}, editKind{"environment", "php.ini"})
}

// sortOf says of what sort a file is, "" for one that is left alone.
func sortOf(rel string, sources map[string]bool) string {
	php := strings.HasSuffix(rel, ".php")
	switch {
	case strings.HasPrefix(rel, ".git/"):
		if strings.HasPrefix(rel, ".git/refs") || rel == ".git/HEAD" {
			return "version control"
		}
		return ""
	case strings.HasPrefix(rel, "vendor/composer/"), strings.HasPrefix(rel, "vendor/bin/"), rel == "vendor/autoload.php", strings.HasPrefix(rel, ".phpunit"):
		return ""
	case strings.HasPrefix(rel, "vendor/") && php:
		return "PHP of a package"
	case strings.HasPrefix(rel, "vendor/"):
		return "data of a package"
	case sources[rel]:
		return "source"
	case strings.HasSuffix(rel, "Test.php"):
		return "test"
	case php:
		return "other PHP"
	}
	return "data"
}

// edited is a project that edits are made to.
type edited struct {
	t        *testing.T
	r        *rand.Rand
	run      *fieldRun
	dir      string
	pristine string
	env      []string
	ini      string
}

// apply makes an edit and says what it was; ok is false where nothing is of its sort.
func (e *edited) apply(k editKind) (what string, ok bool) {
	if k.sort == "environment" {
		value := fmt.Sprint(e.r.IntN(1000))
		if k.action == "php.ini" {
			put(e.t, filepath.Join(e.ini, "php.ini"), "field.edit="+value+"\n")
		} else {
			e.env = []string{"FIELD_EDIT=" + value}
		}
		return k.String() + " = " + value, true
	}
	var fit []string
	sources := e.sources()
	filepath.WalkDir(e.dir, func(p string, d fs.DirEntry, err error) error {
		rel, _ := filepath.Rel(e.dir, p)
		if err == nil && d.Type().IsRegular() && sortOf(filepath.ToSlash(rel), sources) == k.sort {
			fit = append(fit, rel)
		}
		return nil
	})
	if len(fit) == 0 {
		return "", false
	}
	rel := fit[e.r.IntN(len(fit))]
	if err := e.change(filepath.Join(e.dir, rel), k.action); err != nil {
		e.t.Fatal(err)
	}
	return k.String() + ", " + rel, true
}

func (e *edited) sources() map[string]bool {
	out, err := e.run.command(context.Background(), e.t.TempDir(), "list", "--write", "json=/dev/stdout").Output()
	if err != nil {
		return nil
	}
	in := map[string]bool{}
	for _, line := range bytes.Split(out, []byte("\n")) {
		if _, rest, ok := bytes.Cut(line, []byte(`"file": "`)); ok {
			name, _, _ := bytes.Cut(rest, []byte(`"`))
			in[string(name)] = true
		}
	}
	return in
}

// change does something to a file.
func (e *edited) change(path, action string) error {
	text, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	lines := bytes.SplitAfter(text, []byte("\n"))
	at := e.r.IntN(len(lines))
	write := func(b []byte) error { return os.WriteFile(path, b, info.Mode()) }
	switch action {
	case "a line more":
		return write(append(text, '\n'))
	case "a comment more":
		return write(slices.Concat(text, []byte("\n// ebb\n")))
	case "a line fewer":
		return write(bytes.Join(slices.Delete(lines, at, at+1), nil))
	case "a number more":
		return write(bytes.Replace(text, []byte("1"), []byte("2"), 1))
	case "another time":
		when := time.Unix(1_500_000_000+e.r.Int64N(1_000_000), 0)
		return os.Chtimes(path, when, when)
	case "may be run":
		return os.Chmod(path, info.Mode()^0o111)
	case "read-only":
		return os.Chmod(path, info.Mode()^0o200)
	case "gone":
		return os.Remove(path)
	case "a file beside it":
		return os.WriteFile(filepath.Join(filepath.Dir(path), fmt.Sprintf("Ebb%d%s", e.r.IntN(100), filepath.Ext(path))), []byte("<?php\n"), 0o644)
	case "a link to it":
		return os.Symlink(filepath.Base(path), filepath.Join(filepath.Dir(path), fmt.Sprintf("flood%d", e.r.IntN(1000))))
	case "a directory beside it":
		dir := filepath.Join(filepath.Dir(path), fmt.Sprintf("tide%d", e.r.IntN(1000)))
		return errors.Join(os.MkdirAll(dir, 0o755), os.WriteFile(filepath.Join(dir, "Neap.php"), []byte("<?php\n"), 0o644))
	}
	return fmt.Errorf("%q is no action", action)
}

// undo makes the project what it was.
func (e *edited) undo() { e.copy(e.pristine, e.dir) }

// keep takes the edits that were made as what there is.
func (e *edited) keep() { e.copy(e.dir, e.pristine) }

func (e *edited) copy(from, to string) {
	if err := os.RemoveAll(to); err != nil {
		e.t.Fatal(err)
	}
	if out, err := osexec.Command("cp", "-a", from, to).CombinedOutput(); err != nil {
		e.t.Fatalf("cp: %v\n%s", err, out)
	}
}

var fieldReused = regexp.MustCompile(`\d+ verdicts? reused`)

// result runs assay and gives the result file, nil where the run did not come to one, and how
// many verdicts were reused.
func (e *edited) result(cache string, args ...string) (result []byte, said string) {
	file := filepath.Join(e.t.TempDir(), "result.json")
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Minute)
	defer cancel()
	cmd := e.run.command(ctx, cache, "run", append([]string{"--sample", fmt.Sprint(e.run.options.sample), "--write", "json=" + file}, args...)...)
	cmd.Env = append(append(cmd.Env, "PHPRC="+e.ini), e.env...)
	out, err := cmd.CombinedOutput()
	var exit *osexec.ExitError
	if errors.As(err, &exit) && exit.ExitCode() == 4 {
		e.t.Errorf("status 4:\n%s", out)
	}
	b, _ := os.ReadFile(file) // a suite that is not green has none
	return b, cmp.Or(string(fieldReused.Find(out)), "nothing reused")
}

func TestFieldEdits(t *testing.T) {
	o := fieldEnvironment(t)
	kinds := editKinds()
	for name := range strings.SplitSeq(os.Getenv("FIELD_NAMES"), ",") {
		t.Run(name, func(t *testing.T) { editProject(t, o, name, kinds) })
	}
}

func editProject(t *testing.T, o fieldOptions, name string, kinds []editKind) {
	recipes := readRecipes(t)
	i := slices.IndexFunc(recipes, func(r fieldRecipe) bool { return r["Name"] == name })
	if i < 0 {
		t.Fatalf("no project is called %s", name)
	}
	r := recipes[i]
	major := r["PHPUnit"]
	if major == "" {
		major = "9"
	}
	t.Setenv("PATH", filepath.Join(o.dir, "tools", major)+":"+os.Getenv("PATH"))
	e := &edited{t: t, r: rand.New(rand.NewPCG(o.seed, 1)), dir: filepath.Join(t.TempDir(), name), pristine: filepath.Join(t.TempDir(), name), ini: t.TempDir()}
	e.copy(filepath.Join(o.dir, "projects", name), e.pristine)
	put(t, filepath.Join(e.pristine, ".git/HEAD"), "ref: refs/heads/main\n")
	put(t, filepath.Join(e.pristine, ".git/refs/heads/main"), strings.Repeat("1", 40)+"\n")
	e.undo()
	e.run = &fieldRun{options: o, project: oracleProject{name: name, dir: e.dir, config: r["Config"], args: strings.Fields(r["Options"])},
		line: &fieldLine{}, detail: t.Logf}
	cache := t.TempDir()
	e.result(cache)
	edits, green, differences := 0, 0, 0
	for edits < o.edits {
		what, ok := e.apply(kinds[e.r.IntN(len(kinds))])
		if !ok {
			continue
		}
		edits++
		got, reused := e.result(cache)
		want, _ := e.result(t.TempDir(), "--fresh")
		same := bytes.Equal(got, want)
		fmt.Printf("%s %d: %s: %s, %s\n", name, edits, what, map[bool]string{true: "the same", false: "ANOTHER RESULT"}[same], reused)
		if !same {
			differences++
			t.Errorf("seed %d, edit %d: %s", o.seed, edits, what)
			at := filepath.Join(o.dir, "results", fmt.Sprintf("edit-%s-%d-%d", name, o.seed, edits))
			put(t, at+".reused.json", string(got))
			put(t, at+".fresh.json", string(want))
		}
		if len(want) > 0 {
			green++
		}
		if len(want) == 0 || e.r.IntN(2) == 0 {
			e.undo()
		} else {
			e.keep()
		}
	}
	fmt.Printf("%s: %d edits, %d of them green, %d differences, seed %d\n", name, edits, green, differences, o.seed)
}
