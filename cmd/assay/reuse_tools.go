//go:build linux

package main

import (
	"bytes"
	"debug/elf"
	"fmt"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"assay/exec"
	"assay/mutate/project"
)

// reuseParts sums up what all verdicts of a run rest on and that belongs to no
// test: this program, PHP, PHPUnit, packages, options.
func (c *runCommand) reuseParts(code *codebase, facts exec.Facts) ([]part, error) {
	ask := c.phpSum
	if ask == nil {
		ask = func() (string, error) { return phpSum(code.PHP) }
	}
	php, err := ask()
	if err != nil {
		return nil, err
	}
	config := ""
	if code.Config != nil {
		config = fileSum(code.Config.Path)
	}
	in := func(names ...string) string {
		var text []string
		for _, name := range names {
			text = append(text, name, fileSum(filepath.Join(code.Root, name)))
		}
		return sumOf(text...)
	}
	packages, err := c.packages(code)
	if err != nil {
		return nil, err
	}
	options := fmt.Sprintf("%q %q %q %+v %d %v %q", c.PHPUnitConfig, c.TestSuite, c.Group, c.confineOptions, int64(c.MemoryLimit), c.Cold, code.TestPath)
	machine := fmt.Sprintf("%v %v %q %d", facts.Pcntl, facts.View, facts.Unconfined, facts.Raised)
	return []part{
		{"assay itself", selfSum()},
		{"PHP", sumOf(facts.PHP, php)},
		{"PHPUnit", sumOf(facts.PHPUnit, code.PHPUnit.Path, fileSum(code.PHPUnit.Path))},
		{"PHPUnit's configuration", config},
		{"composer.lock", in("composer.lock")},
		{"vendor", sumOf(packages, in("node_modules/.package-lock.json"))},
		{"what the options say of the tests", sumOf(options)},
		{"what this machine can do", sumOf(machine)},
	}, nil
}

// packages sums up all that is in vendor, whoever reads it.
func (c *runCommand) packages(code *codebase) (string, error) {
	if c.vendorSum == nil {
		return treeSum(filepath.Join(code.Root, "vendor"), nil)
	}
	return c.vendorSum()
}

// selfSum is over this program, and so over its operators and its harness. Where the linker has
// not said what it was made of, that takes some tenths of a second.
var selfSum = sync.OnceValue(func() string {
	self, err := os.Executable()
	if err != nil {
		return time.Now().String() // not known: never the same
	}
	if id := buildID(self); id != "" {
		return sumOf(id)
	}
	return fileSum(self)
})

// buildID is what Go's linker has noted of a program, "" for nothing: the digests of all that went
// into it, and of what came of that, as `go tool buildid` shows them. The note has the name "Go" and
// the type 4 (Go's cmd/internal/buildid).
func buildID(program string) string {
	f, err := elf.Open(program)
	if err != nil {
		return ""
	}
	defer f.Close()
	section := f.Section(".note.go.buildid")
	if section == nil {
		return ""
	}
	note, err := section.Data()
	if err != nil || len(note) < 16 || f.ByteOrder.Uint32(note[8:]) != 4 || string(note[12:16]) != "Go\x00\x00" {
		return ""
	}
	id, length := note[16:], int(f.ByteOrder.Uint32(note[4:]))
	if length > len(id) || bytes.Count(id[:length], []byte("/")) != 3 {
		return ""
	}
	return string(id[:length])
}

// phpSum is over the binary, its settings and its extensions.
func phpSum(php string) (string, error) {
	out, err := osexec.Command(php, "-r", `echo hash('sha256', serialize([PHP_VERSION, ini_get_all(null, false),
		array_map(fn ($e) => [$e, phpversion($e)], get_loaded_extensions()), date_default_timezone_get(),
		array_map(fn ($f) => [$f, @hash_file('sha256', trim($f))], array_filter(explode(',', php_ini_loaded_file() . ',' . php_ini_scanned_files())))]));`).Output()
	if err != nil {
		return "", fmt.Errorf("%s does not tell its settings: %w", php, err)
	}
	path, err := osexec.LookPath(php)
	if err != nil {
		return "", err
	}
	return sumOf(string(out), fileSum(path)), nil
}

// ofSession are variables that a terminal, a login or a service for builds sets
// anew each time: those of Jenkins and its plugins, and of indexed jobs of Kubernetes, from
// memory.
var ofSession = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^(_|PWD|OLDPWD|SHLVL|TERM.*|COLORTERM|COLUMNS|LINES|HOSTNAME|WINDOWID|DISPLAY|WAYLAND_DISPLAY|VTE_VERSION|TMUX.*|STY|` +
		`LS_COLORS|NO_COLOR|FORCE_COLOR|CLICOLOR.*|EDITOR|VISUAL|PAGER|MAIL|SSH_.*|GPG_.*|DBUS_.*|INVOCATION_ID|JOURNAL_STREAM|MANAGERPID|SYSTEMD_EXEC_PID|MEMORY_PRESSURE_.*|` +
		`XDG_(SESSION|RUNTIME|SEAT|VTNR|CACHE).*|GITHUB_.*|RUNNER_.*|ACTIONS_.*|CI_.*|GITLAB_.*|FF_.*|BUILD_.*|JENKINS_.*|` +
		`JOB_COMPLETION_INDEX|HUDSON_.*|JOB_(BASE_)?NAME|JOB_(DISPLAY_)?URL|RUN_\w*DISPLAY_URL|NODE_NAME|NODE_LABELS|EXECUTOR_NUMBER|STAGE_NAME|` +
		`WORKSPACE(_TMP)?|GIT_(COMMIT|BRANCH|LOCAL_BRANCH|PREVIOUS_\w+)|CHANGE_.*|BRANCH_NAME|BRANCH_IS_PRIMARY)$`)
})

// environment sums up the variables that tests get. Those of a session count
// only where PHPUnit's configuration or a file that tests use names them.
func (s *situation) environment(code *codebase, environ []string) string {
	var text, doubtful []string
	for _, v := range environ {
		name, _, _ := strings.Cut(v, "=")
		switch {
		case name == "TMPDIR": // tests have one of their own
		case ofSession().MatchString(name):
			doubtful = append(doubtful, v)
		default:
			text = append(text, v)
		}
	}
	files := slices.Clone(s.deps.Common)
	for _, paths := range s.deps.Class {
		files = append(files, paths...)
	}
	if code.Config != nil {
		files = append(files, code.Config.Path)
	}
	seen := map[string]bool{}
	for _, p := range files {
		if len(doubtful) == 0 {
			break
		}
		if seen[p] || strings.HasSuffix(p, "/") || outsiders().MatchString(p) {
			continue
		}
		seen[p] = true
		b, _ := project.ReadFile(s.absolute(p)) // what is not there names nothing
		doubtful = slices.DeleteFunc(doubtful, func(v string) bool {
			name, _, _ := strings.Cut(v, "=")
			named := name != "_" && bytes.Contains(b, []byte(name)) && regexp.MustCompile(`\b`+regexp.QuoteMeta(name)+`\b`).Match(b)
			if named {
				text = append(text, v)
			}
			return named
		})
	}
	slices.Sort(text)
	return sumOf(text...)
}

// outsiders are files of PHPUnit itself, which asks about terminals, and of
// Composer.
var outsiders = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^/usr/|(^|/)vendor/(phpunit|sebastian|composer|myclabs|phar-io|theseer|nikic)/`)
})
