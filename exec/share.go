package exec

// Which tests can see what others have left behind.

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"assay/mutate"
	"assay/mutate/syntax"
)

// objectInData begins the name of an object that several tests get in their data.
const objectInData = "object in data "

// anyState stands for state of which nothing is known.
const anyState = "*"

// shareState groups the tests that touch the same state which outlives them:
// through code under test, through test files and helpers, all of which have
// points for that, through files that nobody could know beforehand, or through
// objects in the data of several tests. State that no code writes to, once it is
// there, carries nothing from test to test. heirs are tests that did other work
// in the whole suite, for whatever reason.
func (x *explorer) shareState(heirs map[int]bool) {
	s := x.s
	s.inspects = make([]bool, len(s.rows))
	uses := make([]map[string]bool, len(s.rows))
	for i := range uses {
		uses[i] = map[string]bool{}
	}
	at, pointed := map[int][]mutate.Use{}, map[string]bool{}
	for _, p := range slices.Concat(x.files, x.helpers) {
		pointed[p.Source.Path] = !s.dropped[p.Source.Path]
		maps.Copy(at, p.Uses)
	}
	unseen := map[string]bool{}
	for _, p := range slices.Concat(x.files, x.helpers) {
		unseen[p.Source.Path] = p.InspectsUnseen
	}
	classes := x.helpersOf(pointed, unseen)
	for i, r := range s.rows {
		s.inspects[i] = classes[r.Class].inspects
		if classes[r.Class].shares || heirs[i] || slices.Contains(s.always, i) && !passes(x.inside[r.Class], i) {
			uses[i][anyState] = true // of a test that failed with probes nobody knows what it touches afterwards
		}
		for _, o := range r.Objects {
			uses[i][fmt.Sprint(objectInData, o)] = true
		}
	}
	for _, o := range append(slices.AppendSeq(slices.Collect(maps.Values(x.apart)), maps.Values(x.inside)), x.probes) {
		for _, t := range o.Tests {
			for p := range t.Points {
				for _, u := range at[p] {
					if t.Test >= 0 {
						uses[t.Test][u.Of] = true
					}
				}
			}
		}
	}
	s.looks, s.evals = make([]bool, len(s.rows)), make([]bool, len(s.rows))
	for i, names := range uses {
		s.looks[i] = names[mutate.StateFiles]
		s.evals[i] = names[mutate.StateDeclared]
	}
	x.noteFinders(at, uses)
	s.timed = x.plain.facts.Fatal["time_limit"]
	book := x.bookOfState()
	s.launches = book.launches
	x.noteMakers(at, book)
	s.groupBy(uses, book.live)
	s.noteSettling(uses, book.live)
	s.unwinds = book.unwinds
}

// noteSettling notes of which tests a process can be asked for all the state that they
// share, and in which groups that may come to stay as it is.
func (s *Survey) noteSettling(uses []map[string]bool, live func(string) bool) {
	s.shown = make([]bool, len(s.rows))
	for i, names := range uses {
		s.shown[i] = true
		for name := range names {
			s.shown[i] = s.shown[i] && (mutate.IsShown(name) || !live(name))
		}
	}
	s.settles = make([]bool, len(s.groups))
	for g, tests := range s.groups {
		s.settles[g] = slices.ContainsFunc(tests, func(i int) bool { return s.shown[i] }) &&
			!slices.ContainsFunc(tests, s.linked)
	}
}

// noteFinders notes which tests may find something that was left while the data of
// others were made: in state to which some data provider may write, and which their
// own uses, or they do themselves, or one that found something there before. uses has
// the state that each test uses.
func (x *explorer) noteFinders(at map[int][]mutate.Use, uses []map[string]bool) {
	written := map[string]bool{}
	building := map[string]map[string]bool{} // "Class::method" => what is used while its data are made
	for owner, points := range x.built {
		building[owner] = map[string]bool{}
		for _, p := range points {
			for _, u := range at[p] {
				building[owner][u.Of] = true
				if u.Access != mutate.Looks {
					written[u.Of] = true
				}
			}
		}
	}
	of, users := map[string][]string{}, map[string][]string{} // owner => such state that it uses, and the other way round
	for owner, names := range building {
		of[owner] = meeting(names, written)
		for _, name := range of[owner] {
			users[name] = append(users[name], owner)
		}
	}
	tests := map[string][]int{}
	for i := range x.s.rows {
		for _, name := range slices.Concat(meeting(uses[i], written), of[x.s.method(i)]) {
			tests[name] = append(tests[name], i)
		}
	}
	x.s.finders = map[string][]int{}
	for owner := range x.built {
		seen := map[string]bool{}
		for queue := slices.Clone(of[owner]); len(queue) > 0; queue = queue[1:] {
			if name := queue[0]; !seen[name] {
				seen[name] = true
				x.s.finders[owner] = union(x.s.finders[owner], tests[name])
				for _, other := range users[name] {
					queue = append(queue, of[other]...)
				}
			}
		}
	}
}

