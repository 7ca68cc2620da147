//go:build linux

package main

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	osexec "os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"
)

// holdAgainstOracle makes each chosen mutant of a result by hand.
func holdAgainstOracle(t *testing.T, p oracleProject, root string, result resultFile) oracleCount {
	o := newOracle(t, p, root)
	if err := o.calibrate(); err != nil {
		t.Fatal(err)
	}
	o.hold(result, sampleOf(t, result.Mutants, p.sample))
	return o.count
}

func newOracle(t *testing.T, p oracleProject, root string) *oracle {
	t.Helper()
	return &oracle{t: t, project: p, root: root, command: phpunitCommand(t, root, p.config), sources: map[string][]byte{},
		report: t.Errorf, count: oracleCount{project: p.name}}
}

// hold makes the chosen mutants by hand, two at a time.
func (o *oracle) hold(result resultFile, chosen []resultMutant) {
	t := o.t
	t.Helper()
	o.count.tests, o.count.mutants, o.count.elapsed = len(result.Tests), len(result.Mutants), result.ElapsedMS
	queue := make(chan resultMutant, len(chosen))
	for _, m := range chosen {
		o.source(m.File)
		queue <- m
	}
	close(queue)
	g, ctx := errgroup.WithContext(context.Background())
	for n := range 2 {
		c := newCell(t, o.root, filepath.Join(t.TempDir(), fmt.Sprint("cell", n)), o.command)
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
}

// sampleOf draws n mutants, others on each run: in time all of them are held
// against the oracle. The seed is in what the test prints.
func sampleOf(t *testing.T, all []resultMutant, n int) []resultMutant {
	t.Helper()
	if wanted := os.Getenv("ORACLE_STATUS"); wanted != "" {
		all = slices.DeleteFunc(slices.Clone(all), func(m resultMutant) bool { return !slices.Contains(strings.Split(wanted, ","), m.Status) })
	}
	if n <= 0 || n >= len(all) {
		return all
	}
	seed := seedOf(t, "ORACLE_SEED")
	t.Logf("drawn with ORACLE_SEED=%d", seed)
	chosen := slices.Clone(all)
	rand.New(rand.NewPCG(seed, 0)).Shuffle(len(chosen), func(i, j int) { chosen[i], chosen[j] = chosen[j], chosen[i] })
	return chosen[:n]
}

// seedOf gives the seed that a variable of the environment names, or one by the
// clock.
func seedOf(t *testing.T, variable string) uint64 {
	t.Helper()
	text := os.Getenv(variable)
	if text == "" {
		return uint64(time.Now().Unix())
	}
	seed, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		t.Fatalf("%s: %v", variable, err)
	}
	return seed
}

type oracle struct {
	t       *testing.T
	project oracleProject
	report  func(format string, args ...any) // tells of a wrong verdict
	root    string
	command []string
	limit   time.Duration
	sources map[string][]byte
	mu      sync.Mutex
	count   oracleCount
}

// calibrate demands that the suite is green when nothing is changed, twice,
// and takes its time.
func (o *oracle) calibrate() error {
	c := newCell(o.t, o.root, filepath.Join(o.t.TempDir(), "cell"), o.command)
	for range 2 {
		r, err := c.run(context.Background(), "", nil, 10*time.Minute)
		if err != nil {
			return err
		}
		if !r.green() {
			return fmt.Errorf("%s: %v on unchanged code:\n%s", c.commands, r, r.Output)
		}
		if o.count.cold == 0 || r.Took < o.count.cold {
			o.count.cold = r.Took
		}
	}
	o.limit = max(20*o.count.cold, 10*time.Second)
	return nil
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
	if m.Status == "stillborn" || m.Status == "accepted" || m.Status == "skipped" {
		return nil
	}
	r, err := c.run(ctx, m.File, text, o.limit)
	if err != nil {
		return err
	}
	wrong := r.green() == (m.Status == "killed" || m.Status == "timed_out")
	if again, err := o.steady(ctx, c, m, text, r, wrong); err != nil || !again {
		return err
	}
	switch m.Status {
	case "survived", "unreached", "equivalent":
		if !r.green() {
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

// steady runs the suite once more where the first run speaks against a verdict,
// and reports whether it says the same: what chance decides speaks for nothing.
func (o *oracle) steady(ctx context.Context, c *cell, m resultMutant, text []byte, first coldRun, wrong bool) (bool, error) {
	if !wrong {
		return true, nil
	}
	r, err := c.run(ctx, m.File, text, o.limit)
	if err != nil {
		return false, err
	}
	asBefore := r.green() == first.green()
	if asBefore && !r.green() {
		// A test that is red by chance may be so twice; then it is on unchanged code, too, as a rule.
		if r, err = c.run(ctx, "", nil, o.limit); err != nil {
			return false, err
		}
		asBefore = r.green()
	}
	if !asBefore {
		o.mu.Lock()
		defer o.mu.Unlock()
		o.count.unsteady = append(o.count.unsteady, m.ID)
		o.report("%s is %s; a cold run says: %v, and a further one, of the same or of unchanged code: %v", m.ID, m.Status, first, r)
		return false, nil
	}
	return true, nil
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
	o.count.ids = append(o.count.ids, m.ID)
	source := o.sources[m.File]
	reaching := result.reaching(m)
	by := ""
	if m.Killer != nil {
		by += " by " + *m.Killer
	}
	if m.Failure != nil {
		by += " (" + *m.Failure + ")"
	}
	o.report("%s %s is %s%s; reached by %d: %s\n%s:%d\n- %s\n+ %s\nA cold run of %s says: %s\nassay try says:\n%s",
		m.ID, m.Operator, m.Status, by, len(reaching), strings.Join(reaching[:min(5, len(reaching))], ", "), m.File, m.Line,
		linesOf(source, m.Start, m.End), linesOf(text, m.Start, m.End+len(text)-len(source)),
		strings.Join(o.command, " "), tailOf(said, 40), tailOf(o.try(m), 40))
}

// try is what assay says when it judges the mutant alone.
func (o *oracle) try(m resultMutant) string {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	args := []string{"try", m.ID}
	if o.project.config != "" {
		args = append(args, "--phpunit-config", o.project.config)
	}
	cmd := osexec.CommandContext(ctx, "assay", args...)
	cmd.Dir = o.root
	cmd.WaitDelay = 5 * time.Second
	out, _ := cmd.CombinedOutput()
	return string(out)
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
