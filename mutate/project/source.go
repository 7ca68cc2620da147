package project

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/bmatcuk/doublestar/v4"
)

// place is a file, or a directory with a rule for names, where code may be.
type place struct {
	path     string // absolute; may hold "*"
	prefix   string
	suffixes []string
	under    []string // when not nil: only paths, relative to path, that begin with one of these
	line     int      // in the configuration, or 0
}

// php is the suffix that autoloading by name looks for.
var php = []string{".php"}

// caches are directories that frameworks fill with generated code.
var caches = []string{"var/cache", "bootstrap/cache", "storage/framework"}

func (f *finder) findSource() {
	places, from := f.sourcePlaces()
	starts := map[string]string{} // real path of a file -> the place it was found below
	for _, p := range places {
		f.collect(p, starts)
	}
	f.dropExcluded(starts)
	named := len(starts)
	if !f.narrow(starts, from) {
		return
	}
	for path := range starts {
		if f.fit(path) {
			f.Files = append(f.Files, f.rel(path))
		}
	}
	slices.Sort(f.Files)
	if len(f.Files) > 0 || f.failed() {
		return
	}
	e := &Error{Kind: NoSource, Path: f.Root, Fault: "no source file is found: phpunit.xml has no <source> and composer.json no \"autoload\" that names one", Advice: "add one of them, or name the directories as arguments"}
	switch {
	case named > 0 && len(starts) == 0:
		e.Fault, e.Advice = "no source file is left after the paths and exclusions that were asked for", "ask for more, or exclude less"
	case from != "":
		e.Path, e.Fault = from, "what it names as source holds no PHP file to work on"
		e.Advice = "correct it, or see the notes on files left out"
	}
	f.fail(e)
}

// sourcePlaces gives where the source is, and the name of the file that says
// so; with neither file saying anything, the user's own paths are the source.
func (f *finder) sourcePlaces() (places []place, from string) {
	if f.Config != nil && len(f.Config.Include) > 0 {
		for _, p := range f.Config.Include {
			places = append(places, place{path: p.Path, prefix: p.Prefix, suffixes: []string{p.Suffix}, line: p.Line})
		}
		return places, f.rel(f.Config.Path)
	}
	if f.Composer != nil {
		if places = f.Composer.places(f.Composer.Autoload); len(places) > 0 {
			return places, f.rel(f.Composer.Path)
		}
	}
	for _, p := range f.opts.Paths {
		places = append(places, place{path: f.userPath(p), suffixes: php})
	}
	return places, ""
}

// collect adds the files of one place.
func (f *finder) collect(p place, starts map[string]string) {
	found := glob(p.path)
	if len(found) == 0 {
		path := p.path
		if p.line > 0 {
			path = f.Config.Path
		}
		f.note("config", path, p.line, "%s is named as source and does not exist", f.rel(p.path))
	}
	for _, start := range found {
		if _, ok := below(f.Root, start); !ok {
			f.note("left_out", start, 0, "is named as source and lies outside the project")
			continue
		}
		add := func(path string) {
			if _, ok := starts[path]; !ok && p.takes(start, path) {
				starts[path] = start
			}
		}
		if isFile(start) {
			starts[start] = start
			continue
		}
		w := &walker{within: f.Root, entered: map[string]bool{}, file: add, skip: map[string]bool{f.VendorDir: true, "node_modules": true}}
		if real, err := filepath.EvalSymlinks(f.VendorDir); err == nil {
			w.skip[real] = true
		}
		w.problem = func(path, what string) { f.note("unreadable", path, 0, "%s, so it is left out", what) }
		w.odd = func(path, what string) {
			if p.takes(start, path) {
				f.note("unreadable", path, 0, "is %s and no file, so it is left out", what)
			}
		}
		w.walk(start)
	}
}

func (p place) takes(start, path string) bool {
	name := filepath.Base(path)
	suffixed := slices.ContainsFunc(p.suffixes, func(s string) bool { return strings.HasSuffix(name, s) })
	if !strings.HasPrefix(name, p.prefix) || !suffixed {
		return false
	}
	if p.under == nil {
		return true
	}
	rel, _ := below(start, path)
	for _, prefix := range p.under {
		if strings.HasPrefix(filepath.ToSlash(rel), prefix) {
			return true
		}
	}
	return false
}

