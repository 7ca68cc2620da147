//go:build linux

package main

import (
	"bufio"
	"os"
	"slices"
	"strings"
	"testing"
)

// The recipes of the field: real projects that .ci/field makes ready.

const fieldRecipes = "../../testdata/field/projects"

// A fieldRecipe is one paragraph of that file, by keys.
type fieldRecipe map[string]string

// readRecipes reads paragraphs of lines "Key: value", parted by empty lines; a
// line that begins with white space goes on with the value before it, and one
// that begins with # is a comment.
func readRecipes(t *testing.T) []fieldRecipe {
	t.Helper()
	f, err := os.Open(fieldRecipes)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var all []fieldRecipe
	var one fieldRecipe
	key := ""
	for lines := bufio.NewScanner(f); lines.Scan(); {
		line := lines.Text()
		switch {
		case strings.HasPrefix(line, "#"):
		case line == "":
			one = nil
		case line[0] == ' ' || line[0] == '\t':
			if one == nil {
				t.Fatalf("%s: no key comes before %q", fieldRecipes, line)
			}
			one[key] += "\n" + strings.TrimSpace(line)
		default:
			var value string
			var ok bool
			if key, value, ok = strings.Cut(line, ":"); !ok {
				t.Fatalf("%s: %q is not \"Key: value\"", fieldRecipes, line)
			}
			if one == nil {
				one = fieldRecipe{}
				all = append(all, one)
			}
			one[key] = strings.TrimSpace(value)
		}
	}
	return all
}

// Every recipe says what it has to, and nothing that nobody reads.
func TestFieldRecipes(t *testing.T) {
	keys := []string{"Name", "Kind", "From", "Directory", "Packages", "Load", "Setup", "Config", "PHPUnit", "Options"}
	all := readRecipes(t)
	if len(all) < 25 {
		t.Errorf("%d recipes are too few for a field", len(all))
	}
	seen := map[string]bool{}
	for _, r := range all {
		name := r["Name"]
		if seen[name] {
			t.Errorf("there are two recipes with the name %q", name)
		}
		seen[name] = true
		for key := range r {
			if !slices.Contains(keys, key) {
				t.Errorf("%s: the key %q is not known; there are %s", name, key, strings.Join(keys, ", "))
			}
		}
		from := strings.Fields(r["From"])
		switch {
		case name == "" || strings.ContainsAny(name, " /,") || r["Kind"] == "":
			t.Errorf("%q: a recipe has a Name without spaces, slashes and commas, and a Kind", name)
		case len(from) == 3 && from[0] == "debian":
		case len(from) >= 2 && len(from) <= 3 && from[0] == "hand" && strings.Count(from[1], "/") == 1:
		default:
			t.Errorf("%s: From: %q is neither \"debian SUITE PACKAGE\" nor \"hand OWNER/REPOSITORY [TAG]\"", name, r["From"])
		}
		if !slices.Contains([]string{"", "11", "13"}, r["PHPUnit"]) {
			t.Errorf("%s: PHPUnit: %q; there are 11 and 13, and the machine's own if nothing is said", name, r["PHPUnit"])
		}
	}
}
