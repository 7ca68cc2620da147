//go:build field

package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// The field: assay on real projects. .ci/field makes them ready and runs this; it
// says what can be set. What is measured is what a user has: the times of whole
// processes, and what stands in the result file.

// fieldLine is what is found out about one project; field_print_test.go prints it.
type fieldLine struct {
	Project   string
	Tests     int
	Mutants   int     // of the whole project
	ColdMS    float64 // the whole suite in a process, the quicker of two
	Refused   string  // why there is no result
	StartMS   float64 // from the start of assay run until the first verdict for which tests ran
	RunMS     float64 // all of assay run
	Judged    map[string]int
	Sample    int
	LeftOut   int     // of the sample, since the time was up
	Killed    middle  // milliseconds over the test that kills
	Survived  middle  // milliseconds
	Own       middle  // of the tests that reach the survivors
	Over      middle  // milliseconds of survivors over 1.5 times that
	OwnMS     float64 // the time of all tests that had to run
	Engine    fieldEngine
	Remarks   []string
	Held      int
	Wrong     []string // IDs
	Unsteady  []string // IDs: cold runs do not agree with each other
	HeldError string
}

// fieldEngine is what the result says of the ways in which tests were run.
type fieldEngine struct {
	Neutral  float64 // percent of the tests
	States   int
	Volatile int
	Unknown  int
	Changed  []struct {
		What  string
		Tests int
	}
	NotBatched []struct {
		Why   string
		Pairs int
	} `json:"not_batched"`
	Ways []struct {
		Name             string
		Processes, Steps int
		TimeMS           float64 `json:"time_ms"`
		PageFaults       int64   `json:"page_faults"`
	}
}

// batched is the share of steps that were made in batches, in percent.
func (e *fieldEngine) batched() float64 {
	all, batched := 0, 0
	for _, w := range e.Ways {
		all += w.Steps
		if w.Name == "batch" {
			batched += w.Steps
		}
	}
	if all == 0 {
		return 0
	}
	return 100 * float64(batched) / float64(all)
}

// words says which ways were taken, and why tests were not batched.
func (e *fieldEngine) words() (ways, reasons []string) {
	for _, w := range e.Ways {
		ways = append(ways, fmt.Sprintf("%s: %d processes, %d steps, %.0f ms, %d page faults", w.Name, w.Processes, w.Steps, w.TimeMS, w.PageFaults))
	}
	for _, c := range e.Changed {
		reasons = append(reasons, fmt.Sprintf("%s: changed by %d tests", c.What, c.Tests))
	}
	for _, r := range e.NotBatched {
		reasons = append(reasons, fmt.Sprintf("%s: %d pairs", r.Why, r.Pairs))
	}
	return ways, reasons
}

// middle is the median of some measurements, and how far they go.
type middle struct {
	N                   int
	Median, Ninth, Most float64 // Ninth: nine of ten are not above
}

func middleOf(all []float64) middle {
	if len(all) == 0 {
		return middle{}
	}
	slices.Sort(all)
	return middle{len(all), all[len(all)/2], all[len(all)*9/10], all[len(all)-1]}
}

// fieldOptions are what .ci/field says can be set.
type fieldOptions struct {
	dir              string
	sample, verdicts int
	edits            int
	seed             uint64
	cap              time.Duration
}

func fieldEnvironment(t *testing.T) fieldOptions {
	t.Helper()
	number := func(variable string, otherwise int) int {
		text := cmp.Or(os.Getenv(variable), strconv.Itoa(otherwise))
		n, err := strconv.Atoi(text)
		if err != nil || n < 0 {
			t.Fatalf("%s: %q is no number", variable, text)
		}
		return n
	}
	limit, err := time.ParseDuration(cmp.Or(os.Getenv("FIELD_CAP"), "3m"))
	if err != nil {
		t.Fatalf("FIELD_CAP: %v", err)
	}
	o := fieldOptions{dir: os.Getenv("FIELD_DIR"), sample: number("FIELD_SAMPLE", 60), verdicts: number("FIELD_VERDICTS", 10),
		edits: number("FIELD_EDITS", 20),
		seed:  seedOf(t, "FIELD_SEED"), cap: limit}
	if o.dir == "" {
		t.Fatal("FIELD_DIR is not set; .ci/field runs this test")
	}
	return o
}

func TestField(t *testing.T) {
	needCells(t)
	o := fieldEnvironment(t)
	p, err := newFieldPrinter(o)
	if err != nil {
		t.Fatal(err)
	}
	defer p.close()
	recipes := readRecipes(t)
	for name := range strings.SplitSeq(os.Getenv("FIELD_NAMES"), ",") {
		if i := slices.IndexFunc(recipes, func(r fieldRecipe) bool { return r["Name"] == name }); i >= 0 {
			t.Run(name, func(t *testing.T) { p.line(measureProject(t, o, recipes[i], p.detail)) })
		}
	}
	p.sum(t)
}

