//go:build linux

package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"assay/exec"
	"assay/mutate"
	"assay/mutate/project"
)

// A journal keeps verdicts as they fall, so that a run that was ended at any
// moment, by whatever, can be gone on with. It is a text file in the user's
// cache directory: a line a verdict, each headed by the CRC-32 of the rest, and
// a first line that says what all verdicts rest on. Each has sums of what it rests
// on besides, as in a memory. A finished run removes it.
type journal struct {
	file  *os.File // nil: there is no place to keep one
	path  string
	end   int64                  // where the last whole record ends
	known map[string]keptVerdict // by mutant ID; what an earlier run decided
	note  string                 // for the report: what was dropped and why
	stale int                    // verdicts that do not hold any more
}

// storedLine is one verdict. What can be had from the plan is not stored.
type storedLine struct {
	ID     string `json:"id"`
	Status string `json:"status"`
	How    string `json:"how,omitempty"`
	Killer string `json:"killer,omitempty"`
	Detail string `json:"detail,omitempty"`
	Ran    int    `json:"ran,omitempty"`
	Micros int64  `json:"micros,omitempty"`

	Opened []string `json:"opened,omitempty"` // see mutate.Rests
	Whole  bool     `json:"whole,omitempty"`

	Killers []mutate.TestID `json:"killers,omitempty"` // see mutate.Verdict
}

func stored(v mutate.Verdict) storedLine {
	return storedLine{ID: v.Mutant.ID, Status: v.Status.String(), How: v.How.String(), Killer: string(v.Killer), Detail: v.Detail,
		Ran: v.Ran, Micros: v.Time.Microseconds(), Opened: v.Rests.Opened, Whole: v.Rests.Whole, Killers: v.Killers}
}

// verdict gives what a line says about a task.
func (s storedLine) verdict(t exec.Task, reaching []mutate.TestID) (mutate.Verdict, error) {
	status, err := mutate.ParseStatus(s.Status)
	how, err2 := mutate.ParseHow(s.How)
	v := mutate.Verdict{Mutant: t.Mutant, Status: status, How: how, Killer: mutate.TestID(s.Killer), Detail: s.Detail,
		Ran: s.Ran, Time: time.Duration(s.Micros) * time.Microsecond, Reaching: reaching,
		Rests: mutate.Rests{Opened: s.Opened, Whole: s.Whole}, Killers: s.Killers}
	if v.Status == mutate.Survived {
		v.Seen = t.Seen // of this run: its recording was observed as any is
	}
	return v, errors.Join(err, err2)
}

// reachNames names the tests that reach mutants. Tasks of one point share their
// list of tests, and the names.
type reachNames struct {
	baseline *exec.Baseline
	lists    map[*int][]mutate.TestID
}

func (n *reachNames) of(t exec.Task) []mutate.TestID {
	if len(t.Reach) == 0 {
		return nil
	}
	list := n.lists[&t.Reach[0]]
	if list == nil {
		for _, i := range t.Reach {
			list = append(list, n.baseline.Tests[i].ID)
		}
		n.lists[&t.Reach[0]] = list
	}
	return list
}

const journalVersion = "assay journal 2 "

// openJournal opens the journal for a key. With resume its verdicts are read;
// without, and when it is about something else, it begins anew.
func openJournal(path, key string, resume bool) (j *journal, err error) {
	j = &journal{path: path, known: map[string]keptVerdict{}}
	if err := os.MkdirAll(filepath.Dir(j.path), 0o700); err != nil {
		return nil, err
	}
	if j.file, err = os.OpenFile(j.path, os.O_RDWR|os.O_CREATE, 0o600); err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(j.file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		j.file.Close()
		return nil, usagef("another run of this project is going on; wait for it, or end it (%s is locked)", j.path)
	}
	if resume {
		if err := j.read(key); err != nil {
			j.file.Close()
			return nil, err
		}
	}
	if j.end == 0 {
		err = j.begin(key)
	} else {
		err = j.file.Truncate(j.end)
	}
	if err != nil {
		j.file.Close()
		return nil, fmt.Errorf("%s: %w", j.path, err)
	}
	return j, nil
}

func (j *journal) begin(key string) error {
	if err := j.file.Truncate(0); err != nil {
		return err
	}
	return j.append([]byte(journalVersion + key))
}

// read takes in what is there. Only whole records count: from the first that
// is torn or damaged on, the rest is dropped.
func (j *journal) read(key string) error {
	text, err := io.ReadAll(j.file)
	if err != nil {
		return fmt.Errorf("%s: %w", j.path, err)
	}
	if len(text) == 0 {
		j.note = "There was no interrupted run of this project to go on with; this one began anew."
		return nil
	}
	for first := true; len(text) > 0; first = false {
		line, rest, whole := bytes.Cut(text, []byte("\n"))
		body, ok := checked(line)
		if !whole || !ok {
			j.note = fmt.Sprintf("The last record of the journal (%d bytes) was not whole and was dropped; %d verdicts before it were kept.", len(text), len(j.known))
			return nil
		}
		if first {
			if string(body) != journalVersion+key {
				j.note = "The interrupted run was of other code, tests, options or tools; this one began anew."
				return nil
			}
		} else {
			var s keptVerdict
			if err := json.Unmarshal(body, &s); err != nil {
				return fmt.Errorf("%s: a record that is whole cannot be read: %w; remove the file", j.path, err)
			}
			j.known[s.ID] = s
		}
		j.end += int64(len(line) + 1)
		text = rest
	}
	return nil
}