// meeting gives those of the second names that stand for some of the first, or these
// for them.
func meeting(some, names map[string]bool) (out []string) {
	for name := range names {
		for other := range some {
			if covers(name, other) || covers(other, name) {
				out = append(out, name)
				break
			}
		}
	}
	return out
}

// bookOfState tells what state can carry something from test to test: what is
// written to by code that tests load or that is under test, reached or not, for
// a change may have it reached. What a class sets up once for its own tests,
// which only look at it, carries nothing.
func (x *explorer) bookOfState() *stateBook {
	loaded := maps.Clone(x.loaded)
	for _, o := range append(slices.Collect(maps.Values(x.apart)), x.probes) {
		for _, t := range o.Tests {
			for _, f := range t.Files {
				loaded[f] = true
			}
		}
	}
	b := &stateBook{written: map[string]bool{}, setUp: map[string]bool{}, held: map[string]bool{}, user: map[string]string{}, libraries: map[string]bool{}}
	for _, p := range x.files {
		b.note(p)
	}
	for _, p := range x.helpers {
		if loaded[p.Source.Path] {
			b.note(p)
		}
	}
	for path := range loaded {
		if slashed := "/" + filepath.ToSlash(path); strings.Contains(slashed, "/vendor/") && !ownLibraries.MatchString(slashed) {
			b.noteLibrary(filepath.Join(x.e.set.Root, filepath.FromSlash(path)))
		}
	}
	for path := range x.outside {
		if !ownFolders.MatchString(filepath.ToSlash(path)) {
			b.noteLibrary(path)
		}
	}
	return b
}

// stateBook has what is known of each piece of state, by its name.
type stateBook struct {
	written   map[string]bool
	setUp     map[string]bool   // in the fixture of a class
	held      map[string]bool   // somebody may have got hold of an object in it
	user      map[string]string // the file that uses it, or severalFiles
	libraries map[string]bool   // libraries may write to it
	launches  bool              // a library may start processes
	unwinds   bool              // see mutate.Points
}

const severalFiles = "\x00"

// launchers start other processes.
var launchers = regexp.MustCompile(`(?i)\b(proc_open|popen|exec|shell_exec|system|passthru|pcntl_fork)\s*\(`)

func (b *stateBook) note(p *mutate.Points) {
	b.unwinds = b.unwinds || p.Unwinds
	for _, u := range p.Everywhere {
		switch {
		case u.Access == mutate.Writes && u.OnceAClass:
			b.setUp[u.Of] = true
		case u.Access == mutate.Writes:
			b.written[u.Of] = true
		case u.Access == mutate.Holds:
			b.held[u.Of] = true
		}
		if was, ok := b.user[u.Of]; ok && was != p.Source.Path {
			b.user[u.Of] = severalFiles
		} else {
			b.user[u.Of] = p.Source.Path
		}
	}
}

func (b *stateBook) live(name string) bool {
	if strings.HasSuffix(name, anyState) || strings.HasPrefix(name, objectInData) || b.setUp[name] && (b.held[name] || b.user[name] == severalFiles) {
		return true
	}
	for w := range b.written {
		if covers(w, name) {
			return true
		}
	}
	return false
}

// covers reports whether one name of state stands for another as well.
func covers(wide, name string) bool {
	head, ok := strings.CutSuffix(wide, anyState)
	return wide == name || ok && strings.HasPrefix(name, head)
}

// noteLibrary notes what a loaded file of somebody else's may write to.
func (b *stateBook) noteLibrary(path string) {
	src, err := os.ReadFile(path)
	b.unwinds = b.unwinds || mutate.Unwinds(path, src)
	b.launches = b.launches || err != nil || launchers.Match(src)
	names := mutate.WritesIn(src)
	if err != nil { // not known: the careful answer
		names = mutate.WritableState()
	}
	for _, name := range names {
		b.written[name], b.libraries[name] = true, true
	}
}

