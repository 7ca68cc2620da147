//go:build linux

package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"assay/exec"
	"assay/mutate/project"
)

// A situation is the state of all that verdicts may rest on, at the time of a
// run.
type situation struct {
	root    string
	parts   []part
	names   []string          // what there is in the project; see projectNames
	outputs []string          // absolute; what this program writes, which no test depends on
	sources map[string]string // sums of the files under change
	deps    *exec.Dependencies
	tests   []string // IDs

	paths   map[string]string   // sums of files and directories, "" where there is none
	classes map[string]string   // sums of what test classes use
	plans   map[planKey]string  // sums of lists of tests and of what they use
	texts   map[string][]byte   // in lower case
	common  map[string]struct{} // deps.Common
	asking  map[string]asks     // by path
}

// A part is one thing that all verdicts rest on.
type part struct {
	Name string `json:"name"` // for people
	Sum  string `json:"sum"`
}

// planKey tells lists of tests apart; tasks of one point share them.
type planKey struct {
	reach  *int
	states string
}

func newSituation(code *codebase, baseline *exec.Baseline, parts []part, outputs []string) (*situation, error) {
	s := &situation{root: code.Root, parts: parts, deps: baseline.Dependencies(), sources: map[string]string{},
		paths: map[string]string{}, classes: map[string]string{}, plans: map[planKey]string{}, texts: map[string][]byte{},
		common: map[string]struct{}{}, asking: map[string]asks{}}
	if last, err := lastRunPath(s.root); err == nil {
		s.outputs = append(s.outputs, filepath.Dir(last))
	}
	for _, p := range outputs {
		if abs, err := filepath.Abs(p); err == nil {
			s.outputs = append(s.outputs, abs)
		}
	}
	for _, p := range code.points {
		s.sources[p.Source.Path] = sumOf(string(p.Source.Text))
	}
	for _, t := range baseline.Tests {
		s.tests = append(s.tests, string(t.ID))
	}
	for _, p := range s.deps.Common {
		s.common[p] = struct{}{}
	}
	var err error
	if s.names, err = projectNames(s.root, s.outputs); err != nil {
		return nil, err
	}
	s.parts = append(s.parts, part{"the environment", s.environment(code, os.Environ())}, part{"a file that all tests use", s.use(s.deps.Common, true)},
		part{"what code that all tests use may ask for", s.around(s.deps.Common)})
	return s, nil
}

// news are the PHP files that have come and gone since a volume was written.
type news struct {
	stems []string        // of their names, in lower case
	fresh map[string]bool // classes, and "" for what is common: they mention such a file
}

// hasWritten takes in what this program wrote in earlier runs, too.
func (s *situation) hasWritten(outputs []string) {
	for _, p := range outputs {
		if !slices.Contains(s.outputs, p) {
			s.outputs = append(s.outputs, p)
		}
	}
	s.names = s.withoutOutputs(s.names)
}

// since tells what has come and gone since a volume was written, or gives the reason why
// nothing of it can be used.
func (s *situation) since(old memoryHead) (*news, string) {
	for i, p := range s.parts {
		if i >= len(old.Parts) || old.Parts[i].Name != p.Name {
			return nil, "another assay wrote them"
		}
		if old.Parts[i].Sum != p.Sum {
			return nil, p.Name + " is not what it was"
		}
	}
	then := s.withoutOutputs(old.Names)
	added, gone := difference(s.names, then), difference(then, s.names)
	for _, list := range []struct {
		names []string
		what  string
	}{{added, "new"}, {gone, "gone"}} {
		for _, name := range list.names {
			if !strings.HasSuffix(name, ".php") {
				return nil, name + " is " + list.what
			}
		}
	}
	n := &news{}
	for _, name := range append(added, gone...) {
		n.stems = append(n.stems, strings.ToLower(strings.TrimSuffix(path.Base(name), ".php")))
	}
	return n, ""
}

// withoutOutputs leaves names out that this program wrote, now or then.
func (s *situation) withoutOutputs(names []string) []string {
	return slices.DeleteFunc(slices.Clone(names), func(name string) bool { return slices.Contains(s.outputs, s.absolute(name)) })
}

// difference gives what is in a and not in b; both sorted.
func difference(a, b []string) []string {
	var out []string
	for _, name := range a {
		if _, found := slices.BinarySearch(b, name); !found {
			out = append(out, name)
		}
	}
	return out
}

// sum is what a planned verdict rests on: the change and its file, the tests
// and what these use when nothing is changed.
func (s *situation) sum(t exec.Task) string {
	m := t.Mutant
	return sumOf(m.Op.ID, strconv.Itoa(m.Op.Version), m.Source.Path, s.sourceSum(t), strconv.Itoa(m.Edit.Start), strconv.Itoa(m.Edit.End),
		m.Edit.New, s.plan(t))
}

