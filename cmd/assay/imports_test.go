//go:build linux

package main

import (
	"os"
	osexec "os/exec"
	"strings"
	"testing"
)

// allowed is the import tree: which packages of this module each may import.
// Dependencies point one way, and only syntax knows the parser underneath.
var allowed = map[string][]string{
	"assay/mutate/syntax":            {},
	"assay/mutate/syntax/syntaxtest": {"assay/mutate/syntax"},
	"assay/mutate":                   {"assay/mutate/syntax"},
	"assay/mutate/mutatetest":        {"assay/mutate", "assay/mutate/syntax"},
	"assay/mutate/project":           {"assay/mutate", "assay/mutate/syntax"},
	"assay/mutate/testcode":          {"assay/mutate", "assay/mutate/syntax"},
	"assay/operators":                {"assay/mutate", "assay/mutate/syntax"},
	"assay/exec/sandbox":             {},
	"assay/exec/sandbox/sandboxtest": {},
	"assay/exec/wire":                {},
	"assay/exec/recording":           {"assay/exec/wire"},
	"assay/exec/judging":             {"assay/exec/recording", "assay/exec/wire", "assay/mutate"},
	"assay/exec/proving":             {"assay/mutate"},
	"assay/exec/pool":                {},
	"assay/exec/supervisor":          {"assay/exec/recording", "assay/exec/sandbox", "assay/exec/wire", "assay/mutate"},
	"assay/exec": {"assay/exec/judging", "assay/exec/proving", "assay/exec/recording", "assay/exec/sandbox", "assay/exec/supervisor",
		"assay/exec/wire", "assay/mutate", "assay/mutate/syntax"},
	"assay/report": {"assay/mutate", "assay/mutate/syntax"},
	"assay/cmd/assay": {"assay/mutate", "assay/mutate/syntax", "assay/mutate/project", "assay/mutate/testcode",
		"assay/operators", "assay/exec", "assay/exec/pool", "assay/exec/sandbox", "assay/report"},
}

// pure are packages that start no process and touch no file: they decide and describe.
var pure = map[string]bool{"assay/mutate/syntax": true, "assay/mutate": true, "assay/mutate/testcode": true, "assay/operators": true,
	"assay/exec/wire": true, "assay/exec/recording": true, "assay/exec/judging": true, "assay/exec/proving": true}

func TestImportsAreATree(t *testing.T) {
	cmd := osexec.Command("go", "list", "-f", `{{.ImportPath}} {{join .Imports " "}}`, "assay/...")
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for line := range strings.Lines(string(out)) {
		words := strings.Fields(line)
		if len(words) == 0 {
			continue
		}
		may, known := allowed[words[0]]
		if !known {
			t.Errorf("%s: a package that the tree does not have; say in imports_test.go where it stands", words[0])
		}
		seen++
		for _, imported := range words[1:] {
			checkImport(t, words[0], imported, may)
		}
	}
	if seen != len(allowed) {
		t.Errorf("go list gives %d packages, the tree has %d", seen, len(allowed))
	}
}

func checkImport(t *testing.T, from, to string, may []string) {
	t.Helper()
	if strings.Contains(to, "tree-sitter") && from != "assay/mutate/syntax" {
		t.Errorf("%s imports %s; only mutate/syntax may know the parser", from, to)
	}
	if to == "github.com/olekukonko/tablewriter" && from != "assay/report" {
		t.Errorf("%s imports %s; only report may", from, to)
	}
	if strings.Contains(to, "nats") && from != "assay/exec/pool" {
		t.Errorf("%s imports %s; only exec/pool may know how workers are reached", from, to)
	}
	if pure[from] && (to == "os" || to == "os/exec" || to == "syscall" || to == "net") {
		t.Errorf("%s imports %s; it may run nothing and touch no file", from, to)
	}
	if !strings.HasPrefix(to, "assay/") {
		return
	}
	for _, m := range may {
		if to == m {
			return
		}
	}
	t.Errorf("%s imports %s, which is no branch below it", from, to)
}

// The top level is fixed.
func TestTopLevel(t *testing.T) {
	entries, err := os.ReadDir("../..")
	if err != nil {
		t.Fatal(err)
	}
	known := " cmd mutate operators exec report testdata go.mod go.sum README.md DEVELOPERS.md "
	for _, e := range entries {
		if name := e.Name(); !strings.HasPrefix(name, ".") && !strings.Contains(known, " "+name+" ") {
			t.Errorf("%s does not belong at the top level", name)
		}
	}
}

// On other systems the program is one file that says so: a file that forgets its
// build constraint would not compile there.
func TestOtherSystems(t *testing.T) {
	for _, system := range []string{"darwin", "windows", "freebsd"} {
		cmd := osexec.Command("go", "list", "-f", `{{join .GoFiles " "}} {{join .TestGoFiles " "}} {{join .XTestGoFiles " "}}`, ".")
		cmd.Env = append(os.Environ(), "GOOS="+system, "CGO_ENABLED=0")
		cmd.Stderr = os.Stderr
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.TrimSpace(string(out)); got != "main_other.go" {
			t.Errorf("on %s there are %s", system, got)
		}
	}
}
