package exec

import (
	"context"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"golang.org/x/sync/errgroup"

	"assay/mutate"
	"assay/mutate/syntax"
)

// largestHelper bounds, in bytes, the test files that are looked into; a larger
// one is data in PHP's clothes.
const largestHelper = 1 << 20

// helperPoints lays out points in the project's PHP files that are no source:
// test files, their helpers, bootstraps. They stand only where state is used
// that outlives a test, and tell which tests use it. Files that PHP does not
// accept with points are left out.
func (e *Engine) helperPoints(ctx context.Context, sources []*mutate.Points) ([]*mutate.Points, error) {
	next, isSource := firstFree(sources), map[string]bool{}
	for _, p := range sources {
		isSource[p.Source.Path] = true
	}
	paths, err := e.helperFiles(isSource)
	if err != nil {
		return nil, err
	}
	files, texts := make([]*syntax.File, len(paths)), make([][]byte, len(paths))
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i, path := range paths {
		g.Go(func() error {
			text, err := os.ReadFile(filepath.Join(e.set.Root, filepath.FromSlash(path)))
			if err == nil {
				texts[i] = text
				files[i], _ = syntax.Parse(path, text) // what cannot be read is looked at as text later
			}
			return ctx.Err()
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	var out []*mutate.Points
	for i, f := range files {
		if f == nil {
			continue
		}
		// Without any point it is worth knowing, too: there is nothing to see.
		p := mutate.LayoutShared(f, &mutate.Source{Path: paths[i], Text: texts[i]}, next)
		ok := p.Count == 0 && isSound(f) // it is as it was, and PHP
		if !ok {
			if ok, err = e.lint.parses(p.Probed()); err != nil {
				return nil, err
			}
		}
		if ok {
			next += p.Count
			out = append(out, p)
		}
	}
	return out, nil
}

// isSound reports whether all of a file could be read.
func isSound(f *syntax.File) bool {
	sound := true
	f.Root.Walk(func(n *syntax.Node) bool {
		sound = sound && !n.Bad
		return sound
	})
	return sound
}

// firstFree is the first ID that no point of these files has.
func firstFree(files []*mutate.Points) int {
	next := mutate.FileLevel + 1
	for _, p := range files {
		next = max(next, p.First+p.Count)
	}
	return next
}

// helperFiles lists PHP files of the project that are neither source nor
// somebody else's, relative to the root.
func (e *Engine) helperFiles(isSource map[string]bool) ([]string, error) {
	var out []string
	err := filepath.WalkDir(e.set.Root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return nil // unreadable: the tests do not read it either
		}
		if d.IsDir() {
			switch d.Name() {
			case "vendor", "node_modules", ".git":
				return filepath.SkipDir
			}
			return nil
		}
		rel, err := filepath.Rel(e.set.Root, path)
		if err != nil || !strings.HasSuffix(path, ".php") || isSource[filepath.ToSlash(rel)] || !d.Type().IsRegular() {
			return err
		}
		if info, err := d.Info(); err == nil && info.Size() <= largestHelper {
			out = append(out, filepath.ToSlash(rel))
		}
		return nil
	})
	return out, err
}
