//go:build linux

// Package recipes holds the recipes of testdata/recipes, and those of the README, against
// what checks such files, and runs their command lines with the program itself.
package recipes

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/rhysd/actionlint"
	sitter "github.com/smacker/go-tree-sitter"
	"github.com/smacker/go-tree-sitter/groovy"
	batchv1 "k8s.io/api/batch/v1"
	corev1 "k8s.io/api/core/v1"
	kjson "sigs.k8s.io/json"
	"sigs.k8s.io/yaml"
)

const root = "../.."

func recipe(t *testing.T, name string) string {
	t.Helper()
	return readFile(t, filepath.Join(root, "testdata/recipes", name))
}

func readFile(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// inReadme gives the blocks of a language in the README of which a pattern fits the text.
func inReadme(t *testing.T, language, pattern string) []string {
	t.Helper()
	var out []string
	for _, b := range regexp.MustCompile("(?s)```"+language+"\n(.*?)```").FindAllStringSubmatch(readFile(t, filepath.Join(root, "README.md")), -1) {
		if regexp.MustCompile(pattern).MatchString(b[1]) {
			out = append(out, b[1])
		}
	}
	if len(out) == 0 {
		t.Fatalf("the README has no %s with %s", language, pattern)
	}
	return out
}

// actionlint knows the syntax of workflows, expressions, and the inputs of popular actions
// by their major versions.
func TestGitHubWorkflows(t *testing.T) {
	workflows := append(inReadme(t, "yaml", `(?m)^\s+runs-on:`), recipe(t, "github.yml"))
	for i, text := range workflows {
		for _, m := range regexp.MustCompile(`(?m)^\s+- uses: (\S+)$`).FindAllStringSubmatch(text, -1) {
			if actionlint.PopularActions[m[1]] == nil {
				t.Errorf("workflow %d: actionlint knows no %s", i, m[1])
			}
		}
		for _, fault := range lint(t, text) {
			t.Errorf("workflow %d: %v", i, fault)
		}
	}
	// What is wrong is seen.
	last := workflows[len(workflows)-1]
	for was, is := range map[string]string{
		"actions/checkout@v4": "actions/checkout@v2", "merge-multiple: true": "merge-all: true", "matrix.part }}": "matrix.piece }}",
		"needs: part": "needs: parts", "runs-on: ubuntu-latest": "run-on: ubuntu-latest", "actions/checkout@v4\n        with: { fetch-depth": "actions/checkout@v4\n        with: { fetch-depths",
	} {
		if wrong := strings.Replace(last, was, is, 1); wrong == last || len(lint(t, wrong)) == 0 {
			t.Errorf("%s in place of %s is not refused", is, was)
		}
	}
}

func lint(t *testing.T, text string) []*actionlint.Error {
	t.Helper()
	l, err := actionlint.NewLinter(new(bytes.Buffer), &actionlint.LinterOptions{})
	if err != nil {
		t.Fatal(err)
	}
	faults, err := l.Lint("workflow.yml", []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	return faults
}

// What must be so in GitLab and no schema says.
func TestGitLabJobs(t *testing.T) {
	var file struct {
		Stages []string
		Part   struct{ Stage string }
		Merge  struct {
			Stage string
			Needs []string
		} `json:"mutants"`
	}
	if err := yaml.Unmarshal([]byte(recipe(t, "gitlab-ci.yml")), &file); err != nil {
		t.Fatal(err)
	}
	if len(file.Stages) != 2 || file.Part.Stage != file.Stages[0] || file.Merge.Stage != file.Stages[1] || len(file.Merge.Needs) != 1 || file.Merge.Needs[0] != "part" {
		t.Errorf("%+v", file)
	}
}

// Unknown and misplaced fields are errors for the types that Kubernetes itself decodes.
func TestKubernetesObjects(t *testing.T) {
	kinds := map[string]func() any{"batch/v1 Job": func() any { return &batchv1.Job{} }, "v1 PersistentVolumeClaim": func() any { return &corev1.PersistentVolumeClaim{} }}
	strict := func(text string) (any, error) {
		var head struct{ APIVersion, Kind string }
		if err := yaml.Unmarshal([]byte(text), &head); err != nil {
			return nil, err
		}
		make, ok := kinds[head.APIVersion+" "+head.Kind]
		if !ok {
			t.Fatalf("no type for %+v", head)
		}
		asJSON, err := yaml.YAMLToJSONStrict([]byte(text))
		if err != nil {
			return nil, err
		}
		object := make()
		unknown, err := kjson.UnmarshalStrict(asJSON, object)
		return object, errors.Join(append(unknown, err)...)
	}
	claims := map[string]bool{}
	for _, name := range []string{"kubernetes.yaml", "kubernetes-merge.yaml"} {
		for _, text := range strings.Split(recipe(t, name), "\n---\n") {
			object, err := strict(text)
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			switch o := object.(type) {
			case *corev1.PersistentVolumeClaim:
				claims[o.Name] = true
			case *batchv1.Job:
				checkJob(t, o, claims)
			}
		}
	}
	job := strings.Split(recipe(t, "kubernetes.yaml"), "\n---\n")[1]
	for was, is := range map[string]string{"completionMode:": "completionModes:", "mountPath: /shared": "mountpath: /shared", "completions: 8": "completions: eight", "  template:": "  templates:"} {
		wrong := strings.Replace(job, was, is, 1)
		if _, err := strict(wrong); wrong == job || err == nil {
			t.Errorf("%s in place of %s is not refused", is, was)
		}
	}
}

// checkJob holds what no type says: volumes that are there, and, of an indexed job, as many
// pods as there are parts (Kubernetes demands completions for one, and a policy of Never for
// backoffLimitPerIndex).
func checkJob(t *testing.T, job *batchv1.Job, claims map[string]bool) {
	t.Helper()
	pod := job.Spec.Template.Spec
	volumes := map[string]bool{}
	for _, v := range pod.Volumes {
		volumes[v.Name] = v.PersistentVolumeClaim != nil && claims[v.PersistentVolumeClaim.ClaimName]
	}
	for _, c := range pod.Containers {
		for _, m := range c.VolumeMounts {
			if !volumes[m.Name] {
				t.Errorf("%s: there is no claim for the volume %s", job.Name, m.Name)
			}
		}
	}
	if pod.RestartPolicy != corev1.RestartPolicyNever {
		t.Errorf("%s: restarts %s", job.Name, pod.RestartPolicy)
	}
	if job.Spec.CompletionMode == nil {
		return
	}
	parts := ""
	for _, e := range pod.Containers[0].Env {
		if e.Name == "CI_PARTS" {
			parts = e.Value
		}
	}
	if *job.Spec.CompletionMode != batchv1.IndexedCompletion || job.Spec.Completions == nil || parts != "8" || *job.Spec.Completions != 8 || *job.Spec.Parallelism > 8 {
		t.Errorf("%s: %s parts, %+v", job.Name, parts, job.Spec)
	}
}

// The grammar of Groovy reads the Jenkinsfile. What Jenkins makes of it only a Jenkins knows.
func TestJenkinsfileIsGroovy(t *testing.T) {
	parser := sitter.NewParser()
	parser.SetLanguage(groovy.GetLanguage())
	parse := func(text string) bool {
		tree, err := parser.ParseCtx(t.Context(), nil, []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		return !tree.RootNode().HasError()
	}
	text := recipe(t, "Jenkinsfile")
	if !parse(text) {
		t.Error("the Jenkinsfile is not Groovy")
	}
	for _, was := range []string{"{ label 'php' }", "values '1',", "matrix {"} {
		if wrong := strings.Replace(text, was, was[:len(was)-2], 1); wrong == text || parse(wrong) {
			t.Errorf("%s without its end is read", was)
		}
	}
	// As many parts are merged as there are.
	for _, n := range []string{"1", "2", "3", "4"} {
		if !strings.Contains(text, "unstash 'part-"+n+"'") || !strings.Contains(text, "'"+n+"'") {
			t.Errorf("part %s is missing", n)
		}
	}
}
