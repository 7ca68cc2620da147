//go:build linux

package exec

import (
	"bytes"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"

	"assay/mutate"
)

// fileWords knows which words stand in the PHP files of a project.
type fileWords struct {
	root    string
	sources map[string]*mutate.Points
	mu      sync.Mutex
	known   map[string]*wordsIn
	run     [][]string                 // segment => sources of which it passes points
	users   *users                     // see Baseline.users
	seeing  map[seen][]int             // see Baseline.seeing
	told    func(path string) bool     // whether it is known when code of a file is run
	loading map[string]*mutate.Loading // of files that are no sources
	heirs   map[string][]string        // name => names that cannot be declared without it
	paths   []string                   // of the sources, sorted
}

// wordsIn is what the text of a file says.
type wordsIn struct {
	words     map[string]bool // all that may be a name, as it is written
	lower     map[string]bool // and in lower case, as names of classes are compared
	byAnyName bool            // it may get at a constant without its name
	source    bool
	inspects  bool // it may read the default of a parameter without a call
	// where it registers an autoloader, its words without those that are whole texts in
	// quotes: that finds files by such texts, and does not use what they declare
	used map[string]bool
	data string // of a file that is no PHP: its text in lower case, two backslashes as one
	// What counts of it when the file is loaded; nil: all.
	values, links *wordsIn
}

// part says what of a file counts when it is loaded.
type part uint8

// Parts: see mutate.Loading for the last two.
const (
	whole part = iota
	links
	values
)

// of gives the words of a part.
func (w *wordsIn) of(p part) *wordsIn {
	if w.links == nil || p == whole {
		return w
	}
	return map[part]*wordsIn{links: w.links, values: w.values}[p]
}

var quotedName = regexp.MustCompile(`'[\w\\/.-]*'|"[\w\\/.-]*"`)

// uses reports whether one of some names, in lower case, is in the file for another
// reason than to be loaded.
func (w *wordsIn) uses(names names) bool {
	return w.hasAny(names) && (w.used == nil || slices.ContainsFunc(names.short, func(n string) bool { return w.used[n] }))
}

// hasAny reports whether one of some names is in the file.
func (w *wordsIn) hasAny(names names) bool {
	if w.data != "" {
		return slices.ContainsFunc(names.full, func(n string) bool { return strings.Contains(w.data, n) })
	}
	for _, n := range names.short {
		if w.lower[n] {
			return true
		}
	}
	return false
}

// names are what a source declares, in lower case: without namespaces, and those that have
// one, with it.
type names struct{ short, full []string }

// of reads a file, once.
func (f *fileWords) of(path string) *wordsIn {
	f.mu.Lock()
	defer f.mu.Unlock()
	if w, ok := f.known[path]; ok {
		return w
	}
	var text, data []byte
	if p := f.sources[path]; p != nil {
		text = p.Source.Text
	} else if full := filepath.Join(f.root, filepath.FromSlash(path)); !strings.HasSuffix(path, "/") {
		if info, err := os.Stat(full); err == nil && info.Mode().IsRegular() && info.Size() <= largestHelper {
			text, _ = os.ReadFile(full) // what tests make themselves is gone
		}
		if !strings.HasSuffix(path, ".php") && !bytes.Contains(text, []byte("<?")) {
			data, text = text, nil
		}
	}
	w := f.wordsIn(path, text)
	if l := f.loadingOf(path); l != nil {
		w.values, w.links = f.wordsIn(path, l.Values), f.wordsIn(path, l.Links)
	}
	if bytes.Contains(text, []byte("spl_autoload_register")) {
		w.used = wordsOf(bytes.ToLower(quotedName.ReplaceAll(text, []byte("''"))))
	}
	w.data = strings.ToLower(strings.ReplaceAll(string(data), `\\`, `\`))
	f.known[path] = w
	return w
}

func (f *fileWords) wordsIn(path string, text []byte) *wordsIn {
	w := &wordsIn{source: f.sources[path] != nil, words: wordsOf(text), lower: map[string]bool{}, byAnyName: mutate.ByAnyName(text), inspects: mutate.Inspects(bytes.ToLower(text))}
	for word := range w.words {
		w.lower[strings.ToLower(word)] = true
	}
	return w
}

// loadingOf gives what counts of a file when it is loaded; nil where that is not known, or
// where it is not told when its functions are run.
func (f *fileWords) loadingOf(path string) *mutate.Loading {
	switch p := f.sources[path]; {
	case !f.told(path):
		return nil
	case p != nil:
		return p.Loading
	}
	return f.loading[path]
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

// namesIn gives the names that a source declares, and those that cannot be declared without
// them.
func (b *Baseline) namesIn(path string) names {
	heirs := b.files.heirsOf()
	p := b.points[path]
	if p == nil {
		return names{}
	}
	in := map[string]bool{}
	var out names
	var add func(name string)
	add = func(name string) {
		if in[name] {
			return
		}
		in[name] = true
		out.short = append(out.short, name[strings.LastIndexByte(name, '\\')+1:])
		if strings.Contains(name, `\`) {
			out.full = append(out.full, name)
		}
		for _, heir := range heirs[name] {
			add(heir)
		}
	}
	for name := range p.Links {
		add(name)
	}
	return out
}

func (f *fileWords) heirsOf() map[string][]string {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.heirs == nil {
		f.heirs = map[string][]string{}
		for _, p := range f.sources {
			for name, needs := range p.Links {
				for _, n := range needs {
					f.heirs[n] = append(f.heirs[n], name)
				}
			}
		}
	}
	return f.heirs
}

// sorted gives the paths of the sources.
func (f *fileWords) sorted() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.paths == nil {
		f.paths = slices.Sorted(maps.Keys(f.sources))
	}
	return f.paths
}
