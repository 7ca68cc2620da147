//go:build linux

package sandbox

import (
	"path/filepath"
	"strings"
	"testing"
)

func TestCheckAllowedPath(t *testing.T) {
	root := t.TempDir()
	sampleProject(t, filepath.Join(root, "p"))
	for path, want := range map[string]string{
		root + "/p/src": "lies in the project", root + "/p": "lies in the project", root: "contains the project",
		"/": "contains the project", root + "/none": "there is no such", "/usr/../etc": "",
	} {
		got, err := CheckAllowedPath(root+"/p", path)
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %q, %v; want %q", path, got, err, want)
		}
		if err == nil && got != "/etc" {
			t.Errorf("%s: %s", path, got)
		}
	}
}