// measureProject goes through everything for one project.
func measureProject(t *testing.T, o fieldOptions, r fieldRecipe, detail func(string, ...any)) *fieldLine {
	major := cmp.Or(r["PHPUnit"], "9")
	t.Setenv("PATH", filepath.Join(o.dir, "tools", major)+":"+os.Getenv("PATH"))
	l := &fieldLine{Project: r["Name"], Sample: o.sample, Judged: map[string]int{}}
	project := oracleProject{name: r["Name"], dir: filepath.Join(o.dir, "projects", r["Name"]), config: r["Config"],
		args: strings.Fields(r["Options"])}
	root := project.dir
	before := fingerprint(t, root)
	held := newOracle(t, project, root)
	held.report = func(format string, args ...any) { detail(r["Name"]+": "+format, args...) }
	if err := held.calibrate(); err != nil {
		detail("%s: %v", r["Name"], err)
		l.Refused = "the suite is not green cold"
		return l
	}
	l.ColdMS = float64(held.count.cold) / float64(time.Millisecond)
	f := &fieldRun{options: o, project: project, detail: detail, line: l}
	if !f.check(t) {
		return l
	}
	result, ok := f.run(t)
	if after := fingerprint(t, root); after != before {
		t.Errorf("assay changed the project's tree:\n%s", firstDifference(before, after))
	}
	if !ok {
		return l
	}
	l.measure(result)
	if l.StartMS == 0 && l.Judged["killed"]+l.Judged["survived"] > 0 {
		t.Errorf("%s: no first verdict was seen; the journal has another form than firstVerdict reads", r["Name"])
	}
	if o.verdicts > 0 {
		held.hold(result.resultFile, drawn(result.Mutants, o.verdicts, o.seed))
		l.Held, l.Wrong, l.Unsteady = held.count.checked, held.count.ids, held.count.unsteady
	}
	return l
}

// fieldRun runs assay on one project.
type fieldRun struct {
	options fieldOptions
	project oracleProject
	detail  func(string, ...any)
	line    *fieldLine
}

// command is assay with what the project needs.
func (f *fieldRun) command(ctx context.Context, cache, name string, args ...string) *osexec.Cmd {
	args = append([]string{name}, args...)
	if f.project.config != "" {
		args = append(args, "--phpunit-config", f.project.config)
	}
	cmd := osexec.CommandContext(ctx, "assay", append(args, f.project.args...)...)
	cmd.Dir = f.project.dir
	cmd.Env = append(os.Environ(), "XDG_CACHE_HOME="+cache)
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.WaitDelay = 30 * time.Second
	return cmd
}

// most is when a command is given up: it has to be slow beyond use.
func (f *fieldRun) most() time.Duration {
	return f.options.cap + 5*time.Minute + 60*time.Duration(f.line.ColdMS)*time.Millisecond
}

var (
	fieldMutants = regexp.MustCompile(`source files? and (\d+) mutants?`)
	fieldFixes   = regexp.MustCompile(`(?m)^fix   (.*(?:\n {8}.*){0,3})`)
)

// check runs assay check and reports whether the project is fit for a run.
func (f *fieldRun) check(t *testing.T) bool {
	ctx, cancel := context.WithTimeout(context.Background(), f.most())
	defer cancel()
	out, err := f.command(ctx, t.TempDir(), "check").CombinedOutput()
	f.detail("%s: assay check: %v\n%s", f.project.name, err, out)
	if m := fieldMutants.FindSubmatch(out); m != nil {
		f.line.Mutants, _ = strconv.Atoi(string(m[1]))
	}
	if err == nil {
		return true
	}
	f.line.Refused = "check: " + err.Error()
	if m := fieldFixes.FindSubmatch(out); m != nil {
		f.line.Refused = "check: " + string(m[1])
	} else if ctx.Err() != nil {
		f.line.Refused = fmt.Sprintf("check: not over after %v", f.most())
	}
	return false
}

// fieldResult is what the field reads of a result beside what the oracle does.
type fieldResult struct {
	resultFile
	Engine fieldEngine
	times  struct {
		Tests []struct {
			TimeMS *float64 `json:"time_ms"`
		}
		Mutants []struct {
			TimeMS *float64 `json:"time_ms"`
		}
	}
}

