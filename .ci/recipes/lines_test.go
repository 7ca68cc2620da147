//go:build linux

package recipes

import (
	"bytes"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// A service is a recipe with what its command lines count on.
type service struct {
	files []string
	shell string
	// place is replaced by a directory of the test, in the text of the lines.
	place string
	env   func(part, parts int, place string) []string
	// result is where the merged result is written, below the directory or the project.
	result string
	// artifacts are files of the project that go from the parts to the merge; all else goes
	// with the machine that made it, but packages and the cache.
	artifacts string
}

var services = map[string]service{
	"GitHub": {files: []string{"github.yml"}, shell: "bash", result: "mutants/result.json", env: func(part, parts int, place string) []string {
		return []string{"HOME=" + place, "GITHUB_BASE_REF=main", "GITHUB_ACTIONS=true", fmt.Sprint("CI_PART=", part), fmt.Sprint("PARTS=", parts)}
	}},
	"GitLab": {files: []string{"gitlab-ci.yml"}, shell: "bash", result: ".mutants/result.json", artifacts: ".mutants/part-*.json", env: func(part, parts int, _ string) []string {
		return []string{fmt.Sprint("CI_NODE_INDEX=", part), fmt.Sprint("CI_NODE_TOTAL=", parts)}
	}},
	"Jenkins": {files: []string{"Jenkinsfile"}, shell: "sh", result: "result.json", artifacts: "part-*.json", env: func(part, parts int, place string) []string {
		return []string{fmt.Sprint("CI_PART=", part), "CI_CACHE=" + filepath.Join(place, "cache"), fmt.Sprint("EXECUTOR_NUMBER=", part)}
	}},
	"Kubernetes": {files: []string{"kubernetes.yaml", "kubernetes-merge.yaml"}, shell: "sh", place: "/shared", result: "result.json", env: func(part, parts int, _ string) []string {
		return []string{fmt.Sprint("JOB_COMPLETION_INDEX=", part-1), fmt.Sprint("CI_PARTS=", parts)}
	}},
}

// assayLine finds command lines, in YAML and in the strings of a Jenkinsfile.
var assayLine = regexp.MustCompile(`(?m)^\s*(?:- (?:run: )?|sh ')?(assay (?:run|merge) .*?)'?$`)

// The command lines of each recipe, in three parts of the demo, give what the run in one
// piece gives; and when a part is made again the verdicts of all are used.
func TestCommandLines(t *testing.T) {
	bin := built(t)
	wholes := map[bool]string{false: whole(t, bin), true: whole(t, bin, "--changed-from", "origin/main")}
	for name, s := range services {
		t.Run(name, func(t *testing.T) {
			var runs, merges []string
			for _, file := range s.files {
				text := recipe(t, file)
				for _, m := range assayLine.FindAllStringSubmatch(text, -1) {
					if strings.HasPrefix(m[1], "assay run ") {
						runs = append(runs, m[1])
					} else {
						merges = append(merges, m[1])
					}
				}
				if got, all := len(runs)+len(merges), strings.Count(text, "assay run ")+strings.Count(text, "assay merge "); len(s.files) == 1 && got != all {
					t.Fatalf("%d of %d command lines are found", got, all)
				}
			}
			if len(runs) != 1 || len(merges) != 1 {
				t.Fatalf("%d lines of parts, %d of merges", len(runs), len(merges))
			}
			place, project := t.TempDir(), demo(t)
			line := strings.ReplaceAll(runs[0], "$CI_PART/4", "$CI_PART/3")
			for part := 1; part <= 3; part++ {
				if said := s.do(t, bin, project, place, line, part); !strings.Contains(said, "judging 12") {
					t.Errorf("part %d does not judge its third of 365 mutants:\n%s", part, said)
				}
			}
			s.do(t, bin, project, place, merges[0], 0)
			got := s.merged(t, project, place)
			if got != wholes[strings.Contains(line, "--changed-from")] {
				t.Error("the merged result is not that of the run in one piece")
			}
			if n := volumes(t, project) + volumes(t, place); n != 1 {
				t.Errorf("the caches of all parts are %d files of verdicts, and not one", n)
			}
			if said := s.do(t, bin, project, place, line, 2); !strings.Contains(said, "judging 0 mutants") {
				t.Errorf("the verdicts are not used again:\n%s", said)
			}
		})
	}
}

// volumes counts the files of verdicts below a directory.
func volumes(t *testing.T, dir string) (n int) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, _ fs.DirEntry, err error) error {
		if strings.HasSuffix(path, ".verdicts.gz") {
			n++
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// do runs a command line as a machine of the service does; each has a home of its own.
func (s service) do(t *testing.T, bin, project, place, line string, part int) string {
	t.Helper()
	if s.place != "" {
		line = strings.ReplaceAll(line, s.place, place)
	}
	kept := filepath.Join(place, "artifacts")
	must(t, project, "git clean -qffdx -e vendor -e .mutants/cache")
	if part == 0 && s.artifacts != "" {
		must(t, project, "mkdir -p .mutants && cp "+kept+"/*.json "+filepath.Dir(s.artifacts))
	}
	cmd := exec.Command(s.shell, "-e", "-c", line)
	cmd.Dir = project
	cmd.Env = append(append(os.Environ(), "PATH="+bin+":"+os.Getenv("PATH"), "XDG_CACHE_HOME="+t.TempDir()), s.env(part, 3, place)...)
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	err := cmd.Run()
	// The demo has gaps, and a bar finds them: that is what status 1 says.
	if status := cmd.ProcessState.ExitCode(); err != nil && (status != 1 || !strings.Contains(line, "--fail-")) {
		t.Fatalf("%s: %v\n%s", line, err, &out)
	}
	if part > 0 && s.artifacts != "" {
		must(t, project, "mkdir -p "+kept+" && cp "+s.artifacts+" "+kept)
	}
	return out.String()
}

func must(t *testing.T, dir, line string) {
	t.Helper()
	cmd := exec.Command("sh", "-c", line)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "GIT_CONFIG_GLOBAL=/dev/null", "GIT_AUTHOR_NAME=Kim", "GIT_AUTHOR_EMAIL=kim@example.org",
		"GIT_COMMITTER_NAME=Kim", "GIT_COMMITTER_EMAIL=kim@example.org", "GIT_AUTHOR_DATE=2026-11-03T03:10:00Z", "GIT_COMMITTER_DATE=2026-11-03T03:10:00Z")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", line, err, out)
	}
}

