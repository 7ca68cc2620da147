package main

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	osexec "os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"text/tabwriter"
	"time"

	"golang.org/x/sync/errgroup"
)

// The oracle: a verdict means what a person would get by making the edit by
// hand and running the whole suite. So that is done here, for every mutant of
// a result file or for a sample, and PHPUnit's own exit status and summary
// decide.
//
//	killed     the suite is not green: it fails, ends early, or does not end
//	survived   it is green
//	unreached  it is green
//	timed_out  it does not end in max(20 times its usual time, 10 s), or fails
//	stillborn  php -l refuses the file; and it accepts all others
//
// And what pcov says that a test runs is in the reach; see holdAgainstPcov.
//
//	ORACLE_PROJECT=dir[,dir]  hold these projects against it, and no others
//	ORACLE_SAMPLE=n           mutants of each project (0: all)
//	ORACLE_SEED=n             another sample
//	ORACLE_STATUS=s[,s]       only mutants of these statuses
//	ORACLE_CONFIG=file        PHPUnit configuration of these projects
//	ORACLE_ARGS="..."         more options of assay run
//	ORACLE_ONLY=name[,name]   of the demo and the fixtures only these
//	ORACLE_LINE=file          add a line to it: tests, mutants, mutants held against
//	                          the oracle, how many agree, milliseconds a mutant
//
// The PHP and PHPUnit are those on PATH; .ci/run matrix puts others there.

// oracleProject is one line of the table.
type oracleProject struct {
	name   string
	dir    string
	config string // PHPUnit configuration, "" for the project's default
	sample int    // 0: all
	args   []string
	apart  bool // the tests run in processes of their own, where pcov sees nothing
}

// resultFile is what the oracle reads of a result: only what a reader who does
// not know the engine would use.
type resultFile struct {
	ElapsedMS float64 `json:"elapsed_ms"`
	Tests     []resultTest
	Files     []struct {
		Path   string
		SHA256 string
	}
	Mutants []resultMutant
}

// resultTest is a test; the file has them by name.
type resultTest struct {
	Name  string
	Shaky bool
}

type resultMutant struct {
	ID, Operator, File, Function, Before, After, Status string
	AfterBase64                                         string `json:"after_base64"`
	Line, Start, End                                    int
	Killer, How                                         *string
	TestsReaching                                       []int `json:"tests_reaching"`
	TestsRun                                            int   `json:"tests_run"`
}

func (m *resultMutant) edit(source []byte) ([]byte, error) {
	after := []byte(m.After)
	if m.AfterBase64 != "" {
		var err error
		if after, err = base64.StdEncoding.DecodeString(m.AfterBase64); err != nil {
			return nil, err
		}
	}
	if m.Start < 0 || m.End < m.Start || m.End > len(source) {
		return nil, fmt.Errorf("%s: no bytes %d to %d in a file of %d", m.ID, m.Start, m.End, len(source))
	}
	return slices.Concat(source[:m.Start], after, source[m.End:]), nil
}

// oracleCount is one line's figures.
type oracleCount struct {
	project                                          string
	tests, mutants, checked                          int
	elapsed                                          float64 // milliseconds that assay run took
	falseSurvivors, falseKills, falseEnds, badSyntax int
	lost                                             int // survivors that only tests set apart would have noticed
	cold                                             time.Duration
}

func TestOracle(t *testing.T) {
	needCells(t)
	var counts []oracleCount
	pairs, lines9 := 0, phpunitMajor(t) == 9 // the lines come from a hook that later versions have not
	for _, p := range oracleProjects(t) {
		t.Run(p.name, func(t *testing.T) {
			root := prepared(t, p.dir)
			before := fingerprint(t, root)
			result, _ := runAssay(t, root, p.config, append([]string{"--timings"}, p.args...)...)
			if after := fingerprint(t, root); after != before {
				t.Errorf("assay run changed the project's tree:\n%s", firstDifference(before, after))
			}
			t.Run("verdicts", func(t *testing.T) { counts = append(counts, holdAgainstOracle(t, p, root, result)) })
			if p.config == "" && !p.apart && lines9 {
				t.Run("reach", func(t *testing.T) { pairs += holdAgainstPcov(t, root, result) })
			}
		})
	}
	t.Logf("\n%s\n%d pairs of a line and a test as pcov sees them are in the reach", oracleTable(counts), pairs)
	if file := os.Getenv("ORACLE_LINE"); file != "" {
		addOracleLine(t, file, counts)
	}
}

