package exec

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"assay/exec/sandbox"
	"assay/mutate"
)

// Nobody can say of a line of code that it was run when it declares a constant. But
// who sees its value has named it, in code that has points, in a test file, or has
// got at it in one of the few ways that need no name; see mutate.Mentions. All other
// tests can be left out.

// mostRead bounds, in bytes, the files that are read for what they name.
const mostRead = 1 << 20

// PHPUnit and what it consists of read no constants but their own; defaults of
// parameters, of which doubles are made, are dealt with by themselves.
var instantiators = regexp.MustCompile(`(?i)/doctrine/instantiator/`)

// naming is what a file that is no source says of constants.
type naming struct {
	words     map[string]bool
	byAnyName bool
}

// seeConstant gives the tests that may see the value of a constant that a mutant
// changes; ok is false where that cannot be told from the constant's name.
func (s *Survey) seeConstant(m *mutate.Mutant) (tests []int, ok bool) {
	loads := s.byFile[m.Source.Path]
	sees := map[int]bool{}
	for path, p := range s.points {
		points := slices.Concat(p.Mentions.At[m.Constant], p.Mentions.ByAnyName)
		if p.Mentions.At == nil || len(points) > 0 && (s.dropped[path] || slices.Contains(p.Mentions.ByAnyName, mutate.FileLevel)) {
			points = nil
			for _, i := range s.byFile[path] {
				sees[i] = true
			}
		}
		for _, point := range points {
			if point == mutate.FileLevel || s.leftover[point] {
				return nil, false
			}
			for _, i := range s.passing(point) {
				sees[i] = true
			}
		}
		if p.Mentions.Inspected[m.Constant] {
			for _, i := range s.byFile[path] {
				sees[i] = sees[i] || s.inspects[i]
			}
		}
	}
	read := s.readersOf(m.Constant)
	for _, i := range loads {
		if sees[i] || read[s.rows[i].Class] {
			tests = append(tests, i)
		}
	}
	return tests, true
}

// readersOf gives the test classes of which some file that is no source names a
// constant, or may do without.
func (s *Survey) readersOf(constant string) map[string]bool {
	if classes, ok := s.readers[constant]; ok {
		return classes
	}
	d := s.Dependencies()
	reads := func(paths []string) bool {
		return slices.ContainsFunc(paths, func(path string) bool {
			r := s.look(path)
			return r.byAnyName || r.words[constant]
		})
	}
	classes := map[string]bool{}
	all := reads(d.Common)
	for _, r := range s.rows {
		if _, ok := classes[r.Class]; !ok {
			classes[r.Class] = all || reads(d.Class[r.Class])
		}
	}
	if s.readers == nil {
		s.readers = map[string]map[string]bool{}
	}
	s.readers[constant] = classes
	return classes
}

// look reads a file that tests use, once.
func (s *Survey) look(path string) naming {
	if r, ok := s.texts[path]; ok {
		return r
	}
	if s.texts == nil {
		s.texts = map[string]naming{}
	}
	s.texts[path] = s.readText(path)
	return s.texts[path]
}

func (s *Survey) readText(path string) naming {
	slashed := "/" + filepath.ToSlash(path)
	library := filepath.IsAbs(path) || strings.Contains(slashed, "/vendor/")
	switch {
	case s.points[path] != nil || library && (ownLibraries.MatchString(slashed) || ownFolders.MatchString(slashed) || instantiators.MatchString(slashed)):
		return naming{}
	case path == sandbox.Everything:
		return naming{byAnyName: true}
	case strings.HasSuffix(path, "/"):
		return naming{} // only its names were listed
	}
	full := path
	if !filepath.IsAbs(path) {
		full = filepath.Join(s.root, filepath.FromSlash(path))
	}
	info, err := os.Stat(full)
	if err == nil && (!info.Mode().IsRegular() || info.Size() > mostRead) {
		return naming{byAnyName: info.Mode().IsRegular()}
	}
	text, err := os.ReadFile(full)
	if err != nil {
		return naming{byAnyName: !os.IsNotExist(err)} // what tests make themselves is gone
	}
	return naming{byAnyName: mutate.ByAnyName(text), words: wordsOf(text)}
}
