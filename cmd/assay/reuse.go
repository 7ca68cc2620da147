//go:build linux

package main

import (
	"bufio"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"assay/exec"
	"assay/mutate"
	"assay/report"
)

// A memory holds the verdicts of earlier runs of a project, each with a sum of
// all that it rests on. A verdict is reused where the sum, worked out anew from
// what the recording of this run saw, is the same; what is not known counts as
// changed. It is a file in the user's cache directory, in gzip: a line for the
// whole (see memoryHead), then a line a verdict.
type memory struct {
	path string // "": there is no place to keep one
	old  memoryHead
	kept map[string]keptVerdict // by mutant ID; of earlier runs
	why  string                 // nothing of it can be used: the reason, for people
	now  *situation
	made map[string]keptVerdict // of this run

	began time.Time
	fresh bool // none is to be reused
	all   bool // verdicts with all killers are wanted
	tasks map[*mutate.Mutant]exec.Task
}

// memoryHead is what all verdicts of a memory rest on.
type memoryHead struct {
	Version int               `json:"version"`
	When    time.Time         `json:"when"`  // of the last run
	Parts   []part            `json:"parts"` // tools, options, environment
	Names   []string          `json:"names"` // of the project's files
	Files   map[string]string `json:"files"` // sums of the files under change
	Outputs []string          `json:"outputs"`
}

const memoryVersion = 1

// keptVerdict is a line of a memory.
type keptVerdict struct {
	storedLine
	File  string `json:"file"`
	Sum   string `json:"sum"`             // of the change, its tests and what these use unchanged
	Rests string `json:"rests,omitempty"` // of what was used besides
	All   bool   `json:"all,omitempty"`   // Killers are known, or there are none
}

// remember opens the memory of a project. A run without one, because there is
// no place for it or something cannot be found out, judges all that there is.
func (c *runCommand) remember(env *environment, code *codebase, facts exec.Facts, baseline *exec.Baseline, tasks []exec.Task, outputs []output) *memory {
	parts, err := c.reuseParts(code, facts)
	var now *situation
	if err == nil {
		var written []string
		for _, o := range outputs {
			written = append(written, o.path)
		}
		if c.History != "" {
			written = append(written, c.History)
		}
		now, err = newSituation(code, baseline, parts, written)
	}
	if err != nil {
		fmt.Fprintf(env.stderr, "assay: no verdict is reused or kept: %v\n", err)
		return &memory{}
	}
	m := openMemory(code, now)
	m.began, m.all, m.tasks = code.began, c.AllKills, make(map[*mutate.Mutant]exec.Task, len(tasks))
	for _, t := range tasks {
		m.tasks[t.Mutant] = t
	}
	m.fresh = c.Fresh
	if m.why != "" && !m.fresh {
		fmt.Fprintf(env.stderr, "assay: no verdict of %s is reused: %s\n", m.when(), m.why)
	}
	return m
}

// when names the last run.
func (m *memory) when() string {
	if m.old.When.IsZero() {
		return "an earlier run"
	}
	return "the run of " + m.old.When.Local().Format("2006-01-02 15:04")
}

// openMemory reads the verdicts of earlier runs and finds out which of them
// may be used at all. A memory that cannot be read is none.
func openMemory(code *codebase, now *situation) *memory {
	m := &memory{now: now, kept: map[string]keptVerdict{}, made: map[string]keptVerdict{}}
	last, err := lastRunPath(code.Root)
	if err != nil {
		return m
	}
	m.path = strings.TrimSuffix(last, ".json.gz") + ".verdicts.gz"
	if err := m.read(); err != nil {
		m.kept = map[string]keptVerdict{}
		if !errors.Is(err, fs.ErrNotExist) {
			m.why = "they cannot be read (" + err.Error() + ")"
		}
		return m
	}
	if m.why = now.differs(m.old); m.why != "" {
		m.kept = map[string]keptVerdict{}
	}
	return m
}

func (m *memory) read() error {
	f, err := os.Open(m.path)
	if err != nil {
		return err
	}
	defer f.Close()
	z, err := gzip.NewReader(bufio.NewReader(f))
	if err != nil {
		return err
	}
	lines := json.NewDecoder(z)
	if err := lines.Decode(&m.old); err != nil {
		return err
	}
	if m.old.Version != memoryVersion {
		return errors.New("another assay wrote them")
	}
	for {
		var k keptVerdict
		err := lines.Decode(&k)
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		m.kept[k.ID] = k
	}
}

