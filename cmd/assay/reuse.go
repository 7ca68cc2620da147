//go:build linux

package main

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"time"

	"assay/exec"
	"assay/mutate"
)

// A memory holds the verdicts of earlier runs of a project, each with a sum of
// all that it rests on. A verdict is reused where the sum, worked out anew from
// what the recording of this run saw, is the same; what is not known counts as
// changed. It lies in the user's cache directory, or in one that was given: a volume for the
// whole, and one for each part of a run.
type memory struct {
	path  string    // of the volume that this run writes; "": there is no place to keep one
	old   time.Time // of the newest run that is known; zero where there is none
	known []*volume // of earlier runs, the newest first, as far as they can be used
	why   string    // nothing of it can be used: the reason, for people
	now   *situation
	made  map[string]keptVerdict // of this run
	part  bool                   // of a run

	began time.Time
	fresh bool // none is to be reused
	all   bool // verdicts with all killers are wanted
	tasks map[*mutate.Mutant]exec.Task
}

// memoryHead is what all verdicts of a volume rest on.
type memoryHead struct {
	Version int               `json:"version"`
	When    time.Time         `json:"when"`  // of the last run
	Parts   []part            `json:"parts"` // tools, options, environment
	Names   []string          `json:"names"` // of the project's files
	Files   map[string]string `json:"files"` // sums of the files under change
	Outputs []string          `json:"outputs"`
}

const memoryVersion = 1

// keptVerdict is a line of a volume.
type keptVerdict struct {
	storedLine
	File  string `json:"file"`
	Sum   string `json:"sum"`             // of the change, its tests and what these use unchanged
	Rests string `json:"rests,omitempty"` // of what was used besides
	All   bool   `json:"all,omitempty"`   // Killers are known, or there are none
	When  int64  `json:"when,omitempty"`  // of the run that found it out, or that it still held; in seconds (Unix time)
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
	m := openMemory(c.kept(code.Name, code.Root), now)
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
	if m.old.IsZero() {
		return "an earlier run"
	}
	return "the run of " + m.old.Local().Format("2006-01-02 15:04")
}

// openMemory reads the verdicts of earlier runs and finds out which of them
// may be used at all. A volume that cannot be read is none.
func openMemory(kept keeping, now *situation) *memory {
	m := &memory{path: kept.verdicts(), part: kept.part.given(), now: now, made: map[string]keptVerdict{}}
	var all []*volume
	for _, path := range kept.all() {
		v, err := readVolume(path)
		switch {
		case err == nil:
			all = append(all, v)
		case !errors.Is(err, fs.ErrNotExist) && m.why == "":
			m.why = "they cannot be read (" + err.Error() + ")"
		}
	}
	newestFirst(all)
	for _, v := range all {
		now.hasWritten(v.head.Outputs)
	}
	for _, v := range all {
		why := ""
		if v.news, why = now.since(v.head); why == "" {
			m.known = append(m.known, v)
		}
		if m.old.IsZero() {
			m.old = v.head.When
			m.why = cmp.Or(m.why, why)
		}
	}
	if len(m.known) > 0 {
		m.old, m.why = m.known[0].head.When, ""
	}
	return m
}

// settle gives the verdicts that still hold to each and returns the tasks that
// are left.
func (m *memory) settle(tasks []exec.Task, baseline *exec.Baseline, each func(mutate.Verdict)) ([]exec.Task, int, error) {
	if len(m.known) == 0 || m.fresh {
		return tasks, 0, nil
	}
	names := reachNames{baseline, map[*int][]mutate.TestID{}}
	var left []exec.Task
	for _, t := range tasks {
		k, ok := m.find(t)
		if !ok {
			left = append(left, t)
			continue
		}
		k.When = m.began.Unix()
		m.made[k.ID] = k
		if !m.all {
			k.Killers = nil
		}
		v, err := k.verdict(t, names.of(t))
		if err != nil {
			return nil, 0, fmt.Errorf("%s: %w; remove the files of verdicts there, or use --fresh", filepath.Dir(m.path), err)
		}
		each(v)
	}
	return left, len(tasks) - len(left), nil
}

// find gives the newest verdict on a task that still holds.
func (m *memory) find(t exec.Task) (keptVerdict, bool) {
	for _, v := range m.known {
		if k, ok := v.kept[t.Mutant.ID]; ok && m.holds(t, k) && !m.now.doubts(t, k, v.news) {
			return k, true
		}
	}
	return keptVerdict{}, false
}

// holds reports whether what a verdict rests on is what it was.
func (m *memory) holds(t exec.Task, k keptVerdict) bool {
	return (!m.all || k.All) && k.Sum == m.now.sum(t) && k.Rests == m.now.restsSum(k.Opened, k.Whole)
}

// keep gives a verdict with sums of what it rests on.
func (m *memory) keep(v mutate.Verdict) keptVerdict {
	t := m.tasks[v.Mutant]
	k := keptVerdict{storedLine: stored(v), File: t.Mutant.Source.Path, Sum: m.now.sum(t), When: m.began.Unix()}
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

// write puts the volume of this run in place. Verdicts on mutants that this run was not
// about stay as long as their files do: a part keeps those of its own volume, and leaves
// the others alone; a run in one piece takes in what parts have left.
func (m *memory) write() error {
	v := &volume{path: m.path, kept: m.made, head: memoryHead{Version: memoryVersion, When: m.began.Truncate(time.Second), Parts: m.now.parts,
		Names: m.now.names, Files: m.now.sources, Outputs: m.now.outputs}}
	older := slices.DeleteFunc(slices.Clone(m.known), func(o *volume) bool { return m.part && o.path != m.path })
	v.takeIn(older, m.now.withoutOutputs)
	if err := v.write(); err != nil {
		return err
	}
	for _, o := range older {
		if o.path != m.path {
			if err := o.removeUnlessNew(); err != nil {
				return err
			}
		}
	}
	return nil
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
