//go:build linux

package exec

import (
	"context"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"

	"assay/mutate"
	"assay/mutate/syntax"
)

// largestHelper bounds, in bytes, the files besides the sources that are looked into; a
// larger one is data in PHP's clothes.
const largestHelper = 1 << 20

// probing is a project whose code tells when it is run.
type probing struct {
	sources []*mutate.Points
	texts   map[string][]byte          // by path: sources with points; other files, which tell that a function of theirs was entered
	dropped map[string]bool            // sources that PHP does not take with points
	loading map[string]*mutate.Loading // of files that are no sources
	silent  map[string]bool            // files of which no function can be entered, because they have none
}

// probe puts points into the sources, and notes into the other PHP files of the project.
// What PHP does not take with them is left as it is.
func (e *Engine) probe(ctx context.Context, files []*mutate.Points) (*probing, error) {
	l := &probing{sources: files, texts: map[string][]byte{}, dropped: map[string]bool{}, silent: map[string]bool{}, loading: map[string]*mutate.Loading{}}
	isSource := map[string]bool{}
	for _, p := range files {
		isSource[p.Source.Path] = true
		if p.Count == 0 && p.Loading != nil { // it only declares, and nothing in it can be entered
			l.silent[p.Source.Path] = true
			continue
		}
		text, ok := p.Probed(), false
		if p.Count > 0 {
			var err error
			if ok, err = e.lint.parses(text); err != nil {
				return nil, err
			}
		}
		if ok {
			l.texts[p.Source.Path] = text
		} else {
			l.dropped[p.Source.Path] = true
		}
	}
	return l, e.noteOthers(ctx, isSource, l)
}

// told reports whether it is known when code of a file is run: by points or notes, or
// because it has no functions. What is somebody else's does not run the project's code by
// itself.
func (l *probing) told(path string) bool {
	return l.texts[path] != nil || l.silent[path] || slices.ContainsFunc(strings.Split(path, "/"), isForeignDir)
}

func isForeignDir(name string) bool {
	return name == "vendor" || name == "node_modules" || name == ".git"
}

// noteOthers puts notes into the PHP files of the project that are no sources.
func (e *Engine) noteOthers(ctx context.Context, isSource map[string]bool, l *probing) error {
	paths, err := e.otherFiles(isSource)
	if err != nil {
		return err
	}
	var mu sync.Mutex
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for _, path := range paths {
		g.Go(func() error {
			src, err := os.ReadFile(filepath.Join(e.set.Root, filepath.FromSlash(path)))
			if err != nil {
				return ctx.Err()
			}
			if strings.HasSuffix(path, ".phpt") {
				mu.Lock()
				defer mu.Unlock()
				l.texts[path] = tellingPhpt(src, filepath.Join(e.harness, "Probe.php"))
				return ctx.Err()
			}
			f, err := syntax.ParseContext(ctx, path, src)
			if err != nil {
				return ctx.Err()
			}
			text, loading := mutate.NoteEntries(f, path), mutate.LoadingOf(f)
			mu.Lock()
			l.loading[path] = loading
			mu.Unlock()
			if text == nil {
				if words := wordsOf(src); !words["function"] && !words["fn"] {
					mu.Lock()
					l.silent[path] = true
					mu.Unlock()
				}
				return ctx.Err()
			}
			if ok, err := e.lint.parses(text); err != nil || !ok {
				return err
			}
			mu.Lock()
			defer mu.Unlock()
			l.texts[path] = text
			return ctx.Err()
		})
	}
	return g.Wait()
}

// otherFiles lists PHP files of the project that are neither source nor somebody
// else's, relative to the root.
func (e *Engine) otherFiles(isSource map[string]bool) ([]string, error) {
	var out []string
	err := filepath.WalkDir(e.set.Root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return nil // unreadable: the tests do not read it either
		}
		if d.IsDir() {
			if isForeignDir(d.Name()) {
				return filepath.SkipDir
			}
			return nil
		}
		rel, err := filepath.Rel(e.set.Root, path)
		is := strings.HasSuffix(path, ".php") || strings.HasSuffix(path, ".phpt")
		if err != nil || !is || isSource[filepath.ToSlash(rel)] || !d.Type().IsRegular() {
			return err
		}
		if info, err := d.Info(); err == nil && info.Size() <= largestHelper {
			out = append(out, filepath.ToSlash(rel))
		}
		return nil
	})
	return out, err
}