func (s *situation) sourceSum(t exec.Task) string {
	sum, ok := s.sources[t.Mutant.Source.Path]
	if !ok {
		sum = sumOf(string(t.Mutant.Source.Text))
		s.sources[t.Mutant.Source.Path] = sum
	}
	return sum
}

// plan sums up the tests of a task, and the states that they begin in.
func (s *situation) plan(t exec.Task) string {
	key := planKey{first(t.Reach), t.States}
	if sum, ok := s.plans[key]; ok && key.reach != nil {
		return sum
	}
	text := []string{t.States}
	for _, i := range t.Reach {
		text = append(text, s.tests[i], s.deps.Outcomes[i])
	}
	for _, class := range s.classesOf(t) {
		text = append(text, class, s.class(class))
	}
	sum := sumOf(text...)
	s.plans[key] = sum
	return sum
}

func first(list []int) *int {
	if len(list) == 0 {
		return nil
	}
	return &list[0]
}

// classesOf gives the test classes that have a part in a verdict, sorted.
func (s *situation) classesOf(t exec.Task) []string {
	in := map[string]bool{}
	for _, i := range t.Reach {
		in[s.deps.Of[i]] = true
	}
	return sortedKeys(in)
}

func (s *situation) class(class string) string {
	sum, ok := s.classes[class]
	if !ok {
		sum = sumOf(s.use(s.deps.Class[class], false), s.around(s.deps.Class[class]))
		s.classes[class] = sum
	}
	return sum
}

// use sums up files and directories. In directories that are listed while the
// suite is being built, files of test classes do not count: that PHPUnit finds
// them shows in the tests.
func (s *situation) use(paths []string, building bool) string {
	var text []string
	for _, p := range paths {
		sum := s.path(p)
		if building && strings.HasSuffix(p, "/") {
			sum = s.listing(p, s.deps.Tests)
		}
		if sum != "" {
			text = append(text, p, sum)
		}
	}
	return sumOf(text...)
}

// path sums up a file or, with a slash at the end, the names in a directory;
// "" where there is none.
func (s *situation) path(p string) string {
	sum, ok := s.paths[p]
	if ok {
		return sum
	}
	switch {
	case p == "*":
		var text []string
		for _, name := range s.names {
			text = append(text, name, s.path(name))
		}
		sum = sumOf(text...)
	case p == ".git" || strings.HasPrefix(p, ".git/"):
		sum = s.version()
	case strings.HasPrefix(p, "node_modules/"):
		sum = s.once("modules", func() string {
			sum, err := treeSum(s.absolute("node_modules"), nil)
			if err != nil {
				return err.Error()
			}
			return sum
		})
	case strings.HasSuffix(p, "/"):
		sum = s.listing(p, nil)
	case !slices.Contains(s.outputs, s.absolute(p)):
		sum = fileSum(s.absolute(p))
	}
	s.paths[p] = sum
	return sum
}

func (s *situation) absolute(p string) string {
	if filepath.IsAbs(p) {
		return p
	}
	return filepath.Join(s.root, filepath.FromSlash(p))
}

func (s *situation) listing(dir string, without map[string]bool) string {
	entries, err := os.ReadDir(s.absolute(dir))
	if err != nil {
		return ""
	}
	var text []string
	for _, e := range entries {
		rel := path.Join(dir, e.Name())
		if without[rel] || slices.Contains(s.outputs, s.absolute(rel)) || strings.HasPrefix(e.Name(), ".phpunit") {
			continue
		}
		text = append(text, e.Name(), e.Type().String())
	}
	return sumOf(text...)
}

// fileSum is over the bytes of a file and whether it may be run; "" where there
// is none.
func fileSum(abs string) string {
	info, err := os.Stat(abs)
	if err != nil || info.IsDir() {
		return ""
	}
	if !info.Mode().IsRegular() {
		return info.Mode().String()
	}
	f, err := os.Open(abs)
	if err != nil {
		return "closed"
	}
	defer f.Close()
	h := sha256.New()
	fmt.Fprintln(h, info.Mode()&0o111 != 0)
	if _, err := io.Copy(h, f); err != nil {
		return "closed"
	}
	return hex.EncodeToString(h.Sum(nil))
}

// besides gives what was opened while a mutant was judged and is not among
// what its tests use in any case.
func (s *situation) besides(t exec.Task, opened []string) []string {
	if len(opened) == 0 {
		return nil
	}
	classes := s.classesOf(t)
	var out []string
	for _, p := range opened {
		_, common := s.common[p]
		if common && !strings.HasSuffix(p, "/") || p == t.Mutant.Source.Path || slices.ContainsFunc(classes, func(c string) bool {
			_, found := slices.BinarySearch(s.deps.Class[c], p)
			return found
		}) {
			continue
		}
		if s.path(p) == "" && !strings.HasSuffix(p, ".php") {
			continue // of the tests' own making; were it to come, nothing would be used again
		}
		out = append(out, p)
	}
	return out
}