// dropExcluded takes away what the project itself says is not source, and the
// tests.
func (f *finder) dropExcluded(starts map[string]string) {
	configured := f.Config != nil && len(f.Config.Include) > 0
	var patterns []string
	if f.Composer != nil && !configured {
		patterns = f.Composer.excluded()
	}
	var excluded []Place
	if configured {
		for _, x := range f.Config.Exclude {
			for _, real := range glob(x.Path) {
				excluded = append(excluded, Place{Path: real, Prefix: x.Prefix, Suffix: x.Suffix})
			}
		}
	}
	for path, start := range starts {
		drop := f.tests.owns(path, start) || matchesAny(patterns, f.rel(path))
		for _, x := range excluded {
			_, in := below(x.Path, path)
			name := filepath.Base(path)
			drop = drop || in && strings.HasPrefix(name, x.Prefix) && strings.HasSuffix(name, x.Suffix)
		}
		for _, c := range caches {
			dir := filepath.Join(f.Root, c)
			_, in := below(dir, path)
			_, asked := below(dir, start)
			drop = drop || in && !asked
		}
		if drop {
			delete(starts, path)
		}
	}
}

// matchesAny reports whether a pattern matches a slash path relative to the
// root, or a directory that holds it.
func matchesAny(patterns []string, rel string) bool {
	for _, p := range patterns {
		if matches(p, rel) {
			return true
		}
	}
	return false
}

func matches(pattern, path string) bool {
	for end := 1; end <= len(path); end++ {
		if end < len(path) && path[end] != '/' {
			continue
		}
		if ok, err := doublestar.Match(pattern, path[:end]); ok && err == nil {
			return true
		}
	}
	return false
}

// narrow keeps what the user's paths name and drops what the user excludes. It
// reports whether all of that made sense.
func (f *finder) narrow(starts map[string]string, from string) (ok bool) {
	ok = true
	keep := map[string]bool{}
	for _, p := range f.opts.Paths {
		ok = f.choose(p, starts, keep, from) && ok
	}
	for path := range starts {
		if len(f.opts.Paths) > 0 && !keep[path] {
			delete(starts, path)
		}
	}
	for _, x := range f.opts.Exclude {
		pattern := strings.Trim(filepath.ToSlash(filepath.Clean(x)), "/")
		if !doublestar.ValidatePattern(pattern) {
			f.fail(&Error{Kind: BadPattern, Path: x, Fault: "is not a pattern (\"*\", \"**\", \"?\", \"[a-z]\", \"{a,b}\")", Advice: "correct the exclusion"})
			ok = false
			continue
		}
		hit := false
		for path := range starts {
			if matches(pattern, f.rel(path)) {
				delete(starts, path)
				hit = true
			}
		}
		if !hit {
			f.note("config", "", 0, "the exclusion %q matches no source file", x)
		}
	}
	return ok
}

// choose marks the files that one path or pattern of the user stands for. It
// reports whether there are any, and fails the run if not.
func (f *finder) choose(p string, starts map[string]string, keep map[string]bool, from string) bool {
	abs := f.userPath(p)
	e := &Error{Kind: NoMatch, Path: p, Fault: "there is no such file or directory", Advice: "correct the path; it is relative to where you are, or to " + f.Root}
	match := func(path string) bool {
		_, in := below(abs, path)
		return in
	}
	switch real, err := filepath.EvalSymlinks(abs); {
	case err == nil:
		abs = real
		e.Fault, e.Advice = "no source file of the project is there", "name a path below what composer.json or phpunit.xml call source"
		if from != "" {
			e.Advice = "name a path below what " + from + " calls source"
		}
	case !doublestar.ValidatePattern(filepath.ToSlash(abs)):
		e.Kind, e.Fault, e.Advice = BadPattern, "is neither a path nor a pattern (\"*\", \"**\", \"?\", \"[a-z]\", \"{a,b}\")", "correct it"
	case strings.ContainsAny(p, "*?[{"):
		e.Fault, e.Advice = "the pattern matches no source file", "correct it; it is relative to where you are, or to "+f.Root
		here, there := filepath.ToSlash(abs), filepath.ToSlash(filepath.Join(f.Root, p))
		match = func(path string) bool { return matches(here, path) || matches(there, path) }
	default:
		f.fail(e)
		return false
	}
	hit := false
	for path := range starts {
		if match(path) {
			keep[path], hit = true, true
		}
	}
	if !hit {
		f.fail(e)
	}
	return hit
}

