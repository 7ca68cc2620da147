//go:build linux

package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"assay/exec"
	"assay/mutate"
	"assay/mutate/project"
)

// An agreement is what the machines of a pool have in common, by name: tools, settings. All that
// differs is told.
type agreement map[string]string

const phpunitFile = "PHPUnit's file"

// agreementOf asks a machine's tools.
func agreementOf(php, phpunit string) (agreement, error) {
	a := agreement{"assay itself": shortSum(selfSum())}
	out, err := osexec.Command(php, "-r", `echo json_encode(['version' => PHP_VERSION, 'zone' => date_default_timezone_get(), 'settings' => ini_get_all(null, false),
		'extensions' => array_combine($e = get_loaded_extensions(), array_map(fn ($e) => (string) phpversion($e), $e))], JSON_INVALID_UTF8_SUBSTITUTE | JSON_THROW_ON_ERROR);`).Output()
	if err != nil {
		return nil, fmt.Errorf("%s does not tell its settings: %w", php, err)
	}
	var told struct {
		Version, Zone string
		Settings      map[string]*string
		Extensions    map[string]string
	}
	if err := json.Unmarshal(out, &told); err != nil {
		return nil, fmt.Errorf("%s does not tell its settings: %w", php, err)
	}
	a["PHP's version"], a["PHP's time zone"] = told.Version, told.Zone
	for name, value := range told.Settings {
		if a["PHP's setting "+name] = "not set"; value != nil {
			a["PHP's setting "+name] = strconv.Quote(*value)
		}
	}
	for name, version := range told.Extensions {
		a["PHP's extension "+name] = version
	}
	path, err := osexec.LookPath(php)
	if err != nil {
		return nil, err
	}
	a["PHP's binary"] = shortSum(fileSum(path))
	if phpunit != "" {
		a[phpunitFile] = shortSum(fileSum(phpunit))
	}
	return a, nil
}

// mostDifferences bounds what is told of differences.
const mostDifferences = 8

// differences tells how what is here differs from what is there, a phrase each, sorted.
func (a agreement) differences(there agreement) []string {
	var out []string
	for _, name := range slices.Sorted(maps.Keys(both(a, there))) {
		here, is := a[name]
		other, was := there[name]
		switch {
		case !is:
			out = append(out, fmt.Sprintf("%s is %s there, and absent here", name, other))
		case !was:
			out = append(out, fmt.Sprintf("%s is absent there, and %s here", name, here))
		case here != other:
			out = append(out, fmt.Sprintf("%s is %s there, and %s here", name, other, here))
		}
	}
	return out
}

// both gives the names that either has.
func both(a, b map[string]string) map[string]bool {
	out := map[string]bool{}
	for name := range a {
		out[name] = true
	}
	for name := range b {
		out[name] = true
	}
	return out
}

// told gives some differences as text.
func told(differences []string) string {
	more := ""
	if n := len(differences) - mostDifferences; n > 0 {
		differences, more = differences[:mostDifferences], fmt.Sprintf("; and %d more", n)
	}
	return strings.Join(differences, "; ") + more
}

// seenThere is what a recording has seen that verdicts rest on. A worker's has to have seen the
// same.
type seenThere struct {
	PHPUnit   string            `json:"phpunit"`
	Machine   agreement         `json:"machine"`
	Tests     []seenTest        `json:"tests"`
	Shape     string            `json:"shape"` // see exec.Baseline.Shape
	Notes     []string          `json:"notes"` // of tests whose outcome does not count
	Tasks     map[string]string `json:"tasks"` // by ID of the mutant: a sum of what reaches it
	Outside   map[string]string `json:"outside"`
	Variables map[string]string `json:"variables"` // sums of variables of the environment that are named in files that tests use
}

type seenTest struct {
	ID      string `json:"id"`
	Outcome string `json:"outcome"`
	Micros  int64  `json:"micros"`
	Order   int    `json:"order"` // how many points it passes
}

