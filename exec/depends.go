//go:build linux

package exec

// What the unchanged tests use, so that their verdicts can be reused while none of it
// changes.

import (
	"maps"
	"slices"
	"strings"

	"assay/exec/recording"
	"assay/exec/supervisor"
)

// Dependencies are the files that the unchanged tests use: loaded, or opened in the
// project, by whatever process. Paths are relative to the root with "/", or absolute
// outside of it; one with "/" at its end is a directory whose names were listed; "*" is
// every file of the project. Some may be of the tests' own making.
type Dependencies struct {
	Common []string            // of every test
	Class  map[string][]string // of the tests of a class, besides
	Of     []string            // test => its class
	// Outcomes has, for each test, what came of it and a digest of its data.
	Outcomes []string
	Tests    map[string]bool // files of test classes
}

// Shape tells apart what recordings saw of a suite; see recording.Recording.Shape.
func (b *Baseline) Shape() string { return b.rec.Shape() }

// Dependencies gives what the tests were seen to use.
func (b *Baseline) Dependencies() *Dependencies { return b.deps() }

// testFiles begins with the files of test classes, each with its classes.
func (b *Baseline) testFiles() (d *Dependencies, own map[string]map[string]bool) {
	d, own = &Dependencies{Class: map[string][]string{}, Tests: map[string]bool{}}, map[string]map[string]bool{}
	for _, t := range b.rec.Tests {
		d.Of, d.Outcomes = append(d.Of, t.Class), append(d.Outcomes, t.Outcome+" "+t.Data)
		for path := range recording.InRoot(b.plainRoot, []string{t.File}) {
			d.Tests[path] = true
			if own[path] == nil {
				own[path] = map[string]bool{}
			}
			own[path][t.Class] = true
		}
	}
	return d, own
}

// depend works out what the tests use. A file that was loaded or opened before the first
// test is used by all, for nobody knows what it did. One that is loaded later is only
// seen to be by the first that needs it: a source is used by all who may see it, as what
// they run names what it declares; any other is used by all.
func (b *Baseline) depend() *Dependencies {
	d, own := b.testFiles()
	common, loaded, class := map[string]bool{}, map[string]bool{}, map[string]map[string]bool{}
	use := func(of, path string) {
		if class[of] == nil {
			class[of] = map[string]bool{}
		}
		class[of][path] = true
	}
	for n, s := range b.rec.Segments {
		of := s.Class
		for _, path := range slices.Concat(s.Loaded, s.Opened, s.Used, b.sourcesRun(n)) {
			switch {
			case d.Tests[path] && len(own[path]) == 1:
				continue // credited below
			case n == 0 || of == "":
				common[path] = true
			case slices.Contains(s.Loaded, path):
				loaded[path] = true
			default:
				use(of, path)
			}
		}
	}
	for path := range loaded {
		for _, of := range b.usersOf(path, own) {
			if of == "" {
				common[path] = true
			} else {
				use(of, path)
			}
		}
	}
	for path, classes := range own {
		for c := range classes {
			use(c, path)
		}
		for _, other := range b.files.mentionedIn(path, own) {
			for c := range own[other] {
				use(c, path)
			}
		}
	}
	for path := range b.outside {
		common[path] = true
	}
	for c, paths := range class {
		maps.DeleteFunc(paths, func(path string, _ bool) bool { return common[path] })
		d.Class[c] = slices.Sorted(maps.Keys(paths))
	}
	d.Common = slices.Sorted(maps.Keys(common))
	return d
}

// usersOf gives the classes whose tests may use a file that was loaded behind the
// building of the suite; "" stands for all. own has the classes of each test file, which
// PHPUnit loads for them and which nobody else uses for that.
func (b *Baseline) usersOf(path string, own map[string]map[string]bool) []string {
	names := b.namesIn(path)
	if len(names.short) == 0 {
		return []string{""}
	}
	var out []string
	for _, n := range b.segmentsWith(path, whole, func(w *wordsIn) bool { return w.uses(names) }) {
		if n > 0 {
			out = append(out, b.rec.Segments[n].Class)
		}
	}
	build := b.rec.Segments[0]
	for _, file := range slices.Concat(build.Loaded, build.Opened, build.Used) {
		switch {
		case file == supervisor.Everything:
			out = append(out, "")
		case !b.files.of(file).uses(names):
		case own[file] != nil:
			out = slices.AppendSeq(out, maps.Keys(own[file]))
		default:
			out = append(out, "")
		}
	}
	return out
}

// mentionedIn gives the other test files that name what the file at a path is called
// after: they may use it.
func (f *fileWords) mentionedIn(path string, tests map[string]map[string]bool) (others []string) {
	name := strings.ToLower(strings.TrimSuffix(path[strings.LastIndexByte(path, '/')+1:], ".php"))
	for other := range tests {
		if other != path && f.of(other).lower[name] {
			others = append(others, other)
		}
	}
	return others
}
