//go:build linux

package exec

import (
	"maps"
	"os"
	"slices"

	"assay/mutate"
)

// schemata are the mutants that can be selected: several in one text of a file.
type schemata struct {
	texts  map[string][]byte // path => text with mutants
	number map[*mutate.Mutant]int
	place  map[int]int // number of a mutant => that of its place
}

// selectable reports whether a mutant's file can be loaded with its mutants in it: it is
// loaded by the process that runs the tests, and nobody reads it as text before that.
func (b *Baseline) selectable(m *mutate.Mutant) bool {
	path := m.Source.Path
	if m.Place.Kind == mutate.NoPlace || m.Place.Point == mutate.FileLevel || b.dropped[path] ||
		m.Place.Point != m.Point { // it would be chosen where a function is made, and seen where that is run
		return false
	}
	loaded, ok := b.rec.LoadedIn(path)
	return ok && !b.readBefore(path, loaded)
}

// readBefore reports whether a source is opened, without being loaded, up to a segment.
func (b *Baseline) readBefore(path string, segment int) bool {
	for n := 0; n <= segment; n++ {
		if slices.Contains(b.rec.Segments[n].Reads, path) || n < segment && slices.Contains(b.rec.Segments[n].Loaded, path) {
			return true
		}
	}
	return false
}

// combine makes the schemata of tasks. Where PHP does not take them, it is asked about
// the mutants one by one.
func (e *Engine) combine(b *Baseline, tasks []Task) (*schemata, error) {
	c := &schemata{texts: map[string][]byte{}, number: map[*mutate.Mutant]int{}, place: map[int]int{}}
	if e.set.SwapOnly || !e.forks() || e.changesPlaces.Load() {
		return c, nil
	}
	byFile := map[string][]mutate.Numbered{}
	fit := map[string]bool{}
	for i, t := range tasks {
		path := t.Mutant.Source.Path
		if len(t.Pairs) == 0 {
			continue
		}
		yes, ok := fit[path]
		if !ok {
			loaded, is := b.rec.LoadedIn(path)
			yes = is && !b.readBefore(path, loaded)
			fit[path] = yes
		}
		if yes && b.selectable(t.Mutant) {
			byFile[path] = append(byFile[path], mutate.Numbered{Mutant: t.Mutant, Number: i + 1})
		}
	}
	for _, path := range slices.Sorted(maps.Keys(byFile)) {
		combined, ok, err := e.combineFile(b.points[path], byFile[path])
		if err != nil {
			return nil, err
		}
		if !ok {
			continue
		}
		c.texts[path] = combined.Text
		maps.Copy(c.place, combined.Places)
		for _, m := range byFile[path] {
			if combined.Places[m.Number] != 0 {
				c.number[m.Mutant] = m.Number
			}
		}
	}
	return c, nil
}

// combineFile makes the schemata of one file.
func (e *Engine) combineFile(p *mutate.Points, ms []mutate.Numbered) (c mutate.Schemata, ok bool, err error) {
	c = p.Combine(ms)
	if ok, err = e.lint.parses(c.Text); ok || err != nil {
		return c, ok, err
	}
	var good []mutate.Numbered
	for _, m := range ms {
		ok, err := e.lint.parses(m.Edit.Apply(p.Source.Text))
		if err != nil {
			return c, false, err
		}
		if ok {
			good = append(good, m)
		}
	}
	c = p.Combine(good)
	ok, err = e.lint.parses(c.Text)
	return c, ok, err
}

// refused takes out the files that PHP's compiler does not take with their mutants, and
// reports whether there were any.
func (e *Engine) refused(c *schemata) (some bool, err error) {
	for _, path := range slices.Sorted(maps.Keys(c.texts)) {
		ok, err := e.lint.compiles(c.texts[path], e.dir)
		if err != nil {
			return false, err
		}
		if !ok {
			some = true
			c.drop(path)
		}
	}
	return some, nil
}

// drop makes the mutants of a file ones that are swapped in.
func (c *schemata) drop(path string) {
	delete(c.texts, path)
	for m := range c.number {
		if m.Source.Path == path {
			delete(c.number, m)
		}
	}
}

// stillborn reports whether PHP refuses a text.
func (e *Engine) stillborn(text []byte) (bool, error) {
	ok, err := e.lint.compiles(text, e.dir)
	if os.IsNotExist(err) {
		return false, err
	}
	return !ok && err == nil, err
}
