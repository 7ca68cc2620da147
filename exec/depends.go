package exec

// What the unchanged tests use, so that their verdicts can be reused while none
// of it changes.

import (
	"context"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"assay/exec/sandbox"
	"assay/mutate"
	"assay/mutate/syntax"
)

// Dependencies are the files that the unchanged tests use: loaded, or opened in
// the project, by whatever process. Paths are relative to the root with "/", or
// absolute outside of it; one with "/" at its end is a directory whose names
// were listed; "*" is every file of the project. Some may be of the tests' own
// making.
type Dependencies struct {
	Common []string            // of every test
	Class  map[string][]string // of the tests of a class, besides
	Of     []string            // test => its class
	Tests  map[string]bool     // files of test classes
}

// Dependencies gives what the survey saw the tests use.
func (s *Survey) Dependencies() *Dependencies { return s.deps() }

// noteOutside keeps the names of loaded files that are not the project's.
func (x *explorer) noteOutside(root string, files []string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.outside == nil {
		x.outside = map[string]bool{}
	}
	for _, f := range files {
		if !sandbox.Within(root, f) && !sandbox.Within(x.e.dir, f) && !strings.Contains(f, "://") {
			x.outside[f] = true
		}
	}
}

// depend works out what the tests use. A file that was loaded or opened before
// the first test is used by all, for nobody knows what it did; but that of a
// test class, which PHPUnit loads in any case, only by its own tests and by
// what mentions a name that it declares, as long as loading it does nothing
// else but load other files, which are known themselves.
func (x *explorer) depend() *Dependencies {
	d := &Dependencies{Class: map[string][]string{}, Tests: map[string]bool{}}
	own := map[string]string{}
	for _, r := range x.s.rows {
		d.Of = append(d.Of, r.Class)
		for path := range inRoot(x.plain.facts.Root, []string{r.File}) {
			own[r.Class], d.Tests[path] = path, true
		}
	}
	g := &mentions{root: x.e.set.Root, glances: map[string]glance{}, declared: map[string][]string{}}
	apart := x.quietTestFiles(d.Tests, own, g)
	common := setOf(x.prepared.Opened)
	maps.Copy(common, x.loaded)
	maps.DeleteFunc(common, func(path string, _ bool) bool { return apart[path] })
	maps.Copy(common, x.outside)
	seen := maps.Clone(common)
	for class, o := range x.apart {
		used := x.usedBy(class, o)
		if own[class] != "" {
			used[own[class]] = true
		}
		maps.Copy(seen, used)
		d.Class[class] = slices.Sorted(maps.Keys(g.close(used)))
	}
	// What is opened only when all are run after each other may be any test's.
	for _, path := range x.probes.Opened {
		if !seen[path] && !apart[path] {
			common[path] = true
		}
	}
	d.Common = slices.Sorted(maps.Keys(g.close(common)))
	return d
}

// quietTestFiles gives the files of test classes whose loading only declares
// something, and whose data providers touch no state that others see.
func (x *explorer) quietTestFiles(tests map[string]bool, own map[string]string, g *mentions) map[string]bool {
	shared := map[int]bool{}
	for _, p := range slices.Concat(x.files, x.helpers) {
		for i, yes := range p.Shared {
			shared[p.First+i] = shared[p.First+i] || yes
		}
	}
	loud := map[string]bool{}
	for _, r := range x.s.rows {
		if slices.ContainsFunc(x.built[r.Class+"::"+r.Method], func(p int) bool { return shared[p] }) {
			loud[own[r.Class]] = true
		}
	}
	quiet := map[string]bool{}
	for path := range tests {
		if h := g.glance(path); h.plain && !loud[path] {
			quiet[path] = true
			for _, name := range h.names {
				g.declared[name] = append(g.declared[name], path)
			}
		}
	}
	return quiet
}

// usedBy gives the files that the tests of a class loaded or opened, without
// those of the suite's building.
func (x *explorer) usedBy(class string, o outcome) map[string]bool {
	used := map[string]bool{}
	load := func(files []string) {
		for _, f := range files {
			if !x.loaded[f] {
				used[f] = true
			}
		}
	}
	for _, t := range o.Tests {
		load(t.Files)
	}
	for _, t := range x.probes.Tests {
		if t.Test >= 0 && x.s.rows[t.Test].Class == class {
			load(t.Files)
		}
	}
	for _, t := range x.again[class].Tests {
		load(slices.Collect(maps.Keys(inRoot(x.plain.facts.Root, t.Files))))
	}
	for _, o := range []outcome{o, x.again[class]} {
		for _, path := range withoutBuilding(o, x.prepared.Opened) {
			used[path] = true
		}
	}
	return used
}

// withoutBuilding gives what an outcome's tests opened. Where the suite was built
// in the same process, what that opens in any case is left out.
func withoutBuilding(o outcome, building []string) []string {
	if o.Stage == 1 {
		return o.Opened
	}
	return slices.DeleteFunc(slices.Clone(o.Opened), func(path string) bool {
		_, found := slices.BinarySearch(building, path)
		return found && path != sandbox.Everything
	})
}