// settle gives the verdicts that still hold to each and returns the tasks that
// are left.
func (m *memory) settle(tasks []exec.Task, baseline *exec.Baseline, each func(mutate.Verdict)) ([]exec.Task, int, error) {
	if len(m.kept) == 0 || m.fresh {
		return tasks, 0, nil
	}
	names := reachNames{baseline, map[*int][]mutate.TestID{}}
	var left []exec.Task
	for _, t := range tasks {
		k, ok := m.kept[t.Mutant.ID]
		if !ok || !m.holds(t, k) {
			left = append(left, t)
			continue
		}
		m.made[k.ID] = k
		if !m.all {
			k.Killers = nil
		}
		v, err := k.verdict(t, names.of(t))
		if err != nil {
			return nil, 0, fmt.Errorf("%s: %w; remove the file, or use --fresh", m.path, err)
		}
		each(v)
	}
	return left, len(tasks) - len(left), nil
}

// holds reports whether what a verdict rests on is what it was.
func (m *memory) holds(t exec.Task, k keptVerdict) bool {
	return (!m.all || k.All) && k.Sum == m.now.sum(t) && k.Rests == m.now.restsSum(k.Opened, k.Whole) && !m.now.doubts(t, k)
}

// keep gives a verdict with sums of what it rests on.
func (m *memory) keep(v mutate.Verdict) keptVerdict {
	t := m.tasks[v.Mutant]
	k := keptVerdict{storedLine: stored(v), File: t.Mutant.Source.Path, Sum: m.now.sum(t)}
	k.All = m.all || v.Status != mutate.Killed && v.Status != mutate.TimedOut
	k.Opened = m.now.besides(t, v.Rests.Opened)
	k.Rests = m.now.restsSum(k.Opened, k.Whole)
	return k
}

// add takes a verdict in.
func (m *memory) add(v mutate.Verdict) {
	if m.path == "" || v.Status == mutate.Broken {
		return
	}
	if _, known := m.made[v.Mutant.ID]; known {
		return // reused
	}
	m.made[v.Mutant.ID] = m.keep(v)
}

// save keeps what is known now for the next run, and tells where it cannot.
// Where a file was changed after the run began nobody knows which text the
// tests saw: nothing is kept then.
func (m *memory) save(env *environment) {
	if m.path == "" || len(m.made) == 0 {
		return
	}
	if m.now.touchedSince(m.began) {
		fmt.Fprintln(env.stderr, "assay: files changed while the tests ran; these verdicts are not kept for the next run")
		return
	}
	if err := m.write(); err != nil {
		fmt.Fprintf(env.stderr, "assay: these verdicts are not kept for the next run: %v\n", err)
	}
}

// write puts the memory in place. Verdicts on mutants that this run was not
// about stay as long as their files do.
func (m *memory) write() error {
	head := memoryHead{Version: memoryVersion, When: m.began.Truncate(time.Second), Parts: m.now.parts, Names: m.now.names,
		Files: m.now.sources, Outputs: m.now.outputs}
	all := map[string]keptVerdict{}
	if slices.Equal(head.Names, m.old.Names) {
		for id, k := range m.kept {
			sum, here := head.Files[k.File]
			if !here {
				sum = m.old.Files[k.File]
				head.Files[k.File] = sum
			}
			if sum == m.old.Files[k.File] {
				all[id] = k
			}
		}
	}
	for id, k := range m.made {
		all[id] = k
	}
	if err := os.MkdirAll(filepath.Dir(m.path), 0o700); err != nil {
		return err
	}
	return report.WriteFile(m.path, func(w io.Writer) error {
		z := gzip.NewWriter(w)
		lines := json.NewEncoder(z)
		if err := lines.Encode(head); err != nil {
			return err
		}
		for _, id := range sortedKeys(all) {
			if err := lines.Encode(all[id]); err != nil {
				return err
			}
		}
		return z.Close()
	})
}

// said tells in words what became of the earlier verdicts; "" when there were none.
func (m *memory) said(reused int) string {
	if reused > 0 {
		return fmt.Sprintf("; %s reused from %s", many(reused, "verdict"), m.when())
	}
	return ""
}

func sortedKeys[V any](m map[string]V) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

func sumOf(parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		fmt.Fprintf(h, "%d %s\n", len(p), p)
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}