// addOracleLine sums the figures up in one line of a file. The time is that of
// the demo, if it is among them: a fixture's few mutants say nothing of it.
func addOracleLine(t *testing.T, file string, counts []oracleCount) {
	t.Helper()
	var sum, demo oracleCount
	for _, c := range counts {
		sum.tests += c.tests
		sum.mutants += c.mutants
		sum.checked += c.checked
		sum.falseKills += c.wrong()
		if c.project == "demo" {
			demo = c
		}
	}
	perMutant := "-"
	if demo.mutants > 0 {
		perMutant = fmt.Sprintf("%.1f", demo.elapsed/float64(demo.mutants))
	}
	f, err := os.OpenFile(file, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	fmt.Fprintf(f, "%d\t%d\t%d\t%d\t%s\n", sum.tests, sum.mutants, sum.checked, sum.checked-sum.falseKills, perMutant)
}

// wrong is how many verdicts disagree with the oracle.
func (c *oracleCount) wrong() int { return c.falseSurvivors + c.falseKills + c.falseEnds + c.badSyntax }

// phpunitMajor is the major version of the PHPUnit on PATH.
func phpunitMajor(t *testing.T) int {
	t.Helper()
	command := phpunitCommand(t, t.TempDir(), "")
	out, err := osexec.Command(command[0], append(command[1:], "--version")...).Output()
	version := regexp.MustCompile(`PHPUnit (\d+)\.`).FindSubmatch(out)
	if version == nil {
		t.Fatalf("%v --version: %v: %s", command, err, out)
	}
	major, _ := strconv.Atoi(string(version[1]))
	return major
}

// needCells is for tests that run cold in cells.
func needCells(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("cold runs take minutes")
	}
	needTools(t, "php", "phpunit", "unshare", "mount")
}

// needTools skips a test where something is not installed; under CI that is a
// failure, for no check may be left out in silence.
func needTools(t *testing.T, tools ...string) {
	t.Helper()
	for _, tool := range tools {
		if _, err := osexec.LookPath(tool); err != nil {
			if os.Getenv("CI") != "" {
				t.Fatalf("%s is missing, and CI may not skip", tool)
			}
			t.Skipf("needs %s", tool)
		}
	}
}

// oracleProjects are the demo and every fixture with each of its
// configurations, or what ORACLE_PROJECT names.
func oracleProjects(t *testing.T) []oracleProject {
	t.Helper()
	sample := -1
	if s := os.Getenv("ORACLE_SAMPLE"); s != "" {
		var err error
		if sample, err = strconv.Atoi(s); err != nil {
			t.Fatalf("ORACLE_SAMPLE: %v", err)
		}
	}
	given := func(n int) int {
		if sample >= 0 {
			return sample
		}
		return n
	}
	args := strings.Fields(os.Getenv("ORACLE_ARGS"))
	var all []oracleProject
	if dirs := os.Getenv("ORACLE_PROJECT"); dirs != "" {
		for dir := range strings.SplitSeq(dirs, ",") {
			all = append(all, oracleProject{name: filepath.Base(dir), dir: dir, config: os.Getenv("ORACLE_CONFIG"),
				sample: given(200), args: args})
		}
		return all
	}
	only := strings.Split(os.Getenv("ORACLE_ONLY"), ",")
	wanted := func(name string) bool { return only[0] == "" || slices.Contains(only, name) }
	if wanted("demo") {
		all = append(all, oracleProject{name: "demo", dir: "../../testdata/demo", sample: given(150), args: args})
	}
	dirs, err := filepath.Glob("../../testdata/fixtures/*/claims.json")
	if err != nil || len(dirs) < 20 {
		t.Fatalf("%d fixtures, %v", len(dirs), err)
	}
	for _, file := range dirs {
		dir := filepath.Dir(file)
		unfit, configs := fixtureConfigs(t, file)
		if unfit || !wanted(filepath.Base(dir)) {
			continue
		}
		for _, config := range configs {
			p := oracleProject{name: filepath.Base(dir), dir: dir, config: config, sample: given(12), args: args}
			p.apart = p.name == "process-isolation"
			if p.name == "gallery" {
				p.sample = given(24) // its mutants hang, fork and fill memory
			}
			if config != "" {
				p.name += " " + config
				p.sample = given(5)
			}
			all = append(all, p)
		}
	}
	return all
}

