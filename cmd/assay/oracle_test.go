//go:build linux

package main

import (
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
	"sync/atomic"
	"testing"
	"text/tabwriter"
	"time"
)

// The oracle: a verdict means what a person would get by making the edit by
// hand and running the whole suite. So that is done here, for every mutant of
// a result file or for a sample, and PHPUnit's own exit status and summary
// decide. The samples are small ones, and of the fixtures a third is drawn anew each time;
// .ci/run nightly has every mutant of all.
//
//	killed     the suite is not green: it fails, ends early, or does not end
//	survived   it is green
//	unreached  it is green
//	equivalent it is green
//	timed_out  it does not end in max(20 times its usual time, 10 s), or fails
//	stillborn  php -l refuses the file; and it accepts all others
//
// And what pcov says that a test runs is in the reach; see holdAgainstPcov.
//
//	ORACLE_PROJECT=dir[,dir]  hold these projects against it, and no others
//	ORACLE_SAMPLE=n           mutants of each project (0: all)
//	ORACLE_SEED=n             the fixtures and samples that were drawn with this seed, which is printed
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
	LeftOut   int     `json:"left_out"`
	Notes     []struct{ Kind, Text string }
	Tests     []resultTest
	TestSets  [][]int `json:"test_sets"`
	Files     []struct {
		Path   string
		SHA256 string
	}
	Mutants []resultMutant
}

// resultTest is a test; the file has them by name.
type resultTest struct {
	Name string
}

type resultMutant struct {
	ID, Operator, File, Function, Before, After, Status string
	AfterBase64                                         string `json:"after_base64"`
	Line, Start, End                                    int
	Killer, Failure                                     *string
	TestsReaching                                       int `json:"tests_reaching"`
	TestsRun                                            int `json:"tests_run"`
	Proof                                               *resultProof
}

type resultProof struct {
	File, Test string
	Kills      []string
}

// reaching names the tests that reach a mutant.
func (r *resultFile) reaching(m resultMutant) []string {
	var names []string
	for _, i := range r.TestSets[m.TestsReaching] {
		names = append(names, r.Tests[i].Name)
	}
	return names
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
	ids                                              []string // of the mutants with these verdicts
	unsteady                                         []string // of which cold runs say the one thing and the other
	cold                                             time.Duration
}

func TestOracle(t *testing.T) {
	t.Parallel()
	needCells(t)
	projects := oracleProjects(t)
	counts := make([]oracleCount, len(projects))
	var pairs, watched atomic.Int64  // projects of which pcov was asked
	lines9 := phpunitMajor(t) == 9   // the lines come from a hook that later versions have not
	t.Run("of", func(t *testing.T) { // ends when all of them have
		for i, p := range projects {
			t.Run(p.name, func(t *testing.T) {
				if p.name != "demo" { // the time of its run goes into ORACLE_LINE
					t.Parallel()
				}
				root := prepared(t, p.dir)
				before := fingerprint(t, root)
				result, _ := runAssay(t, root, p.config, append([]string{"--timings"}, p.args...)...)
				if after := fingerprint(t, root); after != before {
					t.Errorf("assay run changed the project's tree:\n%s", firstDifference(before, after))
				}
				t.Run("verdicts", func(t *testing.T) { counts[i] = holdAgainstOracle(t, p, root, result) })
				if p.config == "" && !p.apart && lines9 {
					t.Run("reach", func(t *testing.T) {
						pairs.Add(int64(holdAgainstPcov(t, root, result)))
						watched.Add(1)
					})
				}
			})
		}
	})
	t.Logf("\n%s\n%d pairs of a line and a test as pcov sees them are in the reach", oracleTable(counts), pairs.Load())
	if watched.Load() > 0 && pairs.Load() == 0 {
		t.Errorf("pcov has seen no line with a mutant in %d projects", watched.Load())
	}
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
		all = append(all, oracleProject{name: "demo", dir: "../../testdata/demo", sample: given(60), args: args})
	}
	dirs, err := filepath.Glob("../../testdata/fixtures/*/claims.json")
	if err != nil || len(dirs) < 20 {
		t.Fatalf("%d fixtures, %v", len(dirs), err)
	}
	if sample < 0 && only[0] == "" {
		seed := seedOf(t, "ORACLE_SEED")
		t.Logf("ORACLE_SEED=%d draws these fixtures", seed)
		order := rand.New(rand.NewPCG(seed, 2))
		order.Shuffle(len(dirs), func(i, j int) { dirs[i], dirs[j] = dirs[j], dirs[i] })
		dirs = dirs[:(len(dirs)+2)/3]
	}
	for _, file := range dirs {
		dir := filepath.Dir(file)
		unfit, configs := fixtureConfigs(t, file)
		if unfit || !wanted(filepath.Base(dir)) {
			continue
		}
		for _, config := range configs {
			p := oracleProject{name: filepath.Base(dir), dir: dir, config: config, sample: given(6), args: args}
			p.apart = p.name == "process-isolation"
			if p.name == "gallery" {
				p.sample = given(12) // its mutants hang, fork and fill memory
			}
			if config != "" {
				p.name += " " + config
				p.sample = given(3)
				if p.apart && p.sample > 0 { // loops without end, in processes of their own, take all the time they may
					p.args = append(slices.Clone(args), "--sample", fmt.Sprint(2*p.sample), "--seed", fmt.Sprint(seedOf(t, "ORACLE_SEED")))
				}
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

func oracleTable(counts []oracleCount) string {
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "project\ttests\tmutants\tchecked\tfalse survivors\tfalse kills\tfalse time-outs\tsyntax\tone cold run\t")
	var sum oracleCount
	for _, c := range counts {
		fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%v\t\n", c.project, c.tests, c.mutants, c.checked, c.falseSurvivors, c.falseKills,
			c.falseEnds, c.badSyntax, c.cold.Round(time.Millisecond))
		sum.tests += c.tests
		sum.mutants += c.mutants
		sum.checked += c.checked
		sum.falseSurvivors += c.falseSurvivors
		sum.falseKills += c.falseKills
		sum.falseEnds += c.falseEnds
		sum.badSyntax += c.badSyntax
	}
	fmt.Fprintf(w, "all\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t\t\n", sum.tests, sum.mutants, sum.checked, sum.falseSurvivors, sum.falseKills, sum.falseEnds,
		sum.badSyntax)
	w.Flush()
	return b.String()
}
