//go:build linux

package exec

import (
	"fmt"
	"maps"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"

	"assay/exec/recording"
	"assay/exec/sandbox"
	"assay/mutate"
)

// What a source declares may have been declared by another file when the source could
// have been loaded: by the copy of a library that PHPUnit itself uses, or by a package
// that replaces it. Then no test runs the source, and no change in it shows.

// declaredIn gives the names of what some sources declare, as wire.Setup has them.
func declaredIn(files []*mutate.Points) []string {
	var names []string
	for _, p := range files {
		names = slices.AppendSeq(names, maps.Keys(p.Links))
		for _, f := range p.Functions {
			names = append(names, f+"()")
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// findElsewhere finds the sources of which something was declared by a file that is none
// of them, and nothing by themselves.
func (b *Baseline) findElsewhere(e *Engine, plain *recording.Run) {
	b.elsewhere = map[string]string{}
	declared := map[string][2]string{}
	for _, d := range plain.Declared {
		declared[strings.ToLower(d[0])] = d
	}
	var ours, others []string // of PHPUnit, and of anybody else
	for _, path := range slices.Sorted(maps.Keys(b.points)) {
		p := b.points[path]
		d, is := b.declaredElsewhere(plain.Root, p, declared)
		if !is || p.Count == 0 || len(p.Links) > 0 && b.isRun(p) {
			continue
		}
		b.elsewhere[path] = fmt.Sprintf("%s (%s comes from %s)", path, d[0], e.own(plain.Root, d[1]))
		if isOfPHPUnit(plain, d[1]) {
			ours = append(ours, b.elsewhere[path])
		} else {
			others = append(others, b.elsewhere[path])
		}
	}
	if len(ours) > 0 {
		b.Notes = append(b.Notes, mutate.Note{Kind: "elsewhere", Text: "No test runs what these files declare, for PHPUnit itself uses another copy, which is loaded first: " +
			strings.Join(ours, ", ") + ". " + usePhar})
	}
	if len(others) > 0 {
		b.Notes = append(b.Notes, mutate.Note{Kind: "elsewhere", Text: "No test runs what these files declare, for other files that declare it are loaded first: " + strings.Join(others, ", ") + "."})
	}
}

const usePhar = "Run the tests with a PHPUnit whose own classes have other names, as those in its phar have: --phpunit phpunit.phar."

// declaredElsewhere gives what another file has declared of what a source declares, with
// that file, unless that is a source, too, or the source has declared something itself.
func (b *Baseline) declaredElsewhere(root string, p *mutate.Points, declared map[string][2]string) (first [2]string, is bool) {
	for _, name := range declaredIn([]*mutate.Points{p}) {
		d, known := declared[name]
		if !known {
			continue
		}
		if sandbox.Within(root, d[1]) && b.points[strings.TrimPrefix(d[1], root+"/")] != nil {
			return first, false
		}
		if !is {
			first, is = d, true
		}
	}
	return first, is
}

// isRun reports whether code of a source is run anywhere, as in another process.
func (b *Baseline) isRun(p *mutate.Points) bool {
	for id := p.First; id < p.First+p.Count; id++ {
		if len(b.rec.Passing(id)) > 0 {
			return true
		}
	}
	return false
}

// packagesOfPHPUnit are those that Composer installs for it (phpunit/phpunit 9.6 to 13,
// composer.json).
var packagesOfPHPUnit = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`/(phpunit|sebastian|myclabs|phar-io|theseer|nikic|staabm|doctrine/instantiator)/`)
})

// isOfPHPUnit reports whether a file is of PHPUnit, or of what was installed with it.
func isOfPHPUnit(plain *recording.Run, file string) bool {
	if strings.HasPrefix(file, "phar://") {
		return true
	}
	for _, c := range plain.Classes {
		if c[0] != `PHPUnit\Runner\Version` {
			continue
		}
		dir := filepath.Dir(filepath.Dir(filepath.Dir(c[1]))) // of all packages, as a distribution has them
		if rest, is := strings.CutSuffix(dir, "/phpunit/phpunit"); is {
			return sandbox.Within(rest, file) && packagesOfPHPUnit().MatchString(strings.TrimPrefix(file, rest))
		}
		return sandbox.Within(dir, file)
	}
	return false
}

// LeaveOutElsewhere takes out the tasks whose mutants nothing reaches because what their
// file declares comes from another file: they say nothing of the tests. Where none is left
// that anything reaches, that is a *ProjectError.
func (b *Baseline) LeaveOutElsewhere(tasks []Task) ([]Task, error) {
	if len(b.elsewhere) == 0 {
		return tasks, nil
	}
	left := slices.DeleteFunc(slices.Clone(tasks), func(t Task) bool {
		return len(t.Pairs)+t.Same == 0 && b.elsewhere[t.Mutant.Source.Path] != ""
	})
	if len(left) < len(tasks) && !slices.ContainsFunc(left, func(t Task) bool { return len(t.Pairs)+t.Same > 0 }) {
		i := slices.IndexFunc(b.Notes, func(n mutate.Note) bool { return n.Kind == "elsewhere" })
		return nil, &ProjectError{"no test reaches any of the mutants", b.Notes[i].Text}
	}
	return left, nil
}

// HasElsewhere reports whether there are sources of that kind.
func (b *Baseline) HasElsewhere() bool { return len(b.elsewhere) > 0 }
