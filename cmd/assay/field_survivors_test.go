//go:build field

package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"assay/operators"
	"assay/report"
)

// What survivors of real projects come with: how many there are to read, and of each operator
// how often a survivor shows a gap of the tests. .ci/field survivors runs it.

// A survivorTally counts mutants of one operator, or of one project.
type survivorTally struct {
	projects                                                map[string]bool
	mutants, killed, survived, proved, unasserted, absorbed int
	entries                                                 int // survivors that do not belong to the entry of another
}

func (c *survivorTally) add(project string, e *report.Entry) {
	if c.projects == nil {
		c.projects = map[string]bool{}
	}
	c.projects[project] = true
	c.mutants++
	switch {
	case e.Status == "killed" || e.Status == "timed_out":
		c.killed++
	case e.Status != "survived":
		return
	default:
		c.survived++
	}
	if e.Status == "survived" && e.SameGapAs == "" {
		c.entries++
	}
	switch {
	case e.Proof != nil:
		c.proved++
	case e.Observed == "unasserted":
		c.unasserted++
	case e.Observed == "absorbed":
		c.absorbed++
	}
}

// shown is the share of the survivors, in percent, of which it was seen that they show a gap: a
// test was found that kills them, or a call of the tests has another outcome.
func (c *survivorTally) shown() float64 {
	return 100 * float64(c.proved+c.unasserted) / float64(max(c.survived, 1))
}

// The bar for the breadth core: a third of the survivors, where enough were seen.
const (
	coreShare     = 100.0 / 3
	coreSurvivors = 10
)

// verdict says where an operator belongs by what was counted.
func (c *survivorTally) verdict(wide bool) string {
	belongs, here := "wide", map[bool]string{true: "wide", false: "core"}[wide]
	if c.shown() >= coreShare {
		belongs = "core"
	}
	switch {
	case c.survived < coreSurvivors:
		return here + ", too few survivors to say"
	case belongs == here:
		return here
	}
	return here + ", belongs in " + belongs
}

func TestFieldSurvivors(t *testing.T) {
	o := fieldEnvironment(t)
	dir := os.Getenv("FIELD_RESULTS")
	if dir == "" {
		var err error
		if err = os.MkdirAll(filepath.Join(o.dir, "results"), 0o755); err == nil {
			dir, err = os.MkdirTemp(filepath.Join(o.dir, "results"), "survivors-")
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	fmt.Printf("FIELD_SEED=%d FIELD_RESULTS=%s\n\n", o.seed, dir)
	fmt.Printf("%-22s %8s %8s %8s %8s %10s %8s %8s %6s\n", "project", "mutants", "killed", "survived", "proved", "unasserted", "absorbed", "entries", "share")
	byOperator := map[string]*survivorTally{}
	recipes := readRecipes(t)
	for name := range strings.SplitSeq(os.Getenv("FIELD_NAMES"), ",") {
		i := slices.IndexFunc(recipes, func(r fieldRecipe) bool { return r["Name"] == name })
		if i < 0 {
			t.Errorf("there is no project %q", name)
			continue
		}
		d, err := fieldSurvivors(t, o, recipes[i], filepath.Join(dir, name+".json"))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		var all survivorTally
		for i := range d.Mutants {
			e := &d.Mutants[i]
			if byOperator[e.Operator] == nil {
				byOperator[e.Operator] = &survivorTally{}
			}
			byOperator[e.Operator].add(name, e)
			all.add(name, e)
		}
		fmt.Printf("%-22s %8d %8d %8d %8d %10d %8d %8d %6.2f\n", name, all.mutants, all.killed, all.survived, all.proved, all.unasserted, all.absorbed,
			all.entries, float64(all.entries)/float64(max(all.survived, 1)))
	}
	printOperators(byOperator)
}

// printOperators prints what was counted of each operator, and where it belongs.
func printOperators(by map[string]*survivorTally) {
	wide := map[string]bool{}
	for _, op := range operators.All() {
		wide[op.ID] = op.Wide
	}
	fmt.Printf("\n%-34s %8s %8s %8s %8s %8s %10s %7s  %s\n", "operator", "projects", "mutants", "killed", "survived", "proved", "unasserted", "share", "where it is")
	for _, id := range slices.SortedFunc(maps.Keys(by), func(a, b string) int {
		return cmp.Or(cmp.Compare(by[b].shown(), by[a].shown()), strings.Compare(a, b))
	}) {
		c := by[id]
		fmt.Printf("%-34s %8d %8d %8d %8d %8d %10d %5.0f %%  %s\n", id, len(c.projects), c.mutants, c.killed, c.survived, c.proved, c.unasserted, c.shown(), c.verdict(wide[id]))
	}
}

// fieldSurvivors gives the result of a project, with the entries as they are made now: one that is
// kept in the file, or else that of a run.
func fieldSurvivors(t *testing.T, o fieldOptions, r fieldRecipe, file string) (*report.Document, error) {
	root := filepath.Join(o.dir, "projects", r["Name"])
	if _, err := os.Stat(file); errors.Is(err, fs.ErrNotExist) {
		t.Setenv("PATH", filepath.Join(o.dir, "tools", cmp.Or(r["PHPUnit"], "9"))+":"+os.Getenv("PATH"))
		f := &fieldRun{options: o, line: &fieldLine{}, detail: t.Logf,
			project: oracleProject{name: r["Name"], dir: root, config: r["Config"], args: strings.Fields(r["Options"])}}
		args := []string{"--breadth", cmp.Or(os.Getenv("FIELD_BREADTH"), "core"), "--fresh", "--sample", fmt.Sprint(o.sample), "--seed", fmt.Sprint(o.seed),
			"--budget", o.cap.String(), "--prove", "--prove-for", cmp.Or(os.Getenv("FIELD_PROVE"), "60s"), "--write", "json=" + file}
		if only := os.Getenv("FIELD_OPERATORS"); only != "" {
			args = append(args, "--only", only)
		}
		ctx, cancel := context.WithTimeout(context.Background(), 2*f.most())
		defer cancel()
		if out, err := f.command(ctx, t.TempDir(), "run", args...).CombinedOutput(); err != nil {
			return nil, fmt.Errorf("assay run: %w: %s", err, tailOf(string(out), 1))
		}
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	d, err := report.ReadJSON(bytes.NewReader(text))
	if err != nil {
		return nil, err
	}
	result, err := d.Result(func(path string) ([]byte, error) {
		return os.ReadFile(filepath.Join(root, filepath.FromSlash(path)))
	}, operators.All())
	if err != nil {
		return nil, err
	}
	return report.Describe(result, report.Options{}), nil
}