func (s service) merged(t *testing.T, project, place string) string {
	t.Helper()
	path := filepath.Join(project, s.result)
	if _, err := os.Stat(path); err != nil {
		path = filepath.Join(place, s.result)
	}
	return readFile(t, path)
}

// whole gives the result of the run in one piece.
func whole(t *testing.T, bin string, args ...string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "whole.json")
	cmd := exec.Command(filepath.Join(bin, "assay"), append([]string{"run", "--write", "json=" + path}, args...)...)
	cmd.Dir, cmd.Env = demo(t), append(os.Environ(), "XDG_CACHE_HOME="+t.TempDir())
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return readFile(t, path)
}

// demo gives a copy of the demo in a repository, with all of its code changed since main.
func demo(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "honey")
	if err := os.CopyFS(dir, os.DirFS(filepath.Join(root, "testdata/demo"))); err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{
		"composer dump-autoload --quiet", "printf 'vendor/\\n' > .gitignore",
		"git init -q -b main", "git add .gitignore", "git commit -q -m begun", "git update-ref refs/remotes/origin/main HEAD",
		"git add .", "git commit -q -m honey",
	} {
		must(t, dir, line)
	}
	return dir
}

// built gives a directory with the program: the one that ASSAY_PROGRAM names, or one that is
// built for this test.
func built(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if program := os.Getenv("ASSAY_PROGRAM"); program != "" {
		if err := os.Symlink(program, filepath.Join(dir, "assay")); err != nil {
			t.Fatal(err)
		}
		return dir
	}
	cmd := exec.Command("go", "build", "-buildvcs=false", "-o", filepath.Join(dir, "assay"), "./cmd/assay")
	cmd.Dir = root
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return dir
}