// run runs assay run.
func (f *fieldRun) run(t *testing.T) (*fieldResult, bool) {
	cache, file := t.TempDir(), filepath.Join(t.TempDir(), "result.json")
	ctx, cancel := context.WithTimeout(context.Background(), f.most())
	defer cancel()
	cmd := f.command(ctx, cache, "run", "--sample", strconv.Itoa(f.options.sample), "--seed", strconv.FormatUint(f.options.seed, 10),
		"--timings", "--write", "json="+file, "--budget", f.options.cap.String())
	began := time.Now()
	first := make(chan time.Duration, 1)
	watching, seen := context.WithCancel(ctx)
	go func() { first <- firstVerdict(watching, cache, began) }()
	out, err := cmd.CombinedOutput()
	f.line.RunMS = ms(time.Since(began))
	seen()
	f.line.StartMS = ms(<-first)
	f.detail("%s: assay run: %v\n%s", f.project.name, err, out)
	for line := range strings.SplitSeq(string(out), "\n") {
		if text, ok := strings.CutPrefix(line, "assay: "); ok && !fieldProgress.MatchString(text) {
			f.line.Remarks = append(f.line.Remarks, text)
		}
	}
	if err != nil {
		f.line.Refused = "run: " + err.Error() + ": " + tailOf(string(out), 1)
		if ctx.Err() != nil {
			f.line.Refused = fmt.Sprintf("run: not over after %v", f.most())
		}
		return nil, false
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var r fieldResult
	if err := errors.Join(json.Unmarshal(text, &r), json.Unmarshal(text, &r.times)); err != nil {
		t.Fatal(err)
	}
	return &r, true
}

// fieldProgress is how assay begins a line that only says how far it is; it has
// something to say about this run in any other.
var fieldProgress = regexp.MustCompile(`^(running the tests unchanged|judging \d+ mutant|\d+ of \d+)`)

// firstVerdict waits for the first verdict in the journal for which tests were
// run, and gives the time that had passed since the start; 0 if there is none.
func firstVerdict(ctx context.Context, cache string, began time.Time) time.Duration {
	for {
		files, _ := filepath.Glob(filepath.Join(cache, "assay", "*.journal"))
		for _, file := range files {
			text, err := os.ReadFile(file)
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				return 0
			}
			if strings.Contains(string(text), `"ran":`) {
				return time.Since(began)
			}
		}
		select {
		case <-ctx.Done():
			return 0
		case <-time.After(5 * time.Millisecond):
		}
	}
}

func ms(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

// measure takes from a result what the line has.
func (l *fieldLine) measure(r *fieldResult) {
	l.Engine = r.Engine
	l.Tests, l.LeftOut = len(r.Tests), min(l.Sample, l.Mutants)-len(r.Mutants)
	took := map[string]float64{}
	for i, test := range r.Tests {
		if t := r.times.Tests[i].TimeMS; t != nil {
			took[test.Name] = *t
		}
	}
	var killed, survived, own, over []float64
	for i, m := range r.Mutants {
		l.Judged[m.Status]++
		if r.times.Mutants[i].TimeMS == nil {
			continue
		}
		time := *r.times.Mutants[i].TimeMS
		switch {
		case m.Status == "killed" && m.Killer != nil:
			killed = append(killed, time-took[*m.Killer])
			l.OwnMS += took[*m.Killer]
		case m.Status == "survived":
			sum := 0.0
			for _, test := range r.reaching(m) {
				sum += took[test]
			}
			survived, own, over = append(survived, time), append(own, sum), append(over, time-1.5*sum)
			l.OwnMS += sum
		}
	}
	l.Killed, l.Survived, l.Own, l.Over = middleOf(killed), middleOf(survived), middleOf(own), middleOf(over)
}

// quicker says how many times longer cold runs of the whole suite would take for
// all mutants of the project, by two at a time, than assay: what it took for the
// sample is extrapolated.
func (l *fieldLine) quicker() float64 {
	all := 0
	for _, n := range l.Judged {
		all += n
	}
	if all == 0 || l.StartMS == 0 {
		return 0
	}
	whole := l.StartMS + (l.RunMS-l.StartMS)*float64(l.Mutants)/float64(all)
	return float64(l.Mutants) * l.ColdMS / 2 / whole
}

// drawn draws verdicts by status in turn, so that each has its part.
func drawn(all []resultMutant, n int, seed uint64) []resultMutant {
	order := rand.New(rand.NewPCG(seed, 1))
	by := map[string][]resultMutant{}
	for _, i := range order.Perm(len(all)) {
		by[all[i].Status] = append(by[all[i].Status], all[i])
	}
	var chosen []resultMutant
	// Cold runs of endless loops take as long as they may, so these have a smaller part.
	turn := []string{"killed", "survived", "killed", "survived", "unreached", "killed", "survived", "killed", "survived", "timed_out"}
	for n = min(n, len(all)); len(chosen) < n; {
		before := len(chosen)
		for _, status := range turn {
			if len(by[status]) > 0 && len(chosen) < n {
				chosen = append(chosen, by[status][0])
				by[status] = by[status][1:]
			}
		}
		if len(chosen) == before {
			break
		}
	}
	return chosen
}