func setOf(list []string) map[string]bool {
	out := make(map[string]bool, len(list))
	for _, s := range list {
		out[s] = true
	}
	return out
}

// mentions knows which files hold the names that test files declare.
type mentions struct {
	root     string
	glances  map[string]glance
	declared map[string][]string // name in lower case => test files
}

// glance is what the text of a PHP file says.
type glance struct {
	plain bool            // loading it only declares classes and functions, and loads files
	names []string        // of these, in lower case
	words map[string]bool // all that may be a name, in lower case
}

func (g *mentions) glance(path string) glance {
	h, ok := g.glances[path]
	if ok {
		return h
	}
	if src, err := os.ReadFile(filepath.Join(g.root, filepath.FromSlash(path))); err == nil {
		h.words = map[string]bool{}
		for w := range wordsOf(src) {
			h.words[strings.ToLower(w)] = true
		}
		if f, err := syntax.Parse(path, src); err == nil && len(f.Damage) == 0 {
			h.plain, h.names = declares(f)
		}
	}
	g.glances[path] = h
	return h
}

// wordsOf gives all of a text that may be a name in PHP.
func wordsOf(text []byte) map[string]bool {
	words := map[string]bool{}
	begin := -1
	for i, c := range text {
		switch {
		case c == '_' || c >= 0x80 || 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z' || begin >= 0 && '0' <= c && c <= '9':
			if begin < 0 {
				begin = i
			}
		case begin >= 0:
			words[string(text[begin:i])] = true
			begin = -1
		}
	}
	if begin >= 0 {
		words[string(text[begin:])] = true
	}
	return words
}

// close adds the test files that a set of files mentions, and what these do.
func (g *mentions) close(files map[string]bool) map[string]bool {
	queue := slices.Collect(maps.Keys(files))
	for len(queue) > 0 {
		path := queue[0]
		queue = queue[1:]
		if !strings.HasSuffix(path, ".php") || filepath.IsAbs(path) || strings.HasPrefix(path, "vendor/") {
			continue // what others have written knows nothing of these tests
		}
		words := g.glance(path).words
		for name, where := range g.declared {
			if !words[name] {
				continue
			}
			for _, other := range where {
				if !files[other] {
					files[other] = true
					queue = append(queue, other)
				}
			}
		}
	}
	return files
}

// declares gives the names of the classes and functions of a file, and whether
// it does nothing but declare them and load files.
func declares(f *syntax.File) (only bool, names []string) {
	only = true
	var visit func(ns []*syntax.Node)
	visit = func(ns []*syntax.Node) {
		for _, n := range ns {
			switch {
			case n.Is("class_declaration", "interface_declaration", "trait_declaration", "enum_declaration", "function_definition"):
				names = append(names, strings.ToLower(f.Text(n.Child("name"))))
			case n.Is("namespace_definition"):
				if body := n.Child("body"); body != nil {
					visit(body.NamedChildren())
				}
			case n.Is("php_tag", "comment", "namespace_use_declaration", "empty_statement"):
			case n.Is("declare_statement") && strings.HasSuffix(strings.TrimSpace(f.Text(n)), ";"):
			case n.Is("expression_statement") && n.First("require_once_expression", "require_expression", "include_once_expression", "include_expression") != nil:
			default:
				only = false
			}
		}
	}
	visit(f.Root.NamedChildren())
	return only, names
}

// rests collects what a mutant's verdict rests on while it is judged.
type rests struct {
	opened map[string]bool
	whole  bool
}

// run asks for one child and notes what was used for it.
func (j *bench) run(ctx context.Context, w *worker, r runRequest) (outcome, error) {
	err := j.check(ctx, w, r.way())
	if err == errClosed && r.Mode != inOne {
		r.Whole, r.Place, r.Mutant = false, 0, 0
		err = j.check(ctx, w, r.way())
	}
	if err != nil {
		return outcome{}, err
	}
	o, err := w.run(ctx, r)
	j.rest(w, o)
	j.mu.Lock()
	defer j.mu.Unlock()
	if n := j.rests[w]; n != nil {
		n.whole = n.whole || r.Tests == nil && r.Mode != inOne
	}
	return o, err
}

// rest notes what was used for an outcome.
func (j *bench) rest(w *worker, o outcome) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if n := j.rests[w]; n != nil {
		for _, path := range withoutBuilding(o, w.facts.Opened) {
			n.opened[path] = true
		}
	}
}

// begin forgets what a worker's last verdict rested on.
func (j *bench) begin(w *worker) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.rests[w] = &rests{opened: map[string]bool{}}
}

func (j *bench) restsOf(w *worker) mutate.Rests {
	j.mu.Lock()
	defer j.mu.Unlock()
	n := j.rests[w]
	return mutate.Rests{Opened: slices.Sorted(maps.Keys(n.opened)), Whole: n.whole}
}