// groupBy joins the tests that use the same live state, and those that build on
// each other's results with them.
func (s *Survey) groupBy(uses []map[string]bool, live func(string) bool) {
	parent := make([]int, len(uses))
	for i := range parent {
		parent[i] = i
	}
	root := func(i int) int {
		for parent[i] != i {
			parent[i] = parent[parent[i]]
			i = parent[i]
		}
		return i
	}
	shares := make([]bool, len(uses))
	first := map[string]int{} // name => the first test that uses it
	for i, names := range uses {
		for name := range names {
			if !live(name) {
				continue
			}
			shares[i] = true
			if j, ok := first[name]; ok {
				parent[root(i)] = root(j)
			} else {
				first[name] = i
			}
		}
	}
	for wide, i := range first {
		for name, j := range first {
			if covers(wide, name) {
				parent[root(i)] = root(j)
			}
		}
	}
	for i, needs := range s.needs {
		for _, j := range needs {
			parent[root(i)] = root(j)
		}
	}
	sharing := map[int]bool{}
	for i := range uses {
		if shares[i] {
			sharing[root(i)] = true
		}
	}
	s.groups, s.group = nil, make([]int, len(uses))
	number := map[int]int{}
	for i := range uses {
		s.group[i] = noGroup
		if r := root(i); sharing[r] {
			if _, ok := number[r]; !ok {
				number[r] = len(s.groups)
				s.groups = append(s.groups, nil)
			}
			s.group[i] = number[r]
			s.groups[number[r]] = append(s.groups[number[r]], i)
		}
	}
}

// noGroup is the group of a test that shares nothing.
const noGroup = -1

// helpersOf says, of each test class, what is to be seen in the text of the
// files that its tests load: its own, what was loaded before the first test
// and is no other test class's, and what comes with its tests.
func (x *explorer) helpersOf(pointed, unseen map[string]bool) map[string]helper {
	known := map[string]helper{}
	look := func(path string) helper {
		h, ok := known[path]
		if !ok && filepath.Ext(path) == ".php" {
			h = lookAt(filepath.Join(x.e.set.Root, filepath.FromSlash(path)), pointed[path])
			h.inspects = h.inspects || unseen[path]
			known[path] = h
		}
		return h
	}
	own := map[string]string{} // class => its file
	isTest := map[string]bool{}
	for _, r := range x.s.rows {
		if own[r.Class] == "" {
			for path := range inRoot(x.plain.facts.Root, []string{r.File}) {
				own[r.Class], isTest[path] = path, true
			}
		}
	}
	var all helper
	for path := range x.loaded {
		if !isTest[path] {
			all = all.or(look(path))
		}
	}
	classes := map[string]helper{}
	for class, o := range x.apart {
		h := all.or(look(own[class]))
		for _, t := range o.Tests {
			for _, path := range t.Files {
				h = h.or(look(path))
			}
		}
		classes[class] = h
	}
	return classes
}

// helper is what the text of a loaded file says about the tests that load it.
type helper struct{ shares, inspects bool }

func (h helper) or(o helper) helper { return helper{h.shares || o.shares, h.inspects || o.inspects} }

// ownLibraries are folders of PHPUnit and Composer themselves, which do all of
// that and are no helpers of the tests.
var ownLibraries = regexp.MustCompile(`(^|/)vendor/(phpunit|sebastian|composer|myclabs|phar-io|theseer|nikic)/`)

// ownFolders are those of the same outside of projects.
var ownFolders = regexp.MustCompile(`(?i)/(phpunit|sebastianbergmann|deepcopy|phar-?io|theseer|composer|phpparser)/|\.phar`)

// lookAt reads a loaded file. State in libraries below vendor does not count:
// nearly all keep some, and none has been seen to carry a mutant's effect from
// test to test; what they do to files and PHP's settings does, see liveState.
// Of a file with points these tell more than its text.
func lookAt(path string, hasPoints bool) helper {
	if ownLibraries.MatchString(filepath.ToSlash(path)) {
		return helper{}
	}
	src, err := os.ReadFile(path)
	if err != nil {
		return helper{true, true} // not known: the careful answer
	}
	h := helper{inspects: !hasPoints && mutate.Inspecting.Match(src)}
	if hasPoints || strings.Contains(filepath.ToSlash(path), "/vendor/") {
		return h
	}
	f, err := syntax.Parse(path, src)
	h.shares = err != nil || mutate.SharesState(f)
	return h
}