// checked splits a line into its checksum and the rest and compares them.
func checked(line []byte) ([]byte, bool) {
	sum, body, ok := bytes.Cut(line, []byte(" "))
	return body, ok && string(sum) == checksum(body)
}

func checksum(b []byte) string { return fmt.Sprintf("%08x", crc32.ChecksumIEEE(b)) }

// append writes one record. A record that could not be written whole is taken
// back, so that what is there stays readable.
func (j *journal) append(body []byte) error {
	if j.file == nil {
		return nil
	}
	record := append([]byte(checksum(body)+" "), append(body, '\n')...)
	if _, err := j.file.WriteAt(record, j.end); err != nil {
		return errors.Join(fmt.Errorf("the journal %s cannot be written: %w; what was decided before is in it: make room and use --resume", j.path, err), j.file.Truncate(j.end))
	}
	j.end += int64(len(record))
	return nil
}

// add records a verdict. Broken ones are not kept: they are to be tried again.
func (j *journal) add(v mutate.Verdict, m *memory) error {
	if v.Status == mutate.Broken || m.now == nil {
		return nil
	}
	body, err := json.Marshal(m.keep(v))
	if err != nil {
		return err
	}
	return j.append(body)
}

// recall gives the verdict on a task that an earlier run decided, if it still holds.
func (j *journal) recall(t exec.Task, m *memory, reaching []mutate.TestID) (mutate.Verdict, bool, error) {
	s, ok := j.known[t.Mutant.ID]
	if !ok {
		return mutate.Verdict{}, false, nil
	}
	if m.now == nil || !m.holds(t, s) {
		j.stale++
		return mutate.Verdict{}, false, nil
	}
	v, err := s.verdict(t, reaching)
	if err != nil {
		return mutate.Verdict{}, false, fmt.Errorf("%s: %w; remove the file", j.path, err)
	}
	return v, true, nil
}

// settle gives the verdicts that are known to each and returns the tasks that
// are left.
func (j *journal) settle(tasks []exec.Task, m *memory, baseline *exec.Baseline, each func(mutate.Verdict)) ([]exec.Task, error) {
	if len(j.known) == 0 {
		return tasks, nil
	}
	names := reachNames{baseline, map[*int][]mutate.TestID{}}
	var left []exec.Task
	for _, t := range tasks {
		v, ok, err := j.recall(t, m, names.of(t))
		if err != nil {
			return nil, err
		}
		if ok {
			each(v)
		} else {
			left = append(left, t)
		}
	}
	return left, nil
}

// finish removes the journal of a run that came to its end.
func (j *journal) finish() error {
	if j.file == nil {
		return nil
	}
	return errors.Join(os.Remove(j.path), j.file.Close())
}

// close leaves the journal for --resume.
func (j *journal) close() error {
	if j.file == nil {
		return nil
	}
	return j.file.Close()
}

// hashedWhole bounds, in bytes, the files that are read for the key; of larger
// ones size and time stand for the content.
const hashedWhole = 8 << 20

// journalKey says what all verdicts rest on: the tools, the options, what all verdicts of a
// memory rest on, and every
// file of the project but dependencies, version control and what PHPUnit and
// this program write. Dependencies are in it through Composer's own records.
func journalKey(code *codebase, facts exec.Facts, options any, m *memory, outputs []output) (string, error) {
	h := sha256.New()
	opts, err := json.Marshal(options)
	if err != nil {
		return "", err
	}
	fmt.Fprintf(h, "%s\n%s\n%s\n", facts.PHP, facts.PHPUnit, opts)
	for _, op := range code.operators {
		fmt.Fprintf(h, "%s %d\n", op.ID, op.Version)
	}
	if m.now != nil {
		for _, p := range m.now.parts {
			fmt.Fprintf(h, "%s %s\n", p.Name, p.Sum)
		}
	}
	written := map[string]bool{}
	for _, o := range outputs {
		if abs, err := filepath.Abs(o.path); err == nil {
			written[abs] = true
		}
	}
	if last, err := lastRunPath(code.Root); err == nil {
		written[filepath.Dir(last)] = true // what this program keeps may lie in the project
	}
	err = filepath.WalkDir(code.Root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return nil // unreadable: neither we nor the tests see into it
		}
		name := d.Name()
		if d.IsDir() {
			if written[path] {
				return filepath.SkipDir
			}
			if name == ".git" || name == "node_modules" || name == "vendor" || strings.HasPrefix(name, ".phpunit") {
				return hashDependencies(h, path, name)
			}
			return nil
		}
		if !d.Type().IsRegular() || strings.HasPrefix(name, ".phpunit") || written[path] {
			return nil
		}
		return hashFile(h, code.Root, path)
	})
	return hex.EncodeToString(h.Sum(nil)), err
}

// hashDependencies takes in Composer's record of what is installed and leaves
// the rest of the directory out.
func hashDependencies(h io.Writer, path, name string) error {
	if name == "vendor" {
		for _, record := range []string{"composer/installed.json", "composer/autoload_classmap.php", "composer/autoload_files.php"} {
			if b, err := project.ReadFile(filepath.Join(path, record)); err == nil {
				fmt.Fprintf(h, "%s %d\n%s\n", record, len(b), b)
			}
		}
	}
	return filepath.SkipDir
}

func hashFile(h io.Writer, root, path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return nil
	}
	rel, err := filepath.Rel(root, path)
	if err != nil {
		return err
	}
	if info.Size() > hashedWhole {
		fmt.Fprintf(h, "%s %d %d\n", rel, info.Size(), info.ModTime().UnixNano())
		return nil
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil
	}
	fmt.Fprintf(h, "%s %d\n%s\n", rel, len(b), b)
	return nil
}
