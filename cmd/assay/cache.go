//go:build linux

package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
)

// A keeping names the files that are kept of a project between runs. What a part of a run
// keeps has a name of its own, so that parts may run at a time, and folders of several
// machines may be laid over each other.
type keeping struct {
	base string // path without what is behind the first dot of the file's name
	part shard
	none error // why there is no place to keep anything
}

// kept gives the files of a project, in the cache that was given or in the user's.
func (c *runCommand) kept(name, root string) keeping { return c.cacheOptions.kept(name, root, c.Shard) }

func (c *cacheOptions) kept(name, root string, part shard) keeping {
	if c.Cache != "" {
		return keeping{base: filepath.Join(c.Cache, projectKey(name, root)), part: part}
	}
	last, err := lastRunPath(root)
	if err != nil {
		return keeping{none: err}
	}
	return keeping{base: strings.TrimSuffix(last, ".json.gz"), part: part}
}

func (k keeping) file(ending string) string {
	switch {
	case k.base == "":
		return ""
	case k.part.given():
		return fmt.Sprintf("%s.%d-of-%d%s", k.base, k.part.number, k.part.of, ending)
	}
	return k.base + ending
}

const verdictsEnding = ".verdicts.gz"

// verdicts is the file of the memory; "" where there is no place for it.
func (k keeping) verdicts() string { return k.file(verdictsEnding) }

// journal is the file of the journal.
func (k keeping) journal() (string, error) {
	if k.base == "" {
		return "", k.none
	}
	return k.file(".journal"), nil
}

// pool is the file that says under which name a run was given to a pool.
func (k keeping) pool() (string, error) {
	if k.base == "" {
		return "", k.none
	}
	return k.file(".pool"), nil
}

// all gives the files of verdicts that there are: that of the whole, and those of parts.
func (k keeping) all() []string {
	if k.base == "" {
		return nil
	}
	entries, err := os.ReadDir(filepath.Dir(k.base))
	if err != nil {
		return nil // there are none
	}
	var out []string
	for _, e := range entries {
		if rest, ok := strings.CutPrefix(e.Name(), filepath.Base(k.base)); ok && (rest == verdictsEnding || ofPart().MatchString(rest)) {
			out = append(out, filepath.Join(filepath.Dir(k.base), e.Name()))
		}
	}
	return out
}

var (
	ofPart = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^\.(\d+)-of-(\d+)\.verdicts\.gz$`)
	})
	// inCache are names of what may be in a cache: what is written there, also for a moment,
	// and what marks a folder as one.
	inCache = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^\.?[0-9a-f]{16}(\.\d+-of-\d+)?\.(verdicts\.gz|journal|pool)(\.\d+)?$|^(\.git(ignore|keep)|CACHEDIR\.TAG)$`)
	})
)

// makeCache makes the directory that was given, before anything else is done: it may lie in
// the project, and then its coming would be a change there. What else lies in it would be
// taken for the cache's, and changes there for none: so nothing may.
func (c *cacheOptions) makeCache() error {
	if c.Cache == "" {
		return nil
	}
	if err := os.MkdirAll(c.Cache, 0o755); err != nil {
		var at *fs.PathError
		if errors.As(err, &at) {
			err = at.Err
		}
		return badValue("cache", c.Cache, "%s: the folder cannot be made: %v", c.Cache, err)
	}
	entries, err := os.ReadDir(c.Cache)
	if err != nil {
		return badValue("cache", c.Cache, "%s: %v", c.Cache, err)
	}
	for _, e := range entries {
		if !inCache().MatchString(e.Name()) {
			return badValue("cache", c.Cache, "%s: it holds %s, which is no cache of verdicts; name a folder that has nothing else in it", c.Cache, e.Name())
		}
	}
	if err := checkWritable(filepath.Join(c.Cache, "0000000000000000"+verdictsEnding)); err != nil {
		return badValue("cache", c.Cache, "%s: %v", c.Cache, err)
	}
	return nil
}
