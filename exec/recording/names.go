package recording

import (
	"iter"
	"maps"
	"path"
	"regexp"
	"slices"
	"strings"

	"assay/exec/wire"
)

// ownIn gives the patterns of the names of roots that a segment leaves, and that are others in
// every run.
func (r *Recording) ownIn(n int, plain *Run) []string {
	in := map[string]bool{}
	if n < len(plain.Files) {
		for file := range plain.Files[n] {
			if r.single[FileRoot(file)] {
				in[r.patternOf(FileRoot(file))] = true
			}
		}
	}
	if n < len(plain.Segments) {
		for root := range plain.Segments[n].Changes {
			if r.single[root] {
				in[r.patternOf(root)] = true
			}
		}
	}
	delete(in, "")
	return slices.Sorted(maps.Keys(in))
}

// patternOf gives a pattern of the name of a root: the words that the two runs do not share are
// "*". Whoever makes names that differ from run to run makes them after one pattern; a name
// that a mutant leaves counts as such a one only if it is made after it, too. "" for a root that
// is neither a file nor a static property or variable.
func (r *Recording) patternOf(root string) string {
	dir, name := declared, root
	switch {
	case strings.HasPrefix(root, FileRoot("")):
		dir, name = path.Dir(root)+"/", path.Base(root)
	case !strings.Contains(root, "::$") && !strings.HasPrefix(root, "static $"):
		return ""
	}
	return dir + aWord.ReplaceAllStringFunc(name, func(word string) string {
		if r.common[word] {
			return word
		}
		return "*"
	})
}

var aWord = regexp.MustCompile(`[0-9A-Za-z]+`)

func wordsOf(root string) []string { return aWord.FindAllString(root, -1) }

// inBoth gives what two lists share.
func inBoth(a, b []string) map[string]bool {
	in, both := map[string]bool{}, map[string]bool{}
	for _, word := range a {
		in[word] = true
	}
	for _, word := range b {
		if in[word] {
			both[word] = true
		}
	}
	return both
}

// isOwn reports whether a root that no recording has has a name of its own in every run, after
// one of some patterns, or lies in a directory that has.
func (r *Recording) isOwn(root string, patterns map[string]bool) bool {
	for root != "" && r.history[root] == nil {
		pattern := r.patternOf(root)
		if _, forgiven := r.patterns.Load(pattern); pattern != "" && (forgiven || patterns[pattern]) {
			return true
		}
		above := path.Dir(root)
		if !strings.HasPrefix(root, FileRoot("")) || above == "." || above == root {
			return false
		}
		root = above
	}
	return false
}

// Own gives those of some changes that are to roots with a name of their own in every run, as
// some segments leave them; sorted.
func (r *Recording) Own(changes wire.Changes, segments []int) []string {
	return r.ownOf(maps.Keys(changes), r.patternsOf(segments))
}

// Own gives those roots that the replay has changed, and whose names count as others in every
// run; sorted.
func (t *Tracker) Own() []string { return t.r.ownOf(maps.Keys(t.left), t.patterns) }

func (r *Recording) ownOf(roots iter.Seq[string], patterns map[string]bool) []string {
	var out []string
	for root := range roots {
		if r.isOwn(root, patterns) {
			out = append(out, root)
		}
	}
	slices.Sort(out)
	return out
}

func (r *Recording) patternsOf(segments []int) map[string]bool {
	patterns := map[string]bool{}
	for _, n := range segments {
		for _, pattern := range r.Segments[n].OwnIn {
			patterns[pattern] = true
		}
	}
	return patterns
}

// LeavesOwn reports whether a segment leaves static variables or properties of what is declared
// under another name in every run.
func (r *Recording) LeavesOwn(segment int) bool {
	is := slices.ContainsFunc(r.Segments[segment].OwnIn, isDeclared)
	r.patterns.Range(func(pattern, _ any) bool {
		is = is || isDeclared(pattern.(string))
		return !is
	})
	return is
}

func isDeclared(pattern string) bool { return strings.HasPrefix(pattern, declared) }

// DeclaredRoots gives the static variables and properties that the recordings have, sorted.
func (r *Recording) DeclaredRoots() []string {
	var out []string
	for root := range r.history {
		if isDeclared(r.patternOf(root)) {
			out = append(out, root)
		}
	}
	slices.Sort(out)
	return out
}