// fixtureConfigs gives the configurations that a fixture's claims name, "" for
// the default one first, and whether it is red or wants a later PHP.
func fixtureConfigs(t *testing.T, file string) (unfit bool, configs []string) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var c struct {
		Red    bool
		PHP    string
		Claims []struct{ Config string }
	}
	if err := json.Unmarshal(text, &c); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	configs = []string{""}
	for _, claim := range c.Claims {
		if !slices.Contains(configs, claim.Config) {
			configs = append(configs, claim.Config)
		}
	}
	old := c.PHP != "" && osexec.Command("php", "-r", "exit(version_compare(PHP_VERSION, $argv[1], '>=') ? 0 : 9);", c.PHP).Run() != nil
	return c.Red || old, configs
}

// prepared gives a copy of the project, ready for its tests.
func prepared(t *testing.T, dir string) string {
	t.Helper()
	root := filepath.Join(t.TempDir(), "project")
	if out, err := osexec.Command("cp", "-a", dir, root).CombinedOutput(); err != nil {
		t.Fatalf("cp: %v: %s", err, out)
	}
	if isThere(filepath.Join(root, "composer.json")) && !isThere(filepath.Join(root, "vendor", "autoload.php")) {
		cmd := osexec.Command("composer", "dump-autoload", "--dev", "--quiet")
		cmd.Dir = root
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("composer: %v: %s", err, out)
		}
	}
	return root
}

// runAssay runs the tool itself and reads what it wrote.
func runAssay(t *testing.T, root, config string, args ...string) (resultFile, []byte) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "result.json")
	all := append([]string{"run", "--write", "json=" + file}, args...)
	if config != "" {
		all = append(all, "--phpunit-config", config)
	}
	cmd := osexec.Command("assay", all...)
	cmd.Dir = root
	cmd.Env = append(os.Environ(), "XDG_CACHE_HOME="+t.TempDir())
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("assay %s: %v\n%s", strings.Join(all, " "), err, tailOf(string(out), 30))
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var r resultFile
	if err := json.Unmarshal(text, &r); err != nil {
		t.Fatal(err)
	}
	return r, text
}