// restsSum sums up what a verdict rests on besides its plan.
func (s *situation) restsSum(opened []string, whole bool) string {
	if len(opened) == 0 && !whole {
		return ""
	}
	text := []string{s.use(opened, false), s.around(opened)}
	if whole {
		text = append(text, s.tests...)
		for _, class := range sortedKeys(s.deps.Class) {
			text = append(text, s.class(class))
		}
	}
	return sumOf(text...)
}

// doubts reports whether a verdict may have rested on a PHP file not being
// there that is now, or the other way round: whatever it used holds the name of
// such a file.
func (s *situation) doubts(t exec.Task, k keptVerdict, n *news) bool {
	if len(n.stems) == 0 {
		return false
	}
	if n.fresh == nil {
		n.fresh = map[string]bool{"": s.mention(s.deps.Common, n)}
		for class, paths := range s.deps.Class {
			n.fresh[class] = s.mention(paths, n)
		}
	}
	if n.fresh[""] || s.mention(k.Opened, n) || s.mention([]string{t.Mutant.Source.Path}, n) || n.named([]byte(strings.ToLower(t.Mutant.Edit.New))) {
		return true
	}
	classes := s.classesOf(t)
	if k.Whole {
		classes = sortedKeys(s.deps.Class)
	}
	return slices.ContainsFunc(classes, func(c string) bool { return n.fresh[c] })
}

func (s *situation) mention(paths []string, n *news) bool {
	return slices.ContainsFunc(paths, func(p string) bool {
		if p == "*" {
			return true
		}
		return n.named(s.text(p))
	})
}

// named reports whether a text in lower case holds the name of a PHP file that
// is new or gone.
func (n *news) named(text []byte) bool {
	return slices.ContainsFunc(n.stems, func(stem string) bool { return bytes.Contains(text, []byte(stem)) })
}

// text gives the text of a file of the project in lower case; none for what
// lies in packages and for directories.
func (s *situation) text(p string) []byte {
	if filepath.IsAbs(p) || strings.HasPrefix(p, "vendor/") || strings.HasSuffix(p, "/") {
		return nil
	}
	text, ok := s.texts[p]
	if !ok {
		b, _ := project.ReadFile(s.absolute(p)) // what is not there says nothing
		text = bytes.ToLower(b)
		s.texts[p] = text
	}
	return text
}

// touchedSince reports whether something that was summed up, or that is under
// change, was written after a time, or a directory of the project had entries
// made or removed.
func (s *situation) touchedSince(began time.Time) bool {
	after := func(abs string) bool {
		info, err := os.Stat(abs)
		return err == nil && info.ModTime().After(began)
	}
	for p := range s.paths {
		if strings.HasPrefix(p, "\x00") {
			continue // not a path
		}
		if !strings.HasSuffix(p, "/") && p != "*" && after(s.absolute(p)) {
			return true
		}
	}
	for p := range s.sources {
		if after(s.absolute(p)) {
			return true
		}
	}
	touched := false
	filepath.WalkDir(s.root, func(p string, d fs.DirEntry, err error) error {
		switch {
		case touched:
			return filepath.SkipAll
		case err != nil || !d.IsDir(): // files have been looked at
		case d.Name() == "vendor", d.Name() == "node_modules", d.Name() == ".git", strings.HasPrefix(d.Name(), ".phpunit"), slices.Contains(s.outputs, p):
			return filepath.SkipDir
		default:
			touched = after(p)
		}
		return nil
	})
	return touched
}

// projectNames lists what is in a project, sorted: files, links with what they
// lead to, and empty directories with a slash at the end. Packages, version
// control, what PHPUnit keeps for itself and outputs are left out.
func projectNames(root string, outputs []string) ([]string, error) {
	var names []string
	kids := map[string]int{}
	var dirs []string
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		rel, relErr := filepath.Rel(root, p)
		if relErr != nil || rel == "." {
			return relErr
		}
		rel = filepath.ToSlash(rel)
		if err != nil {
			names = append(names, rel+" closed")
			return nil
		}
		kids[path.Dir(rel)]++
		if strings.HasPrefix(d.Name(), ".phpunit") || slices.Contains(outputs, p) {
			if d.IsDir() {
				return filepath.SkipDir
			}
			return nil
		}
		switch {
		case rel == "vendor", rel == "node_modules", rel == ".git":
			if d.IsDir() {
				return filepath.SkipDir
			}
		case d.IsDir():
			dirs = append(dirs, rel)
			return nil
		case d.Type()&fs.ModeSymlink != 0:
			to, _ := os.Readlink(p) // "" stands for what cannot be read
			rel += " -> " + to
		}
		names = append(names, rel)
		return nil
	})
	for _, d := range dirs {
		if kids[d] == 0 {
			names = append(names, d+"/")
		}
	}
	slices.Sort(names)
	return names, err
}