// fit reports whether a file is one to work on; if not, a note says why.
func (f *finder) fit(path string) bool {
	info, err := os.Stat(path)
	if err != nil {
		f.note("unreadable", path, 0, "cannot be read (%s), so it is left out", reason(err))
		return false
	}
	if info.Size() > f.opts.MaxFileSize {
		f.note("left_out", path, 0, "has %d bytes, more than the limit of %d, so it is left out", info.Size(), f.opts.MaxFileSize)
		return false
	}
	text, err := ReadFile(path)
	if err != nil {
		f.note("unreadable", path, 0, "cannot be read (%s), so it is left out", reason(err))
		return false
	}
	if !hasOpenTag(text) && bytes.IndexByte(text, 0) < 0 {
		return false // a template or other text without code: nothing is missed
	}
	if why := notCode(text); why != "" {
		f.note("left_out", path, 0, "%s, so it is left out", why)
		return false
	}
	return true
}

// notCode says why a file is not one to mutate, or "".
func notCode(text []byte) string {
	switch {
	case bytes.HasPrefix(text, []byte("\xff\xfe")), bytes.HasPrefix(text, []byte("\xfe\xff")):
		return "is UTF-16 text, in which PHP sees no code"
	case !hasOpenTag(text):
		return "is a binary file"
	case isGenerated(text):
		return "says in its header that it is generated"
	}
	return ""
}

func hasOpenTag(text []byte) bool {
	for at := 0; ; {
		i := bytes.Index(text[at:], []byte("<?"))
		if i < 0 {
			return false
		}
		at += i + 2
		rest := text[at:]
		if bytes.HasPrefix(rest, []byte("=")) || len(rest) >= 3 && bytes.EqualFold(rest[:3], []byte("php")) {
			return true
		}
	}
}

// isGenerated looks for the "@generated" tag, or for words to its effect, in
// the comments before the first code. (Common practice of code generators; no
// standard says it.)
func isGenerated(text []byte) bool {
	head := string(bytes.ToLower(header(text)))
	if strings.Contains(head, "@generated") {
		return true
	}
	said := false
	for _, words := range []string{"do not edit", "do not modify", "don't edit", "do not change"} {
		said = said || strings.Contains(head, words)
	}
	return said && strings.Contains(head, "generated")
}

// header gives the comments at the top of a file: behind the open tag and
// behind a declare, namespace or use in front of the first declaration.
func header(text []byte) []byte {
	text = text[:min(len(text), 8<<10)]
	_, rest, ok := bytes.Cut(text, []byte("<?php"))
	if !ok {
		return nil
	}
	var out []byte
	for {
		rest = bytes.TrimLeft(rest, " \t\r\n")
		var end []byte
		switch {
		case bytes.HasPrefix(rest, []byte("/*")):
			end = []byte("*/")
		case bytes.HasPrefix(rest, []byte("//")), bytes.HasPrefix(rest, []byte("#")) && !bytes.HasPrefix(rest, []byte("#[")):
			end = []byte("\n")
		case bytes.HasPrefix(rest, []byte("declare")), bytes.HasPrefix(rest, []byte("namespace")), bytes.HasPrefix(rest, []byte("use ")):
			if _, rest, ok = bytes.Cut(rest, []byte(";")); !ok {
				return out
			}
			continue
		default:
			return out
		}
		comment, after, ok := bytes.Cut(rest, end)
		out = append(out, comment...)
		if !ok {
			return out
		}
		rest = after
	}
}