// holdAgainstOracle makes each chosen mutant of a result by hand.
func holdAgainstOracle(t *testing.T, p oracleProject, root string, result resultFile) oracleCount {
	shaky := map[string]bool{}
	for _, test := range result.Tests {
		shaky[test.Name] = test.Shaky
	}
	o := &oracle{t: t, shaky: shaky, root: root, command: phpunitCommand(t, root, p.config), sources: map[string][]byte{},
		count: oracleCount{project: p.name, tests: len(result.Tests), mutants: len(result.Mutants), elapsed: result.ElapsedMS}}
	o.calibrate()
	chosen := sampleOf(result.Mutants, p.sample)
	queue := make(chan resultMutant, len(chosen))
	for _, m := range chosen {
		o.source(m.File)
		queue <- m
	}
	close(queue)
	g, ctx := errgroup.WithContext(context.Background())
	for n := range 2 {
		c := newCell(t, root, filepath.Join(t.TempDir(), fmt.Sprint("cell", n)), o.command)
		g.Go(func() error {
			for m := range queue {
				if err := o.check(ctx, c, result, m); err != nil {
					return err
				}
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		t.Fatal(err)
	}
	return o.count
}

func sampleOf(all []resultMutant, n int) []resultMutant {
	if wanted := os.Getenv("ORACLE_STATUS"); wanted != "" {
		all = slices.DeleteFunc(slices.Clone(all), func(m resultMutant) bool { return !slices.Contains(strings.Split(wanted, ","), m.Status) })
	}
	if n <= 0 || n >= len(all) {
		return all
	}
	seed := uint64(1)
	if s, err := strconv.ParseUint(os.Getenv("ORACLE_SEED"), 10, 64); err == nil {
		seed = s
	}
	chosen := slices.Clone(all)
	rand.New(rand.NewPCG(seed, 0)).Shuffle(len(chosen), func(i, j int) { chosen[i], chosen[j] = chosen[j], chosen[i] })
	return chosen[:n]
}

type oracle struct {
	t       *testing.T
	root    string
	command []string
	limit   time.Duration
	shaky   map[string]bool
	sources map[string][]byte
	mu      sync.Mutex
	count   oracleCount
}

// calibrate demands that the suite is green when nothing is changed, twice,
// and takes its time.
func (o *oracle) calibrate() {
	c := newCell(o.t, o.root, filepath.Join(o.t.TempDir(), "cell"), o.command)
	for range 2 {
		r, err := c.run(context.Background(), "", nil, 10*time.Minute)
		if err != nil {
			o.t.Fatal(err)
		}
		if !r.green() {
			o.t.Fatalf("%s: %v on unchanged code:\n%s", c.commands, r, r.Output)
		}
		if o.count.cold == 0 || r.Took < o.count.cold {
			o.count.cold = r.Took
		}
	}
	o.limit = max(20*o.count.cold, 10*time.Second)
}

func (o *oracle) source(path string) {
	if _, ok := o.sources[path]; ok {
		return
	}
	text, err := os.ReadFile(filepath.Join(o.root, filepath.FromSlash(path)))
	if err != nil {
		o.t.Fatal(err)
	}
	o.sources[path] = text
}

// check makes one edit by hand and holds what PHP and PHPUnit say against the
// verdict.
func (o *oracle) check(ctx context.Context, c *cell, result resultFile, m resultMutant) error {
	text, err := m.edit(o.sources[m.File])
	if err != nil {
		return err
	}
	valid, said := phpAccepts(c.dir, text)
	o.mu.Lock()
	o.count.checked++
	o.mu.Unlock()
	if valid == (m.Status == "stillborn") {
		o.disagree(result, m, text, &o.count.badSyntax, "php -l: "+said)
		return nil
	}
	if m.Status == "stillborn" || m.Status == "suppressed" {
		return nil
	}
	r, err := c.run(ctx, m.File, text, o.limit)
	if err != nil {
		return err
	}
	switch m.Status {
	case "survived", "unreached":
		switch {
		case r.green():
		case o.onlyShakyFail(r):
			o.mu.Lock()
			o.count.lost++
			o.mu.Unlock()
		default:
			o.disagree(result, m, text, &o.count.falseSurvivors, r.String()+"\n"+r.Output)
		}
	case "killed":
		if r.green() {
			o.disagree(result, m, text, &o.count.falseKills, r.String()+"\n"+r.Output)
		}
	case "timed_out":
		if r.green() {
			o.disagree(result, m, text, &o.count.falseEnds, r.String()+"\n"+r.Output)
		}
	default:
		return fmt.Errorf("%s: status %q", m.ID, m.Status)
	}
	return nil
}

// failure is how PHPUnit heads each test in its list of what went wrong: with
// "with data set #0" or "with data set "name"" for a row, and from 12 on with
// "#0 with data (" or "@name with data (" behind the method.
var failure = regexp.MustCompile(`(?m)^\d+\) (\S+::\w+)(?: with data set (?:#(\d+)|"([^"\n]*)")|#(\d+) with data|@(.+) with data)?`)

// onlyShakyFail reports whether nothing failed but tests that the result says
// were set apart: they pass in one order only, and are no witnesses.
func (o *oracle) onlyShakyFail(r coldRun) bool {
	all := failure.FindAllStringSubmatch(r.Output, -1)
	for _, f := range all {
		name := f[1]
		if row := f[2] + f[3] + f[4] + f[5]; row != "" {
			name += "#" + row
		}
		if !o.shaky[name] {
			return false
		}
	}
	return len(all) > 0 && summary.MatchString(r.Output)
}

// phpAccepts asks PHP whether a text compiles.
func phpAccepts(dir string, text []byte) (bool, string) {
	file := filepath.Join(dir, "lint.php")
	if err := os.WriteFile(file, text, 0o644); err != nil {
		return false, err.Error()
	}
	out, err := osexec.Command("php", "-l", file).CombinedOutput()
	return err == nil, string(out)
}

// disagree reports a wrong verdict with all that is needed to look into it.
func (o *oracle) disagree(result resultFile, m resultMutant, text []byte, count *int, said string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	*count++
	source := o.sources[m.File]
	var reaching []string
	for _, i := range m.TestsReaching[:min(5, len(m.TestsReaching))] {
		reaching = append(reaching, result.Tests[i].Name)
	}
	by := ""
	if m.Killer != nil {
		by += " by " + *m.Killer
	}
	if m.How != nil {
		by += " (" + *m.How + ")"
	}
	try := osexec.Command("assay", "try", m.ID)
	try.Dir = o.root
	tried, _ := try.CombinedOutput()
	o.t.Errorf("%s %s is %s%s; reached by %d: %s\n%s:%d\n- %s\n+ %s\nA cold run of %s says: %s\nassay try says:\n%s",
		m.ID, m.Operator, m.Status, by, len(m.TestsReaching), strings.Join(reaching, ", "), m.File, m.Line,
		linesOf(source, m.Start, m.End), linesOf(text, m.Start, m.End+len(text)-len(source)),
		strings.Join(o.command, " "), tailOf(said, 40), tailOf(string(tried), 40))
}

// linesOf gives the lines that a span touches.
func linesOf(text []byte, start, end int) string {
	from := bytes.LastIndexByte(text[:start], '\n') + 1
	to := len(text)
	if i := bytes.IndexByte(text[end:], '\n'); i >= 0 {
		to = end + i
	}
	return strings.TrimSpace(string(text[from:to]))
}

func tailOf(text string, lines int) string {
	all := strings.Split(strings.TrimSpace(text), "\n")
	return strings.Join(all[max(0, len(all)-lines):], "\n")
}

func oracleTable(counts []oracleCount) string {
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "project\ttests\tmutants\tchecked\tfalse survivors\tfalse kills\tfalse time-outs\tsyntax\tlost witnesses\tone cold run\t")
	var sum oracleCount
	for _, c := range counts {
		fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%v\t\n", c.project, c.tests, c.mutants, c.checked, c.falseSurvivors, c.falseKills,
			c.falseEnds, c.badSyntax, c.lost, c.cold.Round(time.Millisecond))
		sum.tests += c.tests
		sum.mutants += c.mutants
		sum.checked += c.checked
		sum.falseSurvivors += c.falseSurvivors
		sum.falseKills += c.falseKills
		sum.falseEnds += c.falseEnds
		sum.badSyntax += c.badSyntax
		sum.lost += c.lost
	}
	fmt.Fprintf(w, "all\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t\t\n", sum.tests, sum.mutants, sum.checked, sum.falseSurvivors, sum.falseKills, sum.falseEnds,
		sum.badSyntax, sum.lost)
	w.Flush()
	return b.String()
}