// seenHere describes a recording. What lies in the project is named by its place in it.
func seenHere(code *codebase, facts exec.Facts, b *exec.Baseline, now *situation, tasks []exec.Task, environ []string) seenThere {
	s := seenThere{PHPUnit: facts.PHPUnit, Shape: b.Shape(), Tasks: map[string]string{}, Outside: map[string]string{}, Variables: map[string]string{}}
	s.Machine = agreement{"what processes are not kept from": strconv.Quote(strings.Join(facts.Unconfined, " ")), "whether PHP can fork": fmt.Sprint(facts.Pcntl), "the kind of view": fmt.Sprint(facts.View), "the memory limit that PHP was given": fmt.Sprint(facts.Raised)}
	in := func(text string) string { return strings.ReplaceAll(text, code.Root, "\x00") }
	deps := b.Dependencies()
	names := make([]string, len(b.Tests))
	for i, t := range b.Tests {
		names[i] = in(string(t.ID))
		outcome, _, _ := strings.Cut(deps.Outcomes[i], " ") // without the digest of its data: there may be paths of the project in them
		s.Tests = append(s.Tests, seenTest{names[i], outcome, t.Time.Microseconds(), t.Reached})
	}
	for _, n := range b.Notes {
		if n.Kind == "unreliable" {
			s.Notes = append(s.Notes, in(n.Text))
		}
	}
	for _, t := range tasks {
		text := []string{now.sourceSum(t), fmt.Sprint(t.Pairs, t.Same)}
		for _, i := range t.Reach {
			text = append(text, names[i])
		}
		s.Tasks[t.Mutant.ID] = sumOf(text...)
	}
	paths := deps.Common
	for _, list := range deps.Class {
		paths = slices.Concat(paths, list)
	}
	for _, p := range paths {
		if filepath.IsAbs(p) && !ofKernel(p) {
			if sum := now.path(p); sum != "" {
				s.Outside[p] = sum
			}
		}
	}
	s.Variables = namedVariables(now, append(slices.Clone(paths), configPath(code)), environ)
	return s
}

// ofKernel reports whether a path is none of a file that could be the same on two machines.
func ofKernel(path string) bool {
	return strings.HasPrefix(path, "/proc/") || strings.HasPrefix(path, "/sys/") || strings.HasPrefix(path, "/dev/")
}

// namedVariables sums up the variables of the environment that files name which tests use.
func namedVariables(now *situation, paths, environ []string) map[string]string {
	values := map[string]string{}
	for _, v := range environ {
		if name, value, ok := strings.Cut(v, "="); ok && name != "TMPDIR" && name != "_" { // tests have a TMPDIR of their own
			values[name] = value
		}
	}
	out := map[string]string{}
	seen := map[string]bool{}
	for _, p := range paths {
		if p == "" || seen[p] || strings.HasSuffix(p, "/") || p == "*" || outsiders().MatchString(p) {
			continue
		}
		seen[p] = true
		text, _ := project.ReadFile(now.absolute(p)) // what is not there names nothing
		for _, word := range bytes.FieldsFunc(text, func(r rune) bool {
			return !(r == '_' || r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z')
		}) {
			if value, ok := values[string(word)]; ok {
				out[string(word)] = shortSum(sumOf(string(word), value))
			}
		}
	}
	return out
}

// differences tells how what was seen here differs from what was seen there.
func (s *seenThere) differences(there *seenThere) []string {
	if out := s.Machine.differences(there.Machine); len(out) > 0 {
		return out
	}
	var out []string
	if s.PHPUnit != there.PHPUnit {
		out = append(out, fmt.Sprintf("PHPUnit is %s there, and %s here", there.PHPUnit, s.PHPUnit))
	}
	out = append(out, changedNames("the variable %s of the environment, which the project names, is another one", s.Variables, there.Variables)...)
	out = append(out, changedNames("%s, which the tests use, is another one", s.Outside, there.Outside)...)
	out = append(out, testDifferences(s.Tests, there.Tests)...)
	if !slices.Equal(s.Notes, there.Notes) {
		out = append(out, "other tests pass and fail by chance")
	}
	if s.Shape != there.Shape {
		out = append(out, "tests leave something behind here that they do not leave there, or the other way round")
	}
	if len(out) > 0 {
		return out
	}
	if list := changedNames("%s", s.Tasks, there.Tasks); len(list) > 0 {
		out = append(out, fmt.Sprintf("the tests do something else here than there where %d of %d mutants are, as at %s; do they do the same each time?", len(list), len(there.Tasks), list[0]))
	}
	return out
}

// testDifferences compares the lists of tests.
func testDifferences(here, there []seenTest) []string {
	for i := range min(len(here), len(there)) {
		a, b := here[i], there[i]
		if a.ID != b.ID {
			return []string{fmt.Sprintf("test %d is %s there, and %s here", i+1, b.ID, a.ID)}
		}
		if a.Outcome != b.Outcome {
			return []string{fmt.Sprintf("%s is %s there, and %s here", a.ID, b.Outcome, a.Outcome)}
		}
		if a.Order != b.Order {
			return []string{fmt.Sprintf("%s runs other code here than there", a.ID)}
		}
	}
	if len(here) != len(there) {
		return []string{fmt.Sprintf("there are %d tests there, and %d here", len(there), len(here))}
	}
	return nil
}

// changedNames gives a phrase for each name whose value is another one, or absent, sorted.
func changedNames(format string, here, there map[string]string) []string {
	var out []string
	for _, name := range slices.Sorted(maps.Keys(both(here, there))) {
		if here[name] != there[name] {
			out = append(out, fmt.Sprintf(format, name))
		}
	}
	return out
}

// orderAs gives tests the times that they took elsewhere: what is run first, and so which test is
// named as the one that kills, goes by them.
func orderAs(tests []mutate.Test, there []seenTest) {
	for i := range tests {
		tests[i].Time = time.Duration(there[i].Micros) * time.Microsecond
	}
}
